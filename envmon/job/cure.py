"""The cure: hours in window since the last levelled panel, what is still missing, did it hold."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from msgspec.structs import replace

from envmon.clock import SECOND_US, iso_from_us
from envmon.guard.words import clock_time
from envmon.job.cure_words import CureWords, needs_text
from envmon.job.fold import cure_at
from envmon.job.live import CureState, Milestone
from envmon.shop.stages import PRACTICE
from envmon.units import QUANTITIES, format_value

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike

    from envmon.job.model import Cure, Job
    from envmon.units import UnitSystem

MARKS: tuple[tuple[str, str, float], ...] = (
    ("rain_safe", "rain-safe", 3_600.0),
    ("full_cure", "full cure", 8 * 3_600.0),
    ("overnight", "overnight", 12 * 3_600.0),
)
"""Key of a product's sheet, name, and hours in window by common practice [s]."""
REFERENCE_C = 20.0
NEAR_WET_K = 1.0
"""So little above the dew point a panel is as good as wet: no two sensors agree better."""


def cure_now(job: Job, now_us: int) -> Cure | None:
    """Return the cure counted up to now, or up to the hand-over; None while there is none."""
    if job.cure is None:
        return None
    end_us = now_us if job.closed_us is None else min(now_us, job.closed_us)
    return cure_at(job.cure, end_us)


def cure_state(
    job: Job, now_us: int, timezone: str, units: UnitSystem, worst: str = ""
) -> CureState | None:
    """Return the cure as a screen shows it; None until every panel is levelled.

    Args:
        job: The job.
        now_us: Time now [µs].
        timezone: The shop's, for times in words.
        units: The shop's, for limits in words.
        worst: What does not hold now, in words; empty names all that must hold.
    """
    cure = cure_now(job, now_us)
    if cure is None:
        return None
    return CureState(
        iso_from_us(cure.since_us),
        (cure.at_us - cure.since_us) / SECOND_US,
        cure.inside_us / SECOND_US,
        cure.outside_us / SECOND_US,
        cure.unknown_us / SECOND_US,
        cure.fitness,
        len(cure.breaks),
        milestones(job, cure),
        CureWords(job, cure, timezone).held(worst or needs_text(job, units)),
        morning_summary(job, now_us, timezone, units),
    )


def coating_product(job: Job) -> dict[str, Any]:
    """Return what the sheet of the coat worked last says, or of the first to come; maybe empty."""
    coats = [step for step in job.steps if step.stage == "coating"]
    begun = [step for step in coats if step.status in {"active", "done"}]
    step = begun[-1] if begun else coats[0] if coats else None
    return job.products.get(step.product or "", {}) if step is not None else {}


def milestones(job: Job, cure: Cure) -> tuple[Milestone, ...]:
    """Return the marks on the way, counted in hours in window.

    Args:
        job: The job; its coating's sheet says what it takes, else common practice.
        cure: Its cure, counted up to now.
    """
    sheet = coating_product(job)
    marks = [_milestone(key, name, usual_s, sheet, cure) for key, name, usual_s in MARKS]
    if job.closed_us is None:
        return tuple(marks)
    # What was not reached at the hand-over never will be.
    return tuple(replace(mark, at=None) if mark.left_s else mark for mark in marks)


def _milestone(key: str, name: str, usual_s: float, sheet: dict[str, Any], cure: Cure) -> Milestone:
    given = sheet.get(key)
    need_s = usual_s if given is None else float(given)
    source = PRACTICE if given is None else str(sheet.get("source", ""))
    at_us = reached_us(cure, round(need_s * SECOND_US))
    left_s = max(0.0, need_s - cure.inside_us / SECOND_US)
    return Milestone(name, need_s, left_s, None if at_us is None else iso_from_us(at_us), source)


