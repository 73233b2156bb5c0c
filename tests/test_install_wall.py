"""The script that shows the wall, as systemd starts it: at a terminal where nobody types.

What each test holds was seen on a booted machine (`tests/acceptance/install_booted.py`).
"""

from __future__ import annotations

import os
import pty
import re
import shutil
import signal
import subprocess
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from tests.install_support import Trial, trial
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture(scope="module")
def machine() -> Iterator[Trial]:
    with trial() as made:
        text = made.shop_path.read_text(encoding="utf-8")
        for line in ("[boards]", 'certificate = "tls/shop.pem"', 'key = "tls/shop.key"'):
            text = text.replace(f"# {line}", line)
        made.shop_path.write_text(text, encoding="utf-8")
        made.make()
        made.put()
        shutil.copy(made.shop_path.parent / "tls/ca.pem", made.scripts / "ca.pem")
        yield made


@contextmanager
def at_terminal(machine: Trial, what: str, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    """Start wall.sh with a terminal as its input, where nothing is ever typed."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [str(machine.scripts / "wall.sh"), what], stdin=theirs, start_new_session=True,
        env={**os.environ, **environment},
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(30)
        os.close(ours)
        os.close(theirs)


@pytest.mark.skipif(shutil.which("certutil") is None, reason="certutil is not installed")
def test_wall_comes_again_without_a_question(machine: Trial) -> None:
    """NSS's certutil, asked to make a database that is there, asks for its password instead."""
    home = machine.root / "wall"
    for _ in range(2):
        with at_terminal(machine, "browser", HOME=str(home), CHROMIUM="true") as process:
            assert process.wait(60) == 0
    listed = subprocess.run(
        ["certutil", "-d", f"sql:{home}/.pki/nssdb", "-L"], capture_output=True, text=True,
        check=True, timeout=30,
    )  # fmt: skip
    assert re.search(r"(?m)^envmon +C,,", listed.stdout)


def cage(folder: Path, lines: str) -> str:
    """Lay a program of that name down; return the search path that finds it first."""
    folder.mkdir()
    (folder / "cage").write_text(f"#!/bin/sh\n{lines}\n", encoding="utf-8")
    (folder / "cage").chmod(0o755)
    return f"{folder}:{os.environ['PATH']}"


def test_screen_that_cannot_start_is_told_to_systemd(machine: Trial, tmp_path: Path) -> None:
    with at_terminal(machine, "screen", PATH=cage(tmp_path / "bin", "exit 3")) as process:
        assert process.wait(30) == 1


def test_screen_is_ended_with_all_that_it_shows(machine: Trial, tmp_path: Path) -> None:
    lines = f'cd "{tmp_path}"; trap "touch ended; exit" TERM; touch up; while :; do sleep 0.1; done'
    with at_terminal(machine, "screen", PATH=cage(tmp_path / "bin", lines)) as process:
        wait_until((tmp_path / "up").exists, "the screen")
        process.terminate()
        assert process.wait(30) == 0
        assert (tmp_path / "ended").exists()


def test_unit_lets_nothing_hide_the_place_of_the_screens_socket(machine: Trial) -> None:
    """ProtectHome= hides /run/user too (systemd.exec(5)), where cage makes its socket."""
    unit = (machine.root / "etc/systemd/system/envmon-wall.service").read_text(encoding="utf-8")
    assert "ProtectHome" not in unit
    assert "InaccessiblePaths=/home /root" in unit
