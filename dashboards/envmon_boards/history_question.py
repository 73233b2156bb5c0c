"""What a history is asked for: which bay, which span, which quantities, how fine."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from envmon.clock import DAY_US
from envmon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon_boards.history_catalogue import Sources

MOST = (10, 5_000)
"""Fewest and most buckets that can be asked for."""
USUAL_MOST = 1_200
LONGEST_US = 20 * 366 * DAY_US
SHORTEST_MS = 1_000
_LATEST_MS = 7_258_118_400_000
"""2200-01-01; no clock of a shop stands there."""
_WHOLE = re.compile(r"-?[0-9]{1,15}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Question:
    """A history that was asked for, checked.

    Attributes:
        bay: Id of the bay.
        from_us: Start [µs].
        to_us: End [µs], not part of it.
        quantities: Names, in the bay's order.
        most: At most so many buckets.
    """

    bay: str
    from_us: int
    to_us: int
    quantities: tuple[str, ...]
    most: int


def question_from(asked: Mapping[str, str], bays: Mapping[str, Sources]) -> Question:
    """Read an address's parameters.

    Args:
        asked: ``bay``, ``from_ms``, ``to_ms``, ``quantities`` (names joined by commas; all when
            left out) and ``most``.
        bays: What can be shown of each bay.

    Raises:
        InputError: Something is missing or outside what is allowed; says what is.
    """
    bay = asked.get("bay", "")
    if bay not in bays:
        raise InputError(f"bay is {bay!r}; allowed: {', '.join(bays)}")
    from_ms, to_ms = _moment(asked, "from_ms"), _moment(asked, "to_ms")
    if to_ms - from_ms < SHORTEST_MS:
        raise InputError(
            f"from_ms is {from_ms} and to_ms is {to_ms}; to_ms must be at least "
            f"{SHORTEST_MS} ms later: ask for a longer span"
        )
    if (to_ms - from_ms) * 1000 > LONGEST_US:
        days = (to_ms - from_ms) * 1000 // DAY_US
        raise InputError(f"the span is {days} days; allowed is up to 20 years: ask in parts")
    names = _quantities(asked.get("quantities"), bay, bays[bay])
    return Question(bay, from_ms * 1000, to_ms * 1000, names, _most(asked.get("most")))


def _moment(asked: Mapping[str, str], name: str) -> int:
    text = asked.get(name, "")
    if not _WHOLE.fullmatch(text) or not 0 <= int(text) <= _LATEST_MS:
        raise InputError(
            f"{name} is {text!r}; allowed is a whole number of ms since 1970-01-01 UTC "
            f"from 0 to {_LATEST_MS}"
        )
    return int(text)


def _most(text: str | None) -> int:
    if text is None:
        return USUAL_MOST
    if not _WHOLE.fullmatch(text) or not MOST[0] <= int(text) <= MOST[1]:
        raise InputError(f"most is {text!r}; allowed is a whole number {MOST[0]} to {MOST[1]}")
    return int(text)


def _quantities(text: str | None, bay: str, sources: Sources) -> tuple[str, ...]:
    if text is None:
        return tuple(sources)
    names = [name for name in text.split(",") if name]
    unknown = [name for name in names if name not in sources]
    if unknown or not names:
        what = f"{unknown[0]!r}" if unknown else "empty"
        allowed = ", ".join(sources) or "none; give the bay a [[point]] in the shop file"
        raise InputError(f"quantities has {what}; allowed for bay {bay}: {allowed}")
    return tuple(name for name in sources if name in names)
