"""When resin is due, in words; and from what a person noted by hand over litres or days."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from envmon.errors import InputError
from envmon.physics.solids import (
    FRESH_DAYS,
    REACH,
    RESIN_CHANGE_PPM,
    RINSE_LIMIT_PPM,
    Due,
    Standing,
    resin_left,
    since_change,
    solids_standing,
)
from envmon.sums.mix_answer import MixAnswer
from envmon.sums.mix_texts import digits, litres_from_text, number_from_text

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

CAUTIONS = (
    "A forecast is no measurement: hold the meter into the water before the final rinse.",
    "From and to span a steady and a growing trend, each at 95 %: have resin by the early day.",
)
STANDING_WORDS: dict[Standing, str] = {
    "good": "rinse water is good",
    "over": "rinse water leaves spots",
    "change": "change the resin now",
    "unknown": "nobody can tell how the rinse water is",
}
_ALLOWED = "allowed is litres through the resin or a date: '400 l=2.5' or '2026-01-27=2.5'"


def due_values(due: Due, unit: str) -> dict[str, Any]:
    """Return when a mark is reached, by names with their unit; never is null, as unknown is."""
    steps = {"earliest": due.earliest, "likely": due.likely, "latest": due.latest}
    known = {
        f"{name}_{unit}": None if step is None or math.isinf(step) else step
        for name, step in steps.items()
    }
    return {**known, "why_not": due.why or None}


def due_text(due: Due, told: float, place: Callable[[float], str], span: Callable[..., str]) -> str:
    """Return when a mark is reached, in words.

    Args:
        due: When.
        told: Further ahead than this a latest place is not worth saying.
        place: Says one step ahead as a place.
        span: Says one or two steps ahead in brackets.
    """
    if due.earliest is None or due.likely is None or due.latest is None:
        return f"nobody can tell: {due.why}"
    if due.latest <= 0:
        return "now"
    first = place(due.earliest)
    if due.latest > told:
        return f"not before {first}{span(due.earliest)}; how long after that nobody can tell"
    ends = f"from {first} to {place(due.latest)}"
    return f"about {place(due.likely)}; {ends}{span(due.earliest, due.latest)}"


def forecast(number: float) -> str:
    """Return a number in two digits; a forecast has no more."""
    return f"{float(f'{number:.2g}'):g}"


@dataclass(frozen=True, slots=True)
class _Noted:
    """What was noted since the last change of resin.

    Attributes:
        place: Litres through the resin, or days of the calendar, rising.
        ppm: Dissolved solids there.
        unit: ``l`` or ``days``.
        gone: Days since the newest note; nothing for litres.
    """

    place: list[float]
    ppm: list[float]
    unit: str
    gone: float

    @property
    def standing(self) -> Standing:
        """How the water stands now; old notes say nothing of that."""
        return solids_standing(None if self.gone > FRESH_DAYS else self.ppm[-1])

    def due(self, mark_ppm: float) -> Due:
        """Return when a mark is reached, counted from now."""
        if self.gone > FRESH_DAYS:
            return Due(None, None, None, "the newest note is too old")
        return resin_left(np.array(self.place), np.array(self.ppm), mark_ppm).less(self.gone)

    def text(self, due: Due) -> str:
        """Return it in words, by litres to come or by date."""

        def at(step: float) -> str:
            if self.unit == "l":
                return f"{forecast(step)} l on"
            day = date.fromordinal(round(self.place[-1] + self.gone + step))
            return f"{day:%Y-%m-%d}"

        return due_text(due, 2 * REACH * (self.place[-1] - self.place[0]), at, lambda *_: "")


def resin_noted(notes: Sequence[str], today: date) -> MixAnswer:
    """Return how the rinse water stands and when resin is due, from notes of a hand meter.

    Args:
        notes: Texts ``PLACE=PPM``: litres through the resin, or dates; all of one kind, rising.
        today: The date now; notes with dates grow old.

    Raises:
        InputError: A note cannot be read, or they do not go together.
    """
    noted = _noted(notes, today)
    limit, change = noted.due(RINSE_LIMIT_PPM), noted.due(RESIN_CHANGE_PPM)
    newest = f"{digits(noted.ppm[-1])} ppm"
    values = {
        "standing": noted.standing,
        "dissolved_solids_ppm": None if noted.standing == "unknown" else noted.ppm[-1],
        "limit_ppm": RINSE_LIMIT_PPM,
        "change_ppm": RESIN_CHANGE_PPM,
        "readings": len(noted.ppm),
        "limit_due": due_values(limit, noted.unit),
        "change_due": due_values(change, noted.unit),
    }
    lines = (
        ("newest note", newest),
        ("readings", f"{len(noted.ppm)} since the last change"),
        ("limit from", "common practice"),
        (f"{digits(RINSE_LIMIT_PPM)} ppm, spots", noted.text(limit)),
        (f"{digits(RESIN_CHANGE_PPM)} ppm, change", noted.text(change)),
    )
    say = f"{STANDING_WORDS[noted.standing]}, {newest}"
    if noted.standing == "unknown":
        say = f"{STANDING_WORDS['unknown']}; {limit.why}"
    return MixAnswer(values, say, lines, CAUTIONS, "" if noted.standing == "good" else say)


def _noted(notes: Sequence[str], today: date) -> _Noted:
    if not notes:
        raise InputError(f"nothing was noted; {_ALLOWED}")
    pairs = [_pair(note) for note in notes]
    if len({unit for _, _, unit in pairs}) > 1:
        raise InputError("litres and dates are mixed; allowed are notes of one kind")
    if any(after[0] <= before[0] for before, after in pairwise(pairs)):
        raise InputError("notes are not in order; allowed are rising litres or dates, each once")
    place, ppm, unit = [each[0] for each in pairs], [each[1] for each in pairs], pairs[0][2]
    gone = today.toordinal() - place[-1] if unit == "days" else 0.0
    if gone < 0:
        raise InputError(f"the newest note is {-gone:g} days ahead of today, {today:%Y-%m-%d}")
    first = since_change(np.array(ppm))
    return _Noted(place[first:], ppm[first:], unit, gone)


def _pair(note: str) -> tuple[float, float, str]:
    where, sign, what = note.partition("=")
    if not sign:
        raise InputError(f"note is {note!r}; {_ALLOWED}")
    ppm = number_from_text(what.removesuffix("ppm"), "dissolved solids")
    try:
        return float(date.fromisoformat(where.strip()).toordinal()), ppm, "days"
    except ValueError:
        return litres_from_text(where, "place of a note"), ppm, "l"
