"""``envmon people``: who may log in at the screens, added, changed and taken away."""

from __future__ import annotations

import getpass
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError
from envmon.service.people.book import Person, name_of, people_of, role_of
from envmon.service.people.secret import LONGEST, ensure_strong, kept_form
from envmon.shop.load import load_shop

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.service.people.book import PeopleFile

_ASKED = "PIN (6 digits or more) or password (10 characters or more): "


class PeopleWish(NamedTuple):
    """What is asked of the people file.

    Attributes:
        shop_path: The shop file.
        act: ``list``, ``add``, ``role``, ``secret`` or ``remove``.
        name: Name of the person; empty to list.
        role: Role, for ``add`` and ``role``.
    """

    shop_path: Path
    act: str
    name: str = ""
    role: str = ""


def change_people(wish: PeopleWish, say: Callable[[str], None]) -> int:
    """List or change the people; return the exit code.

    Raises:
        InputError: The wish cannot be fulfilled; nothing is changed.
        ServiceError: The file cannot be read or written.
    """
    file = people_of(load_shop(wish.shop_path), wish.shop_path)
    if file is None:
        raise InputError(
            f"{wish.shop_path} has no log-in yet; add there, below [boards]: "
            'people_file = "people.toml"'
        )
    if wish.act == "list":
        return _list(file, say)
    name = name_of(wish.name)
    there = file.find(name)
    if wish.act == "add":
        say(_add(wish, file, name))
        return 0
    if there is None:
        known = ", ".join(one.name for one in file.all()) or "nobody"
        raise InputError(f"there is no {name!r}; in {file.path}: {known}")
    others = [one for one in file.all() if one is not there]
    if wish.act == "remove":
        file.save(others, wish.shop_path)
        say(f"{there.name} is removed and logged out everywhere")
        _warn_without_manager(others, say)
        return 0
    changed = _changed(wish, there)
    everybody = [changed if one is there else one for one in file.all()]
    file.save(everybody, wish.shop_path)
    say(f"{changed.name}: role {changed.role}; logged out everywhere, to log in anew")
    _warn_without_manager(everybody, say)
    return 0


def _list(file: PeopleFile, say: Callable[[str], None]) -> int:
    people = file.all()
    width = max((len(one.name) for one in people), default=0)
    for one in sorted(people, key=lambda one: one.name.casefold()):
        say(f"{one.name:<{width}}  {one.role}")
    _warn_without_manager(people, say)
    return 0


def _warn_without_manager(
    people: tuple[Person, ...] | list[Person], say: Callable[[str], None]
) -> None:
    if not any(one.may("manage") for one in people):
        say("nobody has the role manage: the screens do not start until somebody has")


def _add(wish: PeopleWish, file: PeopleFile, name: str) -> str:
    there = file.find(name)
    if there is not None:
        raise InputError(f"{there.name} is there already, role {there.role}; choose another name")
    if not wish.role:
        raise InputError("say what the person may do: --role look, --role work or --role manage")
    role = role_of(wish.role)
    person = Person(name, role, kept_form(_asked_secret(name)))
    file.save([*file.all(), person], wish.shop_path)
    return f"{name}: role {role}"


def _changed(wish: PeopleWish, there: Person) -> Person:
    if wish.act == "role":
        if not wish.role:
            raise InputError(
                "say what the person may do: --role look, --role work or --role manage"
            )
        return replace(there, role=role_of(wish.role))
    return replace(there, kept=kept_form(_asked_secret(there.name)))


def _asked_secret(name: str) -> str:
    """Return a PIN or password from the keyboard, typed twice, or from the first line of stdin.

    Raises:
        InputError: Not the same twice, or too easily guessed.
    """
    if not sys.stdin.isatty():
        return ensure_strong(sys.stdin.readline(LONGEST + 2).rstrip("\r\n"), name)
    secret = ensure_strong(getpass.getpass(_ASKED), name)
    if getpass.getpass("Once more: ") != secret:
        raise InputError("that was not the same twice; nothing is changed")
    return secret
