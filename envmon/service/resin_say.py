"""How a bay's resin stands, for people and for programs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from envmon.clock import DAY_US, iso_from_us
from envmon.mix_answer import MixAnswer
from envmon.mix_texts import digits, litres_from_text
from envmon.physics.solids import REACH
from envmon.service.span import local_from_us

if TYPE_CHECKING:
    from envmon.physics.solids import Due, Standing
    from envmon.service.resin import ResinAnswer

CAUTIONS = (
    "A forecast is no measurement: hold the meter into the water before the final rinse.",
    "From and to span a steady and a growing trend, each at 95 %: have resin by the early day.",
)
_SAY: dict[Standing, str] = {
    "good": "rinse water is good",
    "over": "rinse water leaves spots",
    "change": "change the resin now",
    "unknown": "nobody can tell how the rinse water is",
}


def resin_answer(answer: ResinAnswer, litres_a_day: str = "") -> MixAnswer:
    """Return the standing and when the resin is due.

    Args:
        answer: What was found.
        litres_a_day: Rinse water used a day, such as ``200 l``; empty when not known.

    Raises:
        InputError: The volume cannot be read.
    """
    daily_l = litres_from_text(litres_a_day, "litres a day") if litres_a_day.strip() else None
    limit, change = answer.due(answer.limit_ppm), answer.due(answer.change_ppm)
    values = {
        "bay": answer.bay,
        "standing": answer.standing,
        "dissolved_solids_ppm": answer.newest.ppm if answer.newest else None,
        "measured": iso_from_us(answer.days[-1].at_us) if answer.days else None,
        "limit_ppm": answer.limit_ppm,
        "change_ppm": answer.change_ppm,
        "days_with_readings": len(answer.days),
        "changed": iso_from_us(answer.changed_us) if answer.changed_us is not None else None,
        "only_rinse": answer.only_rinse,
        "limit_due": _due_values(limit, daily_l),
        "change_due": _due_values(change, daily_l),
    }
    lines = [
        *_water_lines(answer),
        (f"{digits(answer.limit_ppm)} ppm, spots", _due_text(limit, answer, daily_l)),
        (f"{digits(answer.change_ppm)} ppm, change", _due_text(change, answer, daily_l)),
    ]
    fit = answer.standing == "good"
    return MixAnswer(values, _say(answer), tuple(lines), CAUTIONS, "" if fit else _say(answer))


def _say(answer: ResinAnswer) -> str:
    newest = answer.newest
    if newest is None:
        return f"{answer.bay}: {_SAY['unknown']}; {answer.due(0).why}"
    return f"{answer.bay}: {_SAY[answer.standing]}, {digits(newest.ppm)} ppm"


def _water_lines(answer: ResinAnswer) -> list[tuple[str, str]]:
    if not answer.days:
        return []
    newest, zone = answer.days[-1], answer.zone
    which = "final rinses" if answer.only_rinse else "all water, no rinse noted"
    days = f"{len(answer.days)} day{'' if len(answer.days) == 1 else 's'}: {which}"
    seen = answer.changed_us is not None
    change = f"{local_from_us(answer.changed_us or 0, zone):%Y-%m-%d}" if seen else "not seen"
    return [
        ("newest", f"{digits(newest.ppm)} ppm, {local_from_us(newest.at_us, zone):%Y-%m-%d}"),
        ("readings", days),
        ("resin changed", change),
        ("limit from", answer.limit_source or "the shop file"),
    ]


def _due_values(due: Due, daily_l: float | None) -> dict[str, Any]:
    steps = {"earliest": due.earliest, "likely": due.likely, "latest": due.latest}
    known = {name: None if d is None or math.isinf(d) else d for name, d in steps.items()}
    values: dict[str, Any] = {f"{name}_days": days for name, days in known.items()}
    if daily_l is not None:
        values |= {f"{n}_l": None if d is None else d * daily_l for n, d in known.items()}
    return {**values, "why_not": due.why or None}


def _due_text(due: Due, answer: ResinAnswer, daily_l: float | None) -> str:
    if due.earliest is None or due.likely is None or due.latest is None:
        return f"nobody can tell: {due.why}"
    if due.latest <= 0:
        return "now"
    first = _date(due.earliest, answer)
    if due.latest > _told_days(answer):
        span = _span((due.earliest,), daily_l)
        return f"not before {first} ({span}); how long after that nobody can tell"
    span = _span((due.earliest, due.latest), daily_l)
    last, likely = _date(due.latest, answer), _date(due.likely, answer)
    return f"about {likely}; from {first} to {last} ({span})"


def _told_days(answer: ResinAnswer) -> float:
    """Return how far ahead a latest day is worth saying [days]."""
    return 2 * REACH * (answer.days[-1].at_us - answer.days[0].at_us) / DAY_US


def _date(days: float, answer: ResinAnswer) -> str:
    at = local_from_us(answer.now_us + round(days * DAY_US), answer.zone)
    return f"{at:%Y-%m-%d}"


def _span(days: tuple[float, ...], daily_l: float | None) -> str:
    told = f"{' to '.join(_rounded(each) for each in days)} days"
    if daily_l is None:
        return told
    return f"{told}, {' to '.join(_rounded(each * daily_l) for each in days)} l"


def _rounded(number: float) -> str:
    """Return a number in two digits; a forecast has no more."""
    return f"{float(f'{number:.2g}'):g}"
