"""The scripts that are put in place: a backup every night, and the way back after an upgrade."""

from __future__ import annotations

import os
import shutil
import stat
import sys
import tarfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from envmon.store import migrations
from envmon.store.chain import first_break
from envmon.store.migrations import MIGRATIONS
from envmon.store.sqlite import SqliteStore
from tests.install_support import Trial, trial
from tests.test_install_newer import COMING, READINGS, dump, fill

if TYPE_CHECKING:
    from collections.abc import Iterator

QUIET = {"STOP": "true", "START": "true"}


@pytest.fixture
def machine() -> Iterator[Trial]:
    with trial() as made:
        made.make(keep=3)
        made.put()
        yield made


def backups(machine: Trial) -> list[str]:
    return sorted(path.name for path in machine.backups.iterdir())


def test_backup_holds_data_and_settings_for_their_owner_alone(machine: Trial) -> None:
    fill(machine.data)
    (machine.shop_path.parent / "people.toml").write_text("secret = 1", encoding="utf-8")
    done = machine.run("backup.sh")
    assert done.returncode == 0, done.stderr
    made = machine.backups / backups(machine)[0]
    assert stat.S_IMODE(made.stat().st_mode) == 0o700
    with closing(SqliteStore(made / "data")) as store:
        assert store.run("SELECT count(*) FROM reading").fetchone()[0] == len(READINGS)
    with tarfile.open(made / "settings.tar") as tar:
        names = set(tar.getnames())
    assert {"./shop.toml", "./people.toml", "./broker_password", "./tls/ca.key"} <= names


def test_newest_are_kept_and_those_with_a_name_of_their_own(machine: Trial) -> None:
    fill(machine.data)
    old = [f"2026-01-{day:02d}T030000Z" for day in range(1, 6)]
    for name in [*old, "before-upgrade", "mine"]:
        (machine.backups / name).mkdir()
    done = machine.run("backup.sh")
    assert done.returncode == 0, done.stderr
    kept = backups(machine)
    assert kept[:2] == old[-2:]
    assert kept[2] > "2026-01-05T030000Z"
    assert kept[3:] == ["before-upgrade", "mine"]


def test_failed_backup_leaves_nothing_and_takes_no_older_one_away(machine: Trial) -> None:
    old = [f"2026-01-{day:02d}T030000Z" for day in range(1, 6)]
    for name in old:
        (machine.backups / name).mkdir()
    done = machine.run("backup.sh")
    assert done.returncode != 0
    assert "no data in" in done.stderr
    assert backups(machine) == old


def test_backup_does_not_replace_one_of_the_same_name(machine: Trial) -> None:
    fill(machine.data)
    assert machine.run("backup.sh", "mine").returncode == 0
    done = machine.run("backup.sh", "mine")
    assert (done.returncode, "is there already" in done.stderr) == (2, True)


def installed(folder: Path, name: str) -> None:
    """Lay out a Python environment whose envmon is this one; its file says which it is."""
    (folder / "bin").mkdir(parents=True)
    program = folder / "bin/envmon"
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m envmon.cli "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    (folder / "version").write_text(name, encoding="utf-8")


