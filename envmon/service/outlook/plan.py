"""The plan of the day for a job: forwards from now, or backwards from a wanted hand-over.

Times of day are rounded to what can be known of them; an interval is told where it is wide.
"""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING, Literal

import msgspec

from envmon.clock import MINUTE_US, iso_from_us, us_from_iso
from envmon.errors import InputError
from envmon.service.outlook.live import DayStep, Moment
from envmon.service.span import local_from_us, parse_moment

if TYPE_CHECKING:
    from envmon.service.outlook.live import OutlookState

TIME_OF_DAY = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
ROUND_MIN = 5
SAID_APART_MIN = 20
"""An interval narrower than this is said as about its middle."""
Verdict = Literal["", "in_time", "maybe_late", "late", "unknown"]


class PlanStep(msgspec.Struct, frozen=True):
    """A step of the plan.

    Attributes:
        step: What is foreseen of it.
        text: When it begins, in words.
        latest: When it has to begin for the wanted hand-over, were the air right all the time;
            None without one.
    """

    step: DayStep
    text: str
    latest: str | None = None


class DayPlan(msgspec.Struct, frozen=True):
    """The plan of a bay's day.

    Attributes:
        bay: Its id.
        at: When it was worked out.
        guessing: The bay has taught nothing yet.
        of_job: It is of the job open in the bay; else of its usual procedure, begun now.
        by: The wanted hand-over; None for from now on.
        verdict: Whether that can be kept; empty without one.
        text: The same in words, or when the hand-over is expected.
        ends: When the hand-over is expected.
        steps: The steps still to come.
    """

    bay: str
    at: str
    guessing: bool
    of_job: bool
    by: str | None
    verdict: Verdict
    text: str
    ends: Moment
    steps: tuple[PlanStep, ...]


def wanted_us(text: str, now_us: int, zone: str) -> int:
    """Return the moment [µs] a wanted hand-over stands for: a time of day is the next such time.

    Args:
        text: ``HH:MM``, or a date and time of the shop such as ``2026-01-28T17:00``.
        now_us: Time now [µs].
        zone: The shop's time zone.

    Raises:
        InputError: It is neither, or it is over.
    """
    if TIME_OF_DAY.fullmatch(text):
        today = local_from_us(now_us, zone).date()
        days = (today, today + timedelta(days=1))
        return next(at for day in days if (at := parse_moment(f"{day}T{text}", zone)) > now_us)
    if "T" not in text:
        raise InputError(f"by is {text!r}; allowed is a time such as 17:00, or 2026-01-28T17:00")
    at_us = parse_moment(text, zone)
    if at_us <= now_us:
        raise InputError(f"by is {text!r}; that is over, give a time to come")
    return at_us


def plan_of(state: OutlookState, by_us: int | None, zone: str) -> DayPlan:
    """Return the plan of a bay's day.

    Args:
        state: What is foreseen of the bay.
        by_us: The wanted hand-over [µs]; None for from now on.
        zone: The shop's time zone.
    """
    ends = _ends(state.day)
    verdict, text = _said(state, ends, by_us, zone)
    latest = _latest(state.day, by_us)
    steps = tuple(
        PlanStep(step, start_text(step, state.at, zone), late)
        for step, late in zip(state.day, latest, strict=True)
    )
    by = None if by_us is None else iso_from_us(by_us)
    return DayPlan(
        state.bay, state.at, state.guessing, state.of_job, by, verdict, text, ends, steps
    )


def _ends(day: tuple[DayStep, ...]) -> Moment:
    if not day:
        return Moment()
    last = day[-1]
    times = (last.start.early, last.start.middle, last.start.late)
    return Moment(*(None if at is None else _later(at, last.usual_min) for at in times))


def _later(at: str, minutes: float) -> str:
    return iso_from_us(us_from_iso(at) + round(minutes * MINUTE_US))


def _latest(day: tuple[DayStep, ...], by_us: int | None) -> list[str | None]:
    """Return when each step has to begin, counted back from the wanted hand-over."""
    if by_us is None:
        return [None] * len(day)
    found: list[str | None] = []
    at_us = by_us
    for step in reversed(day):
        at_us -= round(step.usual_min * MINUTE_US)
        found.append(iso_from_us(at_us))
    return found[::-1]


def _said(state: OutlookState, ends: Moment, by_us: int | None, zone: str) -> tuple[Verdict, str]:
    if not state.day:
        return ("unknown" if by_us else ""), "nothing is left to be done"
    if ends.middle is None:
        stuck = next(step for step in state.day if step.start.middle is None)
        text = f"the air for {stuck.name} is not expected within 3 h; the rest cannot be told"
        return ("unknown" if by_us else ""), text
    expected = moment_text(ends, state.at, zone)
    if by_us is None:
        return "", f"hand-over {expected}"
    wanted = clock_text(by_us, us_from_iso(state.at), zone)
    if ends.late is not None and us_from_iso(ends.late) <= by_us:
        spare = round((by_us - us_from_iso(ends.middle)) / MINUTE_US / ROUND_MIN) * ROUND_MIN
        return "in_time", f"in time for {wanted}: {expected}, about {_length(spare)} to spare"
    if us_from_iso(ends.middle) <= by_us:
        return "maybe_late", f"may be late for {wanted}: {expected}"
    return "late", f"not by {wanted}: {expected}"


def _length(minutes: int) -> str:
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"


def start_text(step: DayStep, at: str, zone: str) -> str:
    """Return when a step begins, in words.

    Args:
        step: The step.
        at: When that was worked out.
        zone: The shop's time zone.
    """
    if step.status == "active":
        return f"now, {_length(max(5, 5 * round(step.usual_min / 5)))} more as usual"
    if step.start.middle is None:
        return "not within 3 h"
    text = moment_text(step.start, at, zone)
    if not step.foreseen:
        return f"{text}, the air not foreseen"
    return f"{text}, when the air is right" if step.waits else text


def moment_text(moment: Moment, at: str, zone: str) -> str:
    """Return a moment in words, as an interval where it is wide."""
    assert moment.middle is not None
    now_us, middle_us = us_from_iso(at), us_from_iso(moment.middle)
    early_us = us_from_iso(moment.early) if moment.early else middle_us
    if moment.late is None:
        return f"about {clock_text(middle_us, now_us, zone)} or later"
    late_us = us_from_iso(moment.late)
    if late_us - early_us < SAID_APART_MIN * MINUTE_US:
        return f"about {clock_text(middle_us, now_us, zone)}"
    return f"{clock_text(early_us, now_us, zone)}–{clock_text(late_us, now_us, zone)}"


def clock_text(at_us: int, now_us: int, zone: str) -> str:
    """Return a time of day in steps of five minutes, with the day where it is not today."""
    step_us = ROUND_MIN * MINUTE_US
    local = local_from_us((at_us + step_us // 2) // step_us * step_us, zone)
    days = (local.date() - local_from_us(now_us, zone).date()).days
    day = {0: "", 1: " tomorrow"}.get(days, f" on {local:%Y-%m-%d}")
    return f"{local:%H:%M}{day}"