def reached_us(cure: Cure, need_us: int) -> int | None:
    """Return when so much time in window was, or will be, gathered [µs].

    Args:
        cure: The cure, counted up to now.
        need_us: Time in window [µs].

    Returns:
        The time, for one to come if the window holds from now on; None while it does not hold.
    """
    at_us, left_us = cure.since_us, need_us
    for gone in cure.breaks:
        held_us = gone.from_us - at_us
        if held_us >= left_us:
            return at_us + left_us
        left_us -= held_us
        if gone.to_us is None:
            return None
        at_us = gone.to_us
    return at_us + left_us


def morning_summary(job: Job, now_us: int, timezone: str, units: UnitSystem) -> str:
    """Return in a few sentences whether the cure held overnight, and what is still missing.

    Args:
        job: The job.
        now_us: Time now [µs].
        timezone: The shop's.
        units: The shop's.
    """
    cure = cure_now(job, now_us)
    if cure is None:
        return "No cure yet: not every panel is levelled."
    words = CureWords(job, cure, timezone)
    since = f"Last panel levelled {clock_time(cure.since_us, timezone)}."
    marks = "; ".join(words.mark(mark) for mark in milestones(job, cure))
    told = (since, f"{words.held(needs_text(job, units))}.", words.breaks(), f"{marks}.")
    return " ".join(part[:1].upper() + part[1:] for part in told if part)


def temperature_weighted_h(t_us: ArrayLike, temp_c: ArrayLike, max_gap_s: float = 600.0) -> float:
    """Return cure hours weighted by temperature: an hour at 20 °C is one, at 30 °C two.

    A rule of thumb, shown as guidance beside hours in window and never instead of them.

    Args:
        t_us: Times, rising [µs], shape (n,).
        temp_c: Temperature at each [°C], shape (n,); NaN is not known.
        max_gap_s: Between two values further apart than this nothing is counted [s].

    Returns:
        Weighted hours [h].

    Source: chemistry roughly doubles per 10 K (common practice); the rate between two values is
    the mean of both.
    """
    times = np.asarray(t_us, dtype=np.float64) / SECOND_US
    rate = np.exp2((np.asarray(temp_c, dtype=np.float64) - REFERENCE_C) / 10)
    steps = np.diff(times)
    weighted = steps * (rate[1:] + rate[:-1]) / 2
    counted = (steps > 0) & (steps <= max_gap_s) & np.isfinite(weighted)
    return float(weighted[counted].sum() / 3_600)


WetLevel = Literal["wet", "near", "low", "none", "unknown"]


class WetRisk(NamedTuple):
    """How near to wet a panel came.

    Attributes:
        level: ``wet``: at or under the dew point; ``near``: within ``NEAR_WET_K``; ``low``: under
            the 3 K rule; ``none``; ``unknown``: nobody knows.
        lowest_k: Least margin above the dew point that is known [K], or None.
        unknown: So many values are not known.
        text: In words, of the lowest.
    """

    level: WetLevel
    lowest_k: float | None
    unknown: int
    text: str


def wet_risk(margins: Iterable[float | None], units: UnitSystem = "metric") -> WetRisk:
    """Return how near to wet a panel came while it cured.

    Args:
        margins: Panel above the dew point [K]; None or NaN is not known.
        units: The shop's, for the words.
    """
    every = [np.nan if margin is None else float(margin) for margin in margins]
    known = [margin for margin in every if np.isfinite(margin)]
    unknown = len(every) - len(known)
    if not known:
        return WetRisk("unknown", None, unknown, "Wet risk not known: no panel margin")
    lowest = min(known)
    shown = format_value(abs(lowest), QUANTITIES["dew_margin_k"], units)
    text = f"panel {shown} {'below' if lowest < 0 else 'above'} dew point"
    level, word = next((level, word) for below, level, word in _RISKS if lowest < below)
    if level == "none" and unknown:
        return WetRisk("unknown", lowest, unknown, f"Wet risk not known for a part: {text}")
    return WetRisk(level, lowest, unknown, f"{word}: {text}")


_RISKS: tuple[tuple[float, WetLevel, str], ...] = (
    (1e-9, "wet", "WET"),
    (NEAR_WET_K, "near", "Close to wet"),
    (3.0, "low", "Margin small"),
    (np.inf, "none", "Dry"),
)
