"""What needs the whole shop file: ids used twice, names that must exist, secrets.

Works on the parsed file and passes over what it cannot read, so that its faults appear
together with those of the fields.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.shop.cross_boards import check_boards
from envmon.shop.cross_heat import check_heat
from envmon.shop.cross_people import ENVIRONMENT_NAME, check_people, secret_addresses
from envmon.shop.cross_points import check_points
from envmon.shop.cross_work import check_work
from envmon.shop.raw import Finding, Path, Table, ids, lacks, tables, word, words
from envmon.shop.words import SECRETS_ELSEWHERE, is_secret_key, path_text, show, unknown
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator

_SECTIONS = ("bay", "point", "product", "procedure", "contact", "body", "button", "tariff")


def check_whole(data: Table) -> list[Finding]:
    """Return every fault that only shows when the file is seen as a whole."""
    return [
        *_repeated_ids(data),
        *_bays(data),
        *check_points(data),
        *check_people(data),
        *check_work(data),
        *check_heat(data),
        *check_boards(data),
    ]


def secrets(data: object) -> Iterator[Finding]:
    """Yield a fault for every key that looks like a password, secret or token."""
    yield from secret_addresses(data)
    waiting: list[tuple[Path, object]] = [((), data)]
    while waiting:
        path, value = waiting.pop()
        inside: list[tuple[str | int, object]] = []
        if isinstance(value, dict):
            inside = list(value.items())
            yield from _misused_names(path, value)
        elif isinstance(value, list):
            inside = list(enumerate(value))
        for step, item in inside:
            if isinstance(step, str) and is_secret_key(step):
                yield Finding((*path, step), f"{step[:40]} is a secret; {SECRETS_ELSEWHERE}")
            else:
                waiting.append(((*path, step), item))


def _misused_names(path: Path, table: Table) -> Iterator[Finding]:
    name = word(table, "password_env")
    if name is not None and not ENVIRONMENT_NAME.match(name):
        message = (
            "password_env is no name of an environment variable; allowed are letters, digits "
            "and _, such as SHOP_BROKER_PASSWORD; the password itself never stands here"
        )
        yield Finding((*path, "password_env"), message)


def _repeated_ids(data: Table) -> Iterator[Finding]:
    for section in _SECTIONS:
        first: dict[str, Path] = {}
        for path, table in tables(data, (section,)):
            name = word(table, "id")
            if name is not None and name in first:
                message = (
                    f"id is {show(name)}, as in {path_text(first[name])}; "
                    f"each {section} needs an id of its own; rename one"
                )
                yield Finding((*path, "id"), message)
            elif name is not None:
                first[name] = path


def _bays(data: Table) -> Iterator[Finding]:
    for path, bay in tables(data, ("bay",)):
        procedure = word(bay, "procedure")
        if procedure is not None and lacks(data, "procedure", procedure):
            message = unknown("procedure", procedure, ids(data, "procedure"))
            yield Finding((*path, "procedure"), message)
        seen: set[str] = set()
        for index, name in words(bay, "by_hand"):
            if name not in QUANTITIES:
                yield Finding((*path, "by_hand", index), unknown("quantity", name, QUANTITIES))
            elif name in seen:
                message = f"quantity is {show(name)} twice; allowed is each once; take one away"
                yield Finding((*path, "by_hand", index), message)
            seen.add(name)
