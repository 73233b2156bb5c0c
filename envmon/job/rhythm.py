"""The rhythm of one pair of hands: cover a panel, cover others while it flashes, level it.

With ``m`` others between applying a panel and levelling it, the hands repeat ``apply, level`` once
a period. Levelling must come after the flash and before the next but m+1 panel is covered, so

    wait in [m * period, (m + 1) * period - apply - level]   and   wait in [flash_from, flash_to].

The shortest period that allows it is the larger of ``apply + level`` (the hands are never idle) and
``(flash_from + apply + level) / (m + 1)`` (each of m+1 panels in flight needs so long from its
covering to its levelling).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import SECOND_US
from envmon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.job.model import Job


class Rhythm(NamedTuple):
    """What the hands and the product take.

    Attributes:
        apply_s: To cover a panel [s].
        level_s: To level it and wipe it a second time [s].
        flash_from_s: From covered until levelling is due [s].
        flash_to_s: And at the latest [s].
        in_flight: So many panels may flash at the same time.
    """

    apply_s: float
    level_s: float
    flash_from_s: float
    flash_to_s: float
    in_flight: int


class Turn(NamedTuple):
    """One panel's turn: its number, from 0, and its times [s]."""

    panel: int
    apply_start: float
    apply_end: float
    level_start: float
    level_end: float


class RhythmPlan(NamedTuple):
    """A steady rhythm.

    Attributes:
        turns: One for each panel, in order.
        period: From covering one panel to covering the next [s].
        wait: How long each panel flashes [s].
        peak: The most panels that flash at the same time.
        why: In words, why not as many in flight as were allowed; empty when they are.
    """

    turns: tuple[Turn, ...]
    period: float
    wait: float
    peak: int
    why: str = ""


def plan_rhythm(rhythm: Rhythm, panels: int, start_s: float = 0) -> RhythmPlan:
    """Return the shortest steady rhythm with the fewest panels in flight that reaches it.

    Applying and levelling never overlap, and every panel is levelled inside its flash window.

    Args:
        rhythm: What the hands and the product take.
        panels: How many panels.
        start_s: When the first is covered [s].

    Raises:
        InputError: A time or number is not possible.
    """
    _check(rhythm, panels)
    between = _between(rhythm)
    period = _period(rhythm, between)
    wait = max(rhythm.flash_from_s, between * period)
    turns = tuple(_turn(rhythm, k, start_s + k * period, wait) for k in range(panels))
    return RhythmPlan(turns, period, wait, min(between + 1, panels), _why(rhythm, between))


def _check(rhythm: Rhythm, panels: int) -> None:
    spans = (rhythm.apply_s, rhythm.level_s, rhythm.flash_from_s)
    if not all(0 < span < float("inf") for span in spans):
        raise InputError(f"times are {spans} s; allowed is above 0: apply, level, flash")
    if not rhythm.flash_from_s <= rhythm.flash_to_s:
        ends = f"{rhythm.flash_from_s:g} to {rhythm.flash_to_s:g}"
        raise InputError(f"flash is {ends} s; allowed is the shortest first")
    if rhythm.in_flight < 1 or panels < 0:
        raise InputError(
            f"in flight is {rhythm.in_flight}, panels {panels}; allowed is 1 or more, 0 or more"
        )


def _period(rhythm: Rhythm, between: int) -> float:
    hands = rhythm.apply_s + rhythm.level_s
    return max(hands, (rhythm.flash_from_s + hands) / (between + 1))


def _between(rhythm: Rhythm) -> int:
    """Return how many others are covered while a panel flashes."""
    hands = rhythm.apply_s + rhythm.level_s
    possible = [m for m in range(rhythm.in_flight) if m * hands <= rhythm.flash_to_s]
    return min(possible, key=lambda m: (_period(rhythm, m), m))


def _turn(rhythm: Rhythm, panel: int, start: float, wait: float) -> Turn:
    covered = start + rhythm.apply_s
    return Turn(panel, start, covered, covered + wait, covered + wait + rhythm.level_s)


def _why(rhythm: Rhythm, between: int) -> str:
    if between + 1 == rhythm.in_flight:
        return ""
    asked, used = rhythm.in_flight, between + 1
    age_s = (asked - 1) * (rhythm.apply_s + rhythm.level_s)
    if age_s > rhythm.flash_to_s:
        late = f"with {asked} in flight a panel waits {minutes(age_s)}"
        return f"{late}, at most {minutes(rhythm.flash_to_s)} is allowed: {used} in flight"
    return f"{used} in flight keep the hands busy: {asked} would be no faster"


def minutes(seconds: float) -> str:
    """Return a time span as people read it: ``1:30 min``."""
    whole = max(0, round(seconds))
    return f"{whole // 60}:{whole % 60:02d} min"


class Waiting(NamedTuple):
    """A panel in flight, by its id: levelling is due from, and at the latest by [µs]."""

    panel: str
    from_us: int
    to_us: int


def waiting_panels(job: Job) -> list[Waiting]:
    """Return the panels in flight that have a flash window, the one due first in front."""
    found = []
    for panel in job.panels:
        mark = panel.last
        if panel.in_flight and mark is not None and mark.flash is not None:
            ends = (mark.flash.from_s, mark.flash.to_s)
            due = (mark.at_us + round(end * SECOND_US) for end in ends)
            found.append(Waiting(panel.id, *due))
    return sorted(found, key=lambda one: one.to_us)


def first_late(waiting: Iterable[Waiting], free_us: int, level_us: int) -> Waiting | None:
    """Return the first panel one pair of hands would level too late, or None.

    They level what is due, of several the one that must be first, and wait for nothing else.

    Args:
        waiting: The panels in flight.
        free_us: The hands are free from then [µs].
        level_us: To level a panel [µs].
    """
    left = list(waiting)
    while left:
        free_us = max(free_us, min(one.from_us for one in left))
        due = (one for one in left if one.from_us <= free_us)
        first = min(due, key=lambda one: one.to_us)
        if free_us > first.to_us:
            return first
        left.remove(first)
        free_us += level_us
    return None


def late_if_applied(waiting: list[Waiting], now_us: int, rhythm: Rhythm) -> Waiting | None:
    """Return the panel that would be levelled too late if another were covered now, or None."""
    covered_us = now_us + round(rhythm.apply_s * SECOND_US)
    ends = (rhythm.flash_from_s, rhythm.flash_to_s)
    own = Waiting("", *(covered_us + round(end * SECOND_US) for end in ends))
    return first_late([*waiting, own], covered_us, round(rhythm.level_s * SECOND_US))
