"""The people who may log in at the screens: name, role, and what is kept of the secret."""

from __future__ import annotations

import json
import os
import stat
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

from argon2 import extract_parameters
from argon2.exceptions import InvalidHashError

from envmon.errors import InputError, ServiceError
from envmon.store.disk import sync

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.shop.models import Shop

Role: TypeAlias = Literal["look", "work", "manage"]
ROLES: tuple[Role, ...] = get_args(Role)
"""From the least to the most; each may all that those before it may."""
LONGEST_NAME = 40
_HEAD = (
    "# Who may log in at the screens. Written by: envmon people SHOP.toml\n"
    "# It holds no PIN and no password, only what they are held against.\n"
)


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may log in.

    Attributes:
        name: As typed at the log-in and as it stands beside what the person does.
        role: What the person may do.
        kept: What the PIN or password is held against.
    """

    name: str
    role: Role
    kept: str

    def may(self, needed: Role) -> bool:
        """Return whether the person's role is enough."""
        return ROLES.index(self.role) >= ROLES.index(needed)


def role_of(text: str) -> Role:
    """Return a role.

    Raises:
        InputError: There is none of that name.
    """
    for role in ROLES:
        if text == role:
            return role
    raise InputError(f"role is {text!r:.40}; allowed: {', '.join(ROLES)}")


def name_of(text: str) -> str:
    """Return a name as it is kept.

    Raises:
        InputError: It is empty, too long, or cannot be shown.
    """
    name = " ".join(text.split())
    if not 1 <= len(name) <= LONGEST_NAME or not name.isprintable():
        raise InputError(f"name is {text!r:.60}; allowed is one line of 1 to {LONGEST_NAME}")
    return name


class PeopleFile:
    """The people of a shop, read again whenever their file has changed.

    Args:
        path: The file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._seen: tuple[int, int, int] | None = None
        self._people: tuple[Person, ...] = ()

    def all(self) -> tuple[Person, ...]:
        """Return everybody; nobody where there is no file.

        Raises:
            ServiceError: The file cannot be used; then nobody may come in.
        """
        try:
            told = self.path.stat()
            seen = (told.st_mtime_ns, told.st_size, told.st_ino)
            if seen != self._seen:
                self._people = _read(self.path)
                self._seen = seen
        except FileNotFoundError:
            self._seen, self._people = None, ()
        except OSError as error:
            raise ServiceError(f"cannot read {self.path}: {error.strerror}") from error
        return self._people

    def find(self, name: str) -> Person | None:
        """Return a person by name, large and small letters alike; None when there is none.

        Raises:
            ServiceError: The file cannot be used.
        """
        wanted = " ".join(name.split()).casefold()
        return next((one for one in self.all() if one.name.casefold() == wanted), None)

    def save(self, people: Sequence[Person], beside: Path) -> None:
        """Write everybody, at once or not at all; only its owner may read the file.

        Args:
            people: Everybody.
            beside: The shop file; written by root, the people file is made for its owner.

        Raises:
            ServiceError: It cannot be written; the old one is whole.
        """
        fresh = self.path.with_name(f".{self.path.name}.{os.getpid()}")
        try:
            handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(_HEAD + "".join(_table(one) for one in people))
                _give_to_owner(file.fileno(), beside)
            sync(fresh)
            fresh.replace(self.path)
            sync(self.path.parent)
        except OSError as error:
            fresh.unlink(missing_ok=True)
            raise ServiceError(f"cannot write {self.path}: {error.strerror}") from error


def people_of(shop: Shop, shop_path: Path) -> PeopleFile | None:
    """Return the people file of a shop; None when it has no log-in."""
    name = shop.boards.people_file
    return PeopleFile(shop_path.resolve().parent / name) if name else None


def _give_to_owner(handle: int, beside: Path) -> None:
    """Let the service read what root writes: as it reads the shop file."""
    if os.geteuid() != 0:
        return
    owner = beside.stat()
    os.fchown(handle, owner.st_uid, owner.st_gid)
    if owner.st_uid == 0 and owner.st_gid != 0:
        os.fchmod(handle, 0o640)


def _table(person: Person) -> str:
    pairs = (("name", person.name), ("role", person.role), ("kept", person.kept))
    lines = [f"{key} = {json.dumps(text, ensure_ascii=False)}\n" for key, text in pairs]
    return f"\n[[person]]\n{''.join(lines)}"


def _read(path: Path) -> tuple[Person, ...]:
    with path.open("rb") as handle:
        mode = stat.S_IMODE(os.fstat(handle.fileno()).st_mode)
        if mode & 0o027:
            raise ServiceError(
                f"{path} can be read or written by others (mode {mode:o}); do: chmod 600 {path}"
            )
        try:
            data = tomllib.load(handle)
            people = tuple(_person(row) for row in data.get("person", []))
        except (ValueError, KeyError, TypeError, AttributeError, InvalidHashError) as error:
            # What stands there is not quoted: it may be a PIN somebody wrote in by hand.
            raise ServiceError(
                f"{path} is not as envmon people writes it; restore it from a backup, or remove it "
                "and add the people anew"
            ) from error
    if len({one.name.casefold() for one in people}) != len(people):
        raise ServiceError(f"{path} has a name twice; take one away")
    return people


def _person(row: dict[str, str]) -> Person:
    extract_parameters(row["kept"])
    return Person(name_of(row["name"]), role_of(row["role"]), row["kept"])
