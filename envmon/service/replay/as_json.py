"""A replay's answer as one JSON document: SI, times as ISO 8601 UTC."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from envmon.clock import MINUTE_US, iso_from_us
from envmon.service.replay.alarms import only_in
from envmon.service.replay.timeline import FITNESS, gained_and_lost_us

if TYPE_CHECKING:
    from envmon.service.replay.alarms import Alarm
    from envmon.service.replay.command import Answer
    from envmon.service.replay.compare import Comparison
    from envmon.service.replay.judged import Judged, StageDay
    from envmon.service.replay.timeline import Stretch


def answer_json(answer: Answer) -> str:
    """Return the answer as JSON."""
    document: dict[str, Any] = {
        "from": iso_from_us(answer.from_us),
        "to": iso_from_us(answer.to_us),
        "kept": _span(answer.kept),
        "plan": answer.own.fingerprint if answer.own else None,
        "readings": answer.readings,
        "same_as_live": _same(answer.comparison),
        **(_judged(answer.own, answer.to_us) if answer.own else _NOTHING),
        "notes": list(answer.notes),
    }
    if answer.own and answer.other:
        document["other_plan"] = answer.other.fingerprint
        document["other"] = _beside(answer.own, answer.other, answer)
    return msgspec.json.encode(document).decode()


_NOTHING: dict[str, Any] = {"alarms": [], "days": [], "longest": []}


def _span(kept: tuple[int, int] | None) -> dict[str, str] | None:
    return None if kept is None else {"from": iso_from_us(kept[0]), "to": iso_from_us(kept[1])}


def _same(comparison: Comparison | None) -> dict[str, Any]:
    if comparison is None:
        return {"compared": 0, "same": 0, "differences": [], "not_compared": 0, "shop_files": []}
    return {
        "compared": comparison.compared,
        "same": comparison.same,
        "differences": [
            {
                "only": d.only,
                "at": iso_from_us(d.at_us),
                "kind": d.kind,
                "bay": d.bay,
                "data": msgspec.json.decode(d.data),
            }
            for d in comparison.differences
        ],
        "not_compared": comparison.apart,
        "shop_files": [
            {"since": iso_from_us(event.at_us), "plan": event.data["plan"]}
            for event in comparison.taken
        ],
    }


def _judged(judged: Judged, to_us: int) -> dict[str, Any]:
    return {
        "alarms": [_alarm(alarm, to_us) for alarm in judged.alarms],
        "days": [_day(day) for day in judged.days],
        "longest": [
            {"bay": bay, "stage": stage, **_stretch(stretch)}
            for (bay, stage), stretch in judged.longest.items()
            if stretch
        ],
    }


def _alarm(alarm: Alarm, to_us: int) -> dict[str, Any]:
    return {
        "alarm": alarm.id,
        "bay": alarm.bay,
        "stage": alarm.stage or None,
        "what": alarm.what,
        "raised": iso_from_us(alarm.raised_us),
        "cleared": None if alarm.cleared_us is None else iso_from_us(alarm.cleared_us),
        "minutes": round(alarm.minutes(to_us), 3),
    }


def _day(day: StageDay) -> dict[str, Any]:
    spent = zip(FITNESS, day.spent_us, strict=True)
    return {
        "bay": day.bay,
        "stage": day.stage,
        "day": day.day.isoformat(),
        **{f"{name}_min": minutes(us) for name, us in spent},
        "longest_fit": _stretch(day.longest) if day.longest else None,
    }


def _stretch(stretch: Stretch) -> dict[str, Any]:
    return {
        "from": iso_from_us(stretch.from_us),
        "to": iso_from_us(stretch.to_us),
        "minutes": round(stretch.minutes, 3),
    }


def _beside(own: Judged, other: Judged, answer: Answer) -> dict[str, Any]:
    changes = []
    for (bay, stage), line in own.timelines.items():
        gained_us, lost_us = gained_and_lost_us(
            line, other.timelines[bay, stage], answer.from_us, answer.to_us
        )
        changes.append(
            {
                "bay": bay,
                "stage": stage,
                "gained_min": minutes(gained_us),
                "lost_min": minutes(lost_us),
            }
        )
    return {
        **_judged(other, answer.to_us),
        "changes": changes,
        "alarms_gone": [_alarm(a, answer.to_us) for a in only_in(own.alarms, other.alarms)],
        "alarms_new": [_alarm(a, answer.to_us) for a in only_in(other.alarms, own.alarms)],
    }


def minutes(span_us: int) -> float:
    """Return a span [µs] in minutes, to the thousandth."""
    return round(span_us / MINUTE_US, 3)
