"""A point claimed: the lines of its table, and the shop file with them and nothing else changed.

Only text is added: every comment, blank line and order of the file stays as a person wrote it.
"""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any, NamedTuple

import tomlkit

from envmon.errors import InputError
from envmon.shop.locate import last_line

if TYPE_CHECKING:
    from collections.abc import Collection

LONGEST_ID = 40
_LINE = re.compile(r"[^\n]*\n|[^\n]+$")
_NOT_IN_ID = re.compile(r"[^a-z0-9]+")


class Taken(NamedTuple):
    """One quantity taken from a payload.

    Attributes:
        quantity: What it is.
        place: SenML name or JSON Pointer; empty for a bare number.
        unit: Unit where the payload says none; empty for the quantity's own.
    """

    quantity: str
    place: str = ""
    unit: str = ""


class Claim(NamedTuple):
    """A topic that is to become a point.

    Attributes:
        point: Id of the point.
        bay: Its bay; None outdoors.
        topic: Topic.
        format: Format of its payload.
        takes: What is taken from it.
        stale_after: Such as ``3 min``; empty for the usual one.
    """

    point: str
    bay: str | None
    topic: str
    format: str
    takes: tuple[Taken, ...]
    stale_after: str = ""

    def table(self) -> dict[str, Any]:
        """Return the point as the shop file holds it."""
        bay = {} if self.bay is None else {"bay": self.bay}
        form = {} if self.format == "senml" else {"format": self.format}
        stale = {"stale_after": self.stale_after} if self.stale_after else {}
        reads = {each.quantity: _read(each, self.format) for each in self.takes}
        return {"id": self.point, **bay, "topic": self.topic, **form, **stale, "reads": reads}


def _read(taken: Taken, form: str) -> dict[str, str]:
    place = {"senml": "name", "json": "pointer"}.get(form)
    named = {} if place is None else {place: taken.place}
    return named | ({"unit": taken.unit} if taken.unit else {})


def lines_of(claim: Claim) -> str:
    """Return the ``[[point]]`` table of a claim as text.

    Raises:
        InputError: A text in it that no file can hold, or a quantity taken twice.
    """
    quantities = [each.quantity for each in claim.takes]
    if not quantities or len(set(quantities)) < len(quantities):
        raise InputError(
            f"quantities are {', '.join(quantities) or 'none'}; a point takes some, each once"
        )
    table = tomlkit.table()
    for key, value in claim.table().items():
        table.add(key, _inline(value) if isinstance(value, dict) else value)
    points = tomlkit.aot()
    points.append(table)
    text = tomlkit.dumps(tomlkit.document().add("point", points))
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise InputError(f"topic is {claim.topic[:60]!r}; text in UTF-8 is allowed") from error
    return "".join(map(_seen, text.strip("\n"))) + "\n"


def _seen(letter: str) -> str:
    """Return a letter as everybody sees it: what an editor would hide or obey is escaped."""
    if letter.isprintable() or letter == "\n":
        return letter
    return f"\\u{ord(letter):04x}" if ord(letter) < 0x10000 else f"\\U{ord(letter):08x}"


def _inline(values: dict[str, Any]) -> Any:
    table = tomlkit.inline_table()
    for key, value in values.items():
        table.append(key, _inline(value) if isinstance(value, dict) else value)
    return table


def with_claim(text: str, claim: Claim) -> str:
    """Return the text of a shop file with a claim added behind its last point.

    Args:
        text: Text of the shop file, valid TOML.
        claim: What to add.

    Raises:
        InputError: It cannot be added without changing something else.
    """
    end = "\r\n" if "\r\n" in text else "\n"
    lines = _LINE.findall(text)
    place = last_line(text, "point") or len(lines)
    above, below = "".join(lines[:place]), "".join(lines[place:])
    if above and not above.endswith("\n"):
        above += end
    gap = end if above and not above.endswith(("\n\n", "\n\r\n")) else ""
    gap_below = end if below and not below.startswith(("\n", "\r\n")) else ""
    added = above + gap + lines_of(claim).replace("\n", end) + gap_below + below
    _ensure_adds_only(text, added, claim)
    return added


def _ensure_adds_only(text: str, added: str, claim: Claim) -> None:
    before = tomllib.loads(text)
    points = before.get("point", [])
    try:
        same = isinstance(points, list) and tomllib.loads(added) == {
            **before,
            "point": [*points, claim.table()],
        }
    except tomllib.TOMLDecodeError:
        same = False
    if not same:
        raise InputError(
            "the lines cannot be added to this shop file by themselves, as its points stand "
            "written in an unusual way; write each as [[point]], or put the lines in by hand"
        )


def free_id(topic: str, bay: str | None, taken: Collection[str]) -> str:
    """Return an id for a point that no other has.

    Args:
        topic: Its last levels name the point.
        bay: Its bay, which stands first.
        taken: Ids that are not free.
    """
    levels = [_NOT_IN_ID.sub("-", level.lower()).strip("-") for level in topic.split("/")]
    ends = [level for level in levels if level][-1:]
    lead = [bay] if bay and ends != [bay] else []
    stem = "-".join([*lead, *ends])[: LONGEST_ID - 4].strip("-") or "point"
    if stem not in taken:
        return stem
    return next(name for n in range(2, 10_000) if (name := f"{stem}-{n}") not in taken)
