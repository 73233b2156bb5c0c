"""How a bay's resin stands, for people and for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.clock import DAY_US, iso_from_us
from envmon.physics.solids import REACH
from envmon.service.span import local_from_us
from envmon.sums.mix_answer import MixAnswer
from envmon.sums.mix_resin import CAUTIONS, STANDING_WORDS, due_text, due_values, forecast
from envmon.sums.mix_texts import digits, litres_from_text

if TYPE_CHECKING:
    from envmon.physics.solids import Due
    from envmon.service.water.resin import ResinAnswer


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
        "limit_due": _values(limit, daily_l),
        "change_due": _values(change, daily_l),
    }
    lines = [
        *_water_lines(answer),
        (f"{digits(answer.limit_ppm)} ppm, spots", _text(limit, answer, daily_l)),
        (f"{digits(answer.change_ppm)} ppm, change", _text(change, answer, daily_l)),
    ]
    fit = answer.standing == "good"
    return MixAnswer(values, _say(answer), tuple(lines), CAUTIONS, "" if fit else _say(answer))


def _say(answer: ResinAnswer) -> str:
    newest = answer.newest
    if newest is None:
        return f"{answer.bay}: {STANDING_WORDS['unknown']}; {answer.due(0).why}"
    return f"{answer.bay}: {STANDING_WORDS[answer.standing]}, {digits(newest.ppm)} ppm"


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


def _values(due: Due, daily_l: float | None) -> dict[str, Any]:
    values = due_values(due, "days")
    if daily_l is not None:
        values |= due_values(due.scaled(daily_l), "l")
    return values


def _text(due: Due, answer: ResinAnswer, daily_l: float | None) -> str:
    def date(days: float) -> str:
        at = local_from_us(answer.now_us + round(days * DAY_US), answer.zone)
        return f"{at:%Y-%m-%d}"

    def span(*days: float) -> str:
        told = f"{' to '.join(forecast(each) for each in days)} days"
        if daily_l is None:
            return f" ({told})"
        return f" ({told}, {' to '.join(forecast(each * daily_l) for each in days)} l)"

    reach = (answer.days[-1].at_us - answer.days[0].at_us) / DAY_US if answer.days else 0.0
    return due_text(due, 2 * REACH * reach, date, span)
