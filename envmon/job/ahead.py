"""What one pair of hands does next with the panels that are left, and when."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from envmon.clock import SECOND_US
from envmon.job.clocks import marks_of
from envmon.job.rhythm import Waiting, late_if_applied, waiting_panels

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.job.model import Job
    from envmon.job.rhythm import Rhythm


class Stroke(NamedTuple):
    """One act on one panel: from when until when [µs]."""

    act: Literal["apply", "level"]
    panel: str
    from_us: int
    to_us: int


def strokes_left(job: Job, now_us: int, rhythm: Rhythm) -> tuple[Stroke, ...]:
    """Return order and spacing of everything still to be covered and levelled.

    What is due is levelled first; else the next panel is covered if all in flight, it included,
    can then still be levelled in time; else the hands wait. Strokes never overlap.

    Args:
        job: The job.
        now_us: The hands are free from now on [µs].
        rhythm: What hands and product take now; panels to come get its flash window.
    """
    return tuple(strokes(waiting_panels(job), _uncovered(job), now_us, rhythm))


def _uncovered(job: Job) -> list[str]:
    from_us = job.coat_from_us
    return [panel.id for panel in job.panels if not marks_of(panel, from_us)]


def strokes(
    waiting: Sequence[Waiting], todo: Sequence[str], now_us: int, rhythm: Rhythm
) -> Iterator[Stroke]:
    """Yield the strokes in their order, from the panels in flight and those to come.

    Args:
        waiting: The panels in flight.
        todo: Ids of the panels to come, in the order of work.
        now_us: The hands are free from now on [µs].
        rhythm: What hands and product take.
    """
    flying, left = sorted(waiting, key=_latest), list(todo)
    while flying or left:
        due = next((one for one in flying if one.from_us <= now_us), None)
        if due is not None:
            flying.remove(due)
            stroke = Stroke("level", due.panel, now_us, now_us + _us(rhythm.level_s))
        elif left and _fits(flying, now_us, rhythm):
            panel, end_us = left.pop(0), now_us + _us(rhythm.apply_s)
            ends = (rhythm.flash_from_s, rhythm.flash_to_s)
            flying.append(Waiting(panel, *(end_us + _us(end) for end in ends)))
            flying.sort(key=_latest)
            stroke = Stroke("apply", panel, now_us, end_us)
        else:
            now_us = min(one.from_us for one in flying)
            continue
        yield stroke
        now_us = stroke.to_us


def _fits(flying: list[Waiting], now_us: int, rhythm: Rhythm) -> bool:
    room = len(flying) < rhythm.in_flight
    return room and late_if_applied(flying, now_us, rhythm) is None


def _latest(one: Waiting) -> int:
    return one.to_us


def _us(seconds: float) -> int:
    return round(seconds * SECOND_US)
