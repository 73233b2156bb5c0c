"""The shop file as it was parsed, before any model: walking it without trusting it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Iterator

Path: TypeAlias = tuple[str | int, ...]
"""Key path into a parsed file, such as ``("bay", 0, "volume_m3")``."""

Table: TypeAlias = dict[str, Any]


class Finding(NamedTuple):
    """A fault before it has a line: where, and what is wrong."""

    path: Path
    message: str


class Missing:
    """Stands for a value that is not in the file."""


MISSING = Missing()


def step_into(value: object, step: str | int) -> object:
    """Return one level deeper, or ``MISSING``."""
    if isinstance(value, dict) and isinstance(step, str):
        return value.get(step, MISSING)
    if isinstance(value, list) and isinstance(step, int) and 0 <= step < len(value):
        return value[step]
    return MISSING


def value_at(data: object, path: Path) -> object:
    """Return what stands at a key path, or ``MISSING``."""
    value = data
    for step in path:
        value = step_into(value, step)
    return value


def existing(data: object, path: Path) -> Path:
    """Return the longest beginning of a key path that is in the file."""
    for end in range(len(path), 0, -1):
        if value_at(data, path[:end]) is not MISSING:
            return path[:end]
    return ()


def tables(data: object, section: Path) -> Iterator[tuple[Path, Table]]:
    """Yield the tables of an array of tables with their paths; anything else is passed over."""
    value = value_at(data, section)
    if isinstance(value, list):
        for index, item in enumerate(value):
            if isinstance(item, dict):
                yield (*section, index), item


def word(table: Table, key: str) -> str | None:
    """Return a text value, or None where there is none (the field rules name it then)."""
    value = table.get(key)
    return value if isinstance(value, str) else None


def words(table: Table, key: str) -> Iterator[tuple[int, str]]:
    """Yield the texts of a list with their index."""
    value = table.get(key)
    if isinstance(value, list):
        for index, item in enumerate(value):
            if isinstance(item, str):
                yield index, item


def ids(data: Table, section: str) -> list[str]:
    """Return the ids of a section in the order of the file, each once."""
    found = (word(table, "id") for _, table in tables(data, (section,)))
    return list(dict.fromkeys(name for name in found if name))


def lacks(data: Table, section: str, name: str) -> bool:
    """Return whether no table of a section has this id; never for a section that is no list."""
    readable = isinstance(value_at(data, (section,)), list | Missing)
    return readable and name not in ids(data, section)
