"""``envmon people`` as a person runs it: the secret by stdin or keyboard, never an argument."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from envmon.errors import InputError
from envmon.service.people.book import PeopleFile
from envmon.service.people.command import PeopleWish, change_people
from envmon.service.people.secret import fits
from tests.boards_support import shop_text
from tests.door_support import everybody, people_in

if TYPE_CHECKING:
    from pathlib import Path

BOARDS = '\n[boards]\npeople_file = "people.toml"\n'
PIN = "739158"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    path = tmp_path / "shop.toml"
    path.write_text(shop_text() + BOARDS, encoding="utf-8")
    return path


def run(shop: Path, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    argv = [sys.executable, "-m", "envmon.cli", "people", str(shop), *arguments]
    return subprocess.run(
        argv, input=typed, capture_output=True, text=True, timeout=120, check=False
    )


def test_the_first_person_is_added_by_stdin(shop: Path) -> None:
    done = run(shop, "add", "Kari Moe", "--role", "manage", typed=f"{PIN}\n")
    assert (done.returncode, done.stdout) == (0, "Kari Moe: role manage\n")
    (person,) = PeopleFile(shop.parent / "people.toml").all()
    assert (person.name, person.role, fits(person.kept, PIN)) == ("Kari Moe", "manage", True)
    assert PIN not in (shop.parent / "people.toml").read_text()


def test_at_a_keyboard_it_is_asked_for_twice_and_not_shown(shop: Path) -> None:
    ours, theirs = pty.openpty()
    argv = [sys.executable, "-m", "envmon.cli", "people", str(shop), "add", "Liv", "--role", "look"]
    process = subprocess.Popen(
        argv, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
        preexec_fn=lambda: _make_it_the_terminal(theirs),  # noqa: PLW1509 - no threads here
    )  # fmt: skip
    os.close(theirs)
    shown = _until(ours, b"password (10 characters or more): ")
    os.write(ours, f"{PIN}\n".encode())
    shown += _until(ours, b"Once more: ")
    os.write(ours, f"{PIN}\n".encode())
    shown += _until(ours, b"Liv: role look")
    assert process.wait(60) == 0
    os.close(ours)
    assert PIN.encode() not in shown


def _make_it_the_terminal(handle: int) -> None:
    import fcntl
    import termios

    fcntl.ioctl(handle, termios.TIOCSCTTY, 0)


def _until(handle: int, words: bytes) -> bytes:
    shown = b""
    while words not in shown:
        shown += os.read(handle, 1024)
    return shown


def wish(shop: Path, act: str, name: str = "", role: str = "") -> list[str]:
    said: list[str] = []
    assert change_people(PeopleWish(shop, act, name, role), said.append) == 0
    return said


def test_list_change_and_remove(shop: Path) -> None:
    people_in(shop.parent)
    assert wish(shop, "list") == ["Kari         work", "Liv          look", "Ola Nordahl  manage"]
    assert "role manage; logged out everywhere" in wish(shop, "role", "kari", "manage")[0]
    assert wish(shop, "remove", "LIV") == ["Liv is removed and logged out everywhere"]
    assert [one.name for one in PeopleFile(shop.parent / "people.toml").all()] == [
        "Kari", "Ola Nordahl",
    ]  # fmt: skip


def test_without_a_manager_it_says_what_follows(shop: Path) -> None:
    people_in(shop.parent)
    assert "do not start until somebody has" in wish(shop, "remove", "Ola Nordahl")[1]
    assert "do not start until somebody has" in wish(shop, "list")[-1]


@pytest.mark.parametrize(
    ("act", "name", "role", "words"),
    [
        ("add", "kari", "work", "is there already"),
        ("add", "Per", "", "--role look, --role work or --role manage"),
        ("add", "Per", "boss", "look, work, manage"),
        ("add", "", "work", "one line of 1 to 40"),
        ("add", "a\nb\x1b[2J", "work", "one line"),
        ("role", "Nobody", "work", "Liv, Kari, Ola Nordahl"),
        ("role", "Kari", "", "--role"),
        ("remove", "Nobody", "", "there is no 'Nobody'"),
    ],
)
def test_what_cannot_be_done_changes_nothing(
    shop: Path, act: str, name: str, role: str, words: str
) -> None:
    people_in(shop.parent)
    with pytest.raises(InputError) as caught:
        change_people(PeopleWish(shop, act, name, role), lambda _line: None)
    assert words in str(caught.value)
    assert "\x1b" not in str(caught.value)
    assert PeopleFile(shop.parent / "people.toml").all() == everybody()


@pytest.mark.parametrize("typed", ["", "123456\n", "short\n"])
def test_a_weak_secret_adds_nobody(shop: Path, typed: str) -> None:
    done = run(shop, "add", "Per", "--role", "work", typed=typed)
    assert done.returncode == 2
    assert done.stderr.startswith("envmon: the PIN") or "password" in done.stderr
    assert not (shop.parent / "people.toml").exists()


def test_a_shop_without_log_in_is_told_what_to_add(shop: Path) -> None:
    shop.write_text(shop_text(), encoding="utf-8")
    done = run(shop, "add", "Per", "--role", "work", typed=f"{PIN}\n")
    assert done.returncode == 2
    assert 'people_file = "people.toml"' in done.stderr
