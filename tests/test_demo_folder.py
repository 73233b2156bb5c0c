"""A demo's folder is gone with it; one that a killed demo left goes when the next one begins."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from typing import TYPE_CHECKING

import pytest

from envmon.service.demo_folder import LOCK_FILE, PREFIX, YOUNG_S, folder_thrown_away, sweep

if TYPE_CHECKING:
    from pathlib import Path

DEMO = """
import sys
from envmon.service.demo_folder import folder_thrown_away
with folder_thrown_away() as folder:
    (folder / "live.sqlite3").write_text("x")
    print(folder, flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for temporary files of this test's own."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def aged(folder: Path) -> None:
    """Let a folder's lock file be an hour old."""
    hour_ago = time.time() - 3_600
    os.utime(folder / LOCK_FILE, (hour_ago, hour_ago))


def test_a_folder_is_gone_when_its_demo_ends(room: Path) -> None:
    with folder_thrown_away() as folder:
        assert folder.parent == room
    assert list(room.iterdir()) == []


def test_what_a_killed_demo_left_goes_with_the_next_and_a_running_ones_stays(room: Path) -> None:
    pipe = subprocess.PIPE
    with subprocess.Popen([sys.executable, "-c", DEMO], stdin=pipe, stdout=pipe, text=True) as demo:
        assert demo.stdout is not None
        folder = room / demo.stdout.readline().strip()
        aged(folder)
        assert sweep() == []
        demo.kill()
    assert (folder / "live.sqlite3").exists()
    with folder_thrown_away() as fresh:
        assert list(room.iterdir()) == [fresh]


def test_what_is_not_a_left_demo_stays(room: Path) -> None:
    """A folder without a lock, one just begun, one that is only a link to a folder."""
    for name in ("a", "b", "elsewhere"):
        (room / f"{PREFIX if len(name) == 1 else ''}{name}").mkdir()
    for name in (f"{PREFIX}b", "elsewhere"):
        (room / name / LOCK_FILE).write_text("")
    (room / f"{PREFIX}c").symlink_to(room / "elsewhere")
    aged(room / "elsewhere")
    assert YOUNG_S > 1
    assert sweep() == []
    assert len(list(room.iterdir())) == 4
