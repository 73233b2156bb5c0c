"""The people file: for its owner only, written whole or not at all, and nothing in clear.

Least lengths: 6 digits, 10 characters (NIST SP 800-63B asks 6 and 8; from memory). Parameters:
RFC 9106 section 4 (second choice 64 MiB) and OWASP's least, 19 MiB with two passes (from memory).
"""

from __future__ import annotations

import stat
import tomllib
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from argon2 import PasswordHasher, Type, extract_parameters
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import InputError, ServiceError
from envmon.service.people.book import LONGEST_NAME, ROLES, PeopleFile, Person, name_of, role_of
from envmon.service.people.secret import LONGEST, ensure_strong, fits, kept_form
from tests.door_support import everybody, people_in

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    "secret",
    ["", "1", "48291", "000000", "111111", "123456", "654321", "012345", "456789", "890123",
     "246802", "121212", "123123", "112211", "147258", "159753", "11223344", "112233",
     "short", "abcdefghi", "aaaaaaaaaaaa", "abababababab", "password12", "Passwort2026",
     "kari kari kari", "Kari123456", "qwerty qwerty", "tab\there here", "\x00" * 12,
     "x" * (LONGEST + 1)],
)  # fmt: skip
def test_what_is_guessed_first_is_refused_and_not_shown(secret: str) -> None:
    with pytest.raises(InputError) as caught:
        ensure_strong(secret, "Kari")
    assert len(secret) < 5 or secret not in str(caught.value)


@pytest.mark.parametrize("secret", ["482913", "73915846", "four words of nothing",
                                    "snø på fjellet", "Tr0ub4dor&3x"])  # fmt: skip
def test_what_is_good_enough(secret: str) -> None:
    assert ensure_strong(secret, "Kari") == secret


def test_hash_is_argon2id_at_home_on_a_small_machine() -> None:
    kept = kept_form("482913")
    told = extract_parameters(kept)
    assert (told.type, told.version) == (Type.ID, 19)
    assert 19 * 1024 <= told.memory_cost <= 64 * 1024
    assert told.time_cost >= 2
    assert told.salt_len >= 16
    assert "482913" not in kept


def test_another_implementation_caller_agrees() -> None:
    """The reference library itself, with its own defaults, verifies what we keep."""
    assert PasswordHasher().verify(kept_form("four words of nothing"), "four words of nothing")


@pytest.mark.parametrize("other", ["482914", "", "482913 ", "48291"])
def test_only_the_very_same_fits(other: str) -> None:
    kept = kept_form("482913")
    assert fits(kept, "482913")
    assert not fits(kept, other)


def test_a_keyboard_that_types_marks_apart_gets_in() -> None:
    assert fits(kept_form("blåbærsyltetøy"), "bla\u030abærsyltetøy")


@pytest.mark.parametrize("kept", ["", "482913", "$argon2id$", "$argon2i$v=19$m=8,t=1,p=1$x$y"])
def test_what_is_no_hash_fits_nothing(kept: str) -> None:
    assert not fits(kept, "482913")


def test_file_is_for_its_owner_and_comes_back_as_it_was(tmp_path: Path) -> None:
    file = people_in(tmp_path)
    assert stat.S_IMODE(file.path.stat().st_mode) == 0o600
    assert PeopleFile(file.path).all() == everybody()
    assert [path.name for path in tmp_path.iterdir()] == ["people.toml"]


@given(st.text(min_size=1, max_size=LONGEST_NAME + 5))
def test_every_name_that_is_taken_comes_back(text: str) -> None:
    try:
        name = name_of(text)
    except InputError:
        assert not " ".join(text.split()).isprintable() or not 0 < len(" ".join(text.split())) <= 40
        return
    from envmon.service.people.book import _person, _table

    rows = tomllib.loads(_table(replace(everybody()[0], name=name)))["person"]
    assert _person(rows[0]).name == name


@pytest.mark.parametrize("mode", [0o604, 0o640 | 0o020, 0o644, 0o666, 0o602])
def test_a_file_others_can_read_or_change_is_not_used(tmp_path: Path, mode: int) -> None:
    file = people_in(tmp_path)
    file.path.chmod(mode)
    with pytest.raises(ServiceError, match="chmod 600"):
        PeopleFile(file.path).all()


@pytest.mark.parametrize(
    "text",
    ["[[person]]", "person = 3", "person = [3]",
     '[[person]]\nname = "Kari"\nrole = "boss"\nkept = "x"',
     '[[person]]\nname = "Kari"\nrole = "work"\nkept = "482913"', "= = =", "\x00",
     '[[person]]\nname = ""\nrole = "work"\nkept = "x"'],
)  # fmt: skip
def test_a_file_not_of_ours_is_not_used_and_not_quoted(tmp_path: Path, text: str) -> None:
    path = tmp_path / "people.toml"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(ServiceError) as caught:
        PeopleFile(path).all()
    assert "482913" not in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_name_twice_is_a_fault_whatever_the_letters(tmp_path: Path) -> None:
    file = PeopleFile(tmp_path / "people.toml")
    one = everybody()[0]
    file.save([one, replace(one, name=one.name.upper())], tmp_path)
    with pytest.raises(ServiceError, match="twice"):
        PeopleFile(file.path).all()


def test_a_change_counts_at_once(tmp_path: Path) -> None:
    file = people_in(tmp_path)
    reader = PeopleFile(file.path)
    assert reader.find("kari") is not None
    file.save([one for one in everybody() if one.name != "Kari"], tmp_path)
    assert reader.find("Kari") is None


def test_a_failed_write_leaves_the_old_one_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = people_in(tmp_path)

    def fail(_path: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("envmon.service.people.book.sync", fail)
    with pytest.raises(ServiceError, match="No space left"):
        file.save([], tmp_path)
    assert PeopleFile(file.path).all() == everybody()
    assert [path.name for path in tmp_path.iterdir()] == ["people.toml"]


def test_roles_include_those_before() -> None:
    people = [Person(role, role, "") for role in ROLES]
    table = [[one.may(role) for role in ROLES] for one in people]
    assert table == [[True, False, False], [True, True, False], [True, True, True]]
    with pytest.raises(InputError, match="look, work, manage"):
        role_of("boss")