def test_older_store_goes_up_and_the_way_back_brings_the_older_one_again(
    machine: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The store of a version a step older; what the newer one wrote since is kept aside."""
    venv = machine.root / "opt/envmon"
    with monkeypatch.context() as older:
        older.setattr(migrations, "MIGRATIONS", MIGRATIONS[:-1])
        fill(machine.data)
        before = dump(machine.data)
    settings = machine.shop_path.read_text(encoding="utf-8")
    saved = machine.backups / "before-upgrade"
    (saved / "data").mkdir(parents=True)
    copy_of(machine.data, saved / "data")
    with tarfile.open(saved / "settings.tar", "w") as tar:
        tar.add(machine.shop_path, "./shop.toml")
    installed(Path(f"{venv}.before"), "old")
    installed(venv, "new")
    with closing(SqliteStore(machine.data)) as store:  # the newer version comes up
        assert store.run("SELECT count(*) FROM reading").fetchone()[0] == len(READINGS)
        assert first_break(store.events()) is None
    machine.shop_path.write_text(settings + "\n# of the new version\n", encoding="utf-8")
    newer = dump(machine.data)

    done = machine.run("way-back.sh", VENV=str(venv), **QUIET)
    assert done.returncode == 0, done.stderr
    assert dump(machine.data) == before
    aside = next(machine.data.glob("newer-*"))
    assert dump(aside) == newer
    assert machine.shop_path.read_text(encoding="utf-8") == settings
    assert len(list(machine.shop_path.parent.glob("shop.toml.newer-*"))) == 1
    assert (venv / "version").read_text(encoding="utf-8") == "old"
    assert Path(f"{venv}.newer/version").read_text(encoding="utf-8") == "new"


def copy_of(source: Path, target: Path) -> None:
    for path in source.iterdir():
        (target / path.name).write_bytes(path.read_bytes())


def test_way_back_without_a_way_changes_nothing(machine: Trial) -> None:
    fill(machine.data)
    before = dump(machine.data)
    done = machine.run("way-back.sh", VENV=str(machine.root / "opt/envmon"), **QUIET)
    assert (done.returncode, "nothing was changed" in done.stderr) == (2, True)
    assert dump(machine.data) == before


@pytest.mark.parametrize("lacks", ["pyproject.toml", ".ci/constraints.txt"])
def test_upgrade_wants_a_whole_new_version_before_it_stops_anything(
    machine: Trial, tmp_path: Path, lacks: str
) -> None:
    for name in {"pyproject.toml", ".ci/constraints.txt"} - {lacks}:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    stop = f"touch {tmp_path}/stopped"
    done = machine.run("upgrade.sh", str(tmp_path), STOP=stop, START="true")
    assert (done.returncode, "give the folder with the new version" in done.stderr) == (2, True)
    assert not (tmp_path / "stopped").exists()


def test_new_version_in_the_store_makes_the_old_one_refuse_until_the_way_back(
    machine: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole round with a version that has a step more than this one."""
    venv = machine.root / "opt/envmon"
    fill(machine.data)
    assert machine.run("backup.sh", "before-upgrade").returncode == 0
    with monkeypatch.context() as coming:
        coming.setattr(migrations, "MIGRATIONS", (*MIGRATIONS, COMING))
        with closing(SqliteStore(machine.data)) as store:
            store.add_readings(READINGS)
    installed(Path(f"{venv}.before"), "old")
    refused = machine.run("backup.sh", VENV=f"{venv}.before")
    assert "newer envmon" in refused.stderr
    assert machine.run("way-back.sh", VENV=str(venv), **QUIET).returncode == 0
    assert machine.run("backup.sh", VENV=str(venv)).returncode == 0


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can act as another user")
def test_way_back_keeps_out_of_what_the_service_owns() -> None:
    """Root does nothing in the service's folders: what comes back belongs to the service."""
    with trial() as machine:
        machine.make(user="nobody")
        machine.put()
        fill(machine.data)
        saved = machine.backups / "before-upgrade"
        (saved / "data").mkdir(parents=True)
        copy_of(machine.data, saved / "data")
        with tarfile.open(saved / "settings.tar", "w") as tar:
            tar.add(machine.shop_path, "./shop.toml")
        for folder in (machine.data, machine.backups, machine.shop_path.parent):
            for path in (folder, *folder.rglob("*")):
                shutil.chown(path, "nobody")
        venv = machine.root / "opt/envmon"
        installed(Path(f"{venv}.before"), "old")
        done = machine.run("way-back.sh", VENV=str(venv), **QUIET)
        assert done.returncode == 0, done.stderr
        new = [*machine.data.rglob("*"), machine.shop_path]
        assert {path.owner() for path in new} == {"nobody"}
