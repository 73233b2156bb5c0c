"""What a replay says in words, for the terminal and for the page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import MINUTE_US
from envmon.guard.alarm_kinds import KINDS, STAGE_KINDS
from envmon.guard.words import span_text
from envmon.service.span import local_from_us
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.plan import GuardPlan, HeldLimit, StagePlan
    from envmon.service.replay.alarms import Alarm
    from envmon.service.replay.command import Answer
    from envmon.service.replay.judged import Judged
    from envmon.service.replay.timeline import StageKey, Stretch

USUAL = ("coating",)
"""Charted when no stage was asked for."""


def length_text(span_us: int) -> str:
    """Return ``6 h 05``, ``12 min`` or ``–`` for a span [µs], to the minute."""
    whole = round(span_us / MINUTE_US)
    if span_us and not whole:
        return "<1 min"
    hours, rest = divmod(whole, 60)
    # No-break spaces, so that a line never ends inside a length.
    return f"{hours}\u00a0h\u00a0{rest:02d}" if hours else f"{rest}\u00a0min" if rest else "–"


def day_text(at_us: int, zone: str) -> str:
    """Return ``Tue 27 Jan 2026 10:00`` for a moment [µs], in local time."""
    return f"{local_from_us(at_us, zone):%a %d %b %Y %H:%M}"


def clock_text(at_us: int, zone: str, *, is_end: bool = False) -> str:
    """Return ``10:00`` in local time; midnight as an end is ``24:00``."""
    text = f"{local_from_us(at_us, zone):%H:%M}"
    return "24:00" if is_end and text == "00:00" else text


def stretch_text(stretch: Stretch | None, zone: str) -> str:
    """Return the beginning, end and length of a fit stretch in local time."""
    if stretch is None:
        return "never fit"
    start, end = (local_from_us(at, zone) for at in stretch)
    last = f"{end:%H:%M}" if end.date() == start.date() else f"{end:%a %d %b %H:%M}"
    return f"{start:%a %d %b %H:%M} to {last}, {length_text(stretch.to_us - stretch.from_us)}"


def span_line(answer: Answer) -> str:
    """Return which span was asked about, in local time."""
    start, end = (day_text(at, answer.zone) for at in (answer.from_us, answer.to_us))
    return f"{start} to {end} ({answer.zone})"


def nothing_line(answer: Answer) -> str:
    """Return what to say when nothing is kept of a span."""
    if answer.kept is None:
        return "nothing is kept yet; start the watch, or bring history in with: envmon import"
    start, end = (day_text(at, answer.zone) for at in answer.kept)
    return f"nothing is kept of {span_line(answer)}; kept is {start} to {end}"


def same_lines(answer: Answer) -> list[str]:
    """Return how far the replay agrees with what happened."""
    found = answer.comparison
    if found is None:
        return []
    lines = [f"The same as live: {found.same} of {found.compared} findings."]
    if not (found.compared or found.differences):
        lines = ["The watch found nothing then that could be compared."]
    for d in found.differences[:10]:
        when = day_text(d.at_us, answer.zone)
        lines.append(f"Only in {d.only}: {when} {d.bay} {d.kind} {d.data}")
    if len(found.differences) > 10:
        lines.append(f"and {len(found.differences) - 10} further differences")
    lines += [
        f"Since {day_text(event.at_us, answer.zone)} another shop file was in force."
        for event in found.taken
    ]
    if found.apart:
        lines.append(
            f"{found.apart} findings of that time were made under another shop file (or none is "
            "known) and are not compared; everything here is judged by this one."
        )
    return lines


def counted(count: int, word: str = "alarm") -> str:
    """Return ``No alarms``, ``1 alarm`` or ``4 alarms``."""
    return f"{count or 'No'} {word}{'' if count == 1 else 's'}"


def change_text(gained_us: int, lost_us: int) -> str:
    """Return ``3 h 05 more fit, 10 min less`` for what other limits change [µs]."""
    texts = [(gained_us, "more fit"), (lost_us, "less fit")]
    return ", ".join(f"{length_text(us)} {words}" for us, words in texts if us) or "no change"


def charted(judged: Judged, asked: Sequence[str]) -> list[StageKey]:
    """Return the stages to draw: those asked for, else coating, in every bay."""
    wanted = asked or USUAL
    return [key for key in judged.timelines if key[1] in wanted]


def stage_of(plan: GuardPlan, key: StageKey) -> StagePlan:
    """Return the stage of a bay."""
    return next(stage for stage in plan.bays[key[0]].stages if stage.id == key[1])


def title_of(plan: GuardPlan, key: StageKey) -> str:
    """Return ``Coating in Bay one``."""
    return f"{stage_of(plan, key).name} in {plan.bays[key[0]].name}"


def alarm_title(plan: GuardPlan, alarm: Alarm) -> str:
    """Return ``Coating in Bay one outside its window``, or ``Sensor lost: panel in Bay one``."""
    place, name = plan.places[alarm.bay], KINDS[alarm.what].name
    if alarm.what in STAGE_KINDS and alarm.stage in {stage.id for stage in place.stages}:
        return f"{title_of(plan, (alarm.bay, alarm.stage))} {name}"
    point = alarm.id.removesuffix(f"-{alarm.what}")
    about = f": {point}" if point in place.points else ""
    return f"{name[:1].upper()}{name[1:]}{about} in {place.name}"


def limit_text(limit: HeldLimit, plan: GuardPlan) -> str:
    """Return ``air 18–24 °C`` in the shop's units."""
    span = span_text(limit.low, limit.high, limit.quantity, plan)
    return f"{QUANTITIES[limit.quantity].label} {span}"
