"""An older version on a newer store, and a newer one on an older store."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from importlib import metadata
from typing import TYPE_CHECKING

import pytest

from envmon.errors import StoreNewerError
from envmon.facts import Flag, NewEvent, Reading
from envmon.field.first_shop import Answers, shop_text
from envmon.store import migrations
from envmon.store.chain import first_break
from envmon.store.migrations import MIGRATIONS
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.benchmarks.broker_trials import free_port

if TYPE_CHECKING:
    from pathlib import Path

COMING = ("0999_coming", ("CREATE TABLE coming (id INTEGER PRIMARY KEY) STRICT",))
READINGS = [Reading("hall-air", "air_temp_c", n * 1_000_000, 20.0, Flag.GOOD, n) for n in range(9)]


def fill(folder: Path) -> None:
    with closing(SqliteStore(folder)) as store:
        store.add_readings(READINGS)
        store.add_events([NewEvent(1, "test", "hall", {"n": n}) for n in range(5)])


def dump(folder: Path) -> list[str]:
    with closing(sqlite3.connect(folder / LIVE_FILE)) as live:
        return list(live.iterdump())


def written_by(patch: pytest.MonkeyPatch, release: str, folder: Path) -> None:
    """Let a coming version with a step more write into a folder."""
    with patch.context() as coming:
        coming.setattr(migrations, "MIGRATIONS", (*MIGRATIONS, COMING))
        coming.setattr(migrations, "version", lambda _name: release)
        fill(folder)


@pytest.mark.parametrize("steps", range(1, len(MIGRATIONS)))
def test_older_store_is_brought_up_with_all_it_holds(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, steps: int
) -> None:
    with monkeypatch.context() as older:
        older.setattr(migrations, "MIGRATIONS", MIGRATIONS[:steps])
        fill(tmp_path)
    with closing(SqliteStore(tmp_path)) as store:
        names = [row[0] for row in store.rows("SELECT name FROM migration ORDER BY name")]
        assert names == [name for name, _ in MIGRATIONS]
        assert store.run("SELECT count(*) FROM reading").fetchone()[0] == len(READINGS)
        assert first_break(store.events()) is None


def test_newer_store_names_its_version_and_is_left_as_it_was(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    written_by(monkeypatch, "1.2.34rc5", tmp_path)
    before = dump(tmp_path)
    own = metadata.version("envmon").replace(".", r"\.")
    words = rf"written by envmon 1\.2\.34 \(it has 0999_coming\), and this is envmon {own}"
    with pytest.raises(StoreNewerError, match=words):
        SqliteStore(tmp_path)
    assert dump(tmp_path) == before


def test_older_version_with_steps_missing_takes_none_of_them_on_a_newer_store(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A store of another branch: neither knows the other's steps."""
    with monkeypatch.context() as other:
        other.setattr(migrations, "MIGRATIONS", (*MIGRATIONS[:1], COMING))
        fill(tmp_path)
    before = dump(tmp_path)
    with pytest.raises(StoreNewerError):
        SqliteStore(tmp_path)
    assert dump(tmp_path) == before


@pytest.mark.parametrize("command", ["now", "run"])
def test_command_ends_with_2_and_says_which_version(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, command: str
) -> None:
    """`envmon run` must not start the watch again and again on it."""
    written_by(monkeypatch, "7.0.0", tmp_path / "data")
    shop = tmp_path / "shop.toml"
    ports = (("# boards_port = 8050", f"boards_port = {free_port()}"),
             ('kind = "embedded"', f'kind = "embedded"\nport = {free_port()}'))  # fmt: skip
    text = shop_text(Answers(), shop)
    for old, new in ports:
        assert old in text
        text = text.replace(old, new, 1)
    shop.write_text(text, encoding="utf-8")
    argv = [sys.executable, "-m", "envmon.cli", command, str(shop)]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 2, done.stderr
    assert "written by envmon 7.0.0" in done.stderr
    assert "way-back.sh" in done.stderr
