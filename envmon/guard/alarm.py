"""The basic alarm: the stage being worked has left its window, or cannot be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.guard.state import AlarmNow, Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon.guard.plan import HeldLimit, StagePlan
    from envmon.guard.state import BayNow, LimitNow

WHAT = {"window": "unfit", "unknown": "unknown"}
"""What an alarm is about -> the group a limit must be in."""

Standing = list[tuple["HeldLimit", "LimitNow"]]


def standing(stage: StagePlan, now: BayNow) -> Standing:
    """Return the stage's limits with where they stand."""
    return [(limit, now.limits[limit.key]) for limit in stage.limits]


def raise_at(what: str, stands: Standing, stage_since_us: int) -> int | None:
    """Return when the alarm is due [µs]: the first limit out for its on-delay; or None."""
    due = [
        max(state.since_us, stage_since_us) + limit.on_delay_us
        for limit, state in stands
        if state.group == WHAT[what]
    ]
    return min(due, default=None)


def clear_at(what: str, stands: Standing) -> int | None:
    """Return when the alarm may clear [µs]: every limit back for its off-delay; or None.

    A limit that is not known clears no alarm.
    """
    if any(state.group in {WHAT[what], "unknown"} for _, state in stands):
        return None
    return max((state.since_us + limit.off_delay_us for limit, state in stands), default=None)


def update_alarms(bay_id: str, stage: StagePlan | None, now: BayNow, at_us: int) -> list[Finding]:
    """Raise and clear the alarms of a bay and return what changed.

    Args:
        bay_id: The bay.
        stage: The stage being worked; None clears everything.
        now: What is remembered of the bay; its ``alarms`` are changed in place.
        at_us: Time to judge at [µs].
    """
    if stage is None or stage.goal:
        return end_alarms(bay_id, now, at_us)
    stands = standing(stage, now)
    findings = []
    for what in WHAT:
        active = now.alarms.get(what)
        due = raise_at(what, stands, now.stage_since_us or 0) if active is None else None
        if due is not None and due <= at_us:
            now.alarms[what] = AlarmNow(at_us, stage.id)
            findings.append(_finding("alarm_raised", bay_id, what, stage.id, at_us))
        over = clear_at(what, stands) if active is not None else None
        if over is not None and over <= at_us:
            del now.alarms[what]
            findings.append(_finding("alarm_cleared", bay_id, what, stage.id, at_us))
    return findings


def end_alarms(bay_id: str, now: BayNow, at_us: int, why: str = "stage ended") -> list[Finding]:
    """Clear every alarm of a bay, by default because its stage has ended."""
    findings = [
        _finding("alarm_cleared", bay_id, what, alarm.stage, at_us, why)
        for what, alarm in now.alarms.items()
    ]
    now.alarms.clear()
    return findings


def deadlines(stage: StagePlan | None, now: BayNow) -> Iterator[int]:
    """Yield the times [µs] at which an alarm will be raised or cleared if nothing changes."""
    if stage is None or stage.goal:
        return
    stands = standing(stage, now)
    for what in WHAT:
        if what in now.alarms:
            at = clear_at(what, stands)
        else:
            at = raise_at(what, stands, now.stage_since_us or 0)
        if at is not None:
            yield at


def _finding(kind: str, bay: str, what: str, stage: str, at_us: int, why: str = "") -> Finding:
    data = {"alarm": f"{bay}-{what}", "what": what, "stage": stage}
    return Finding(at_us, kind, bay, {**data, "why": why} if why else data)
