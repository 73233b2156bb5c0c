"""The events of a job in words, in the order of the chain."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.guard import alarm_acts
from envmon.job import events as names
from envmon.job.record_numbers import iso_us

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

_Data = dict[str, Any]


class Line(NamedTuple):
    """One line: when (ISO 8601), what, by whom."""

    at: str
    text: str
    by: str


def timeline(document: Mapping[str, Any]) -> Iterator[Line]:
    """Yield what happened, line by line; panel by panel it stands in the table of panels.

    Args:
        document: The record.
    """
    stages = {step["stage"]: step["name"] for step in document["stages"]}
    panels = {row["panel"]: row["name"] for row in document["panels"]}
    products = {row["id"]: row["name"] for row in document["products"]}
    for event in document["chain"]["events"]:
        say = _WORDS.get(event["kind"])
        if say is not None:
            text = say(event["data"], {**stages, **panels, **products})
            yield Line(iso_us(event["at_us"]), text, str(event["data"].get("by", "")))


def _named(names_: Mapping[str, str], data: _Data, key: str) -> str:
    return names_.get(str(data.get(key, "")), str(data.get(key, "")))


def _started(data: _Data, known: Mapping[str, str]) -> str:
    text = f"{_named(known, data, 'stage')} started"
    against = "; ".join(str(each) for each in data.get("against") or ())
    return f"{text} against: {against}. Reason: {data.get('reason', '')}" if against else text


def _undone(data: _Data, known: Mapping[str, str]) -> str:
    what = str(data.get("undone_kind", "")).rpartition("_")[2]
    return f"{_named(known, data, 'panel')}: {what} taken back"


def _panels(data: _Data, _: Mapping[str, str]) -> str:
    return f"panels changed: {', '.join(str(each['name']) for each in data['panels'])}"


def _closed(data: _Data, _: Mapping[str, str]) -> str:
    reason = str(data.get("reason", ""))
    return f"handed over; {reason}" if reason else "handed over"


_WORDS: dict[str, Callable[[_Data, Mapping[str, str]], str]] = {
    names.OPENED: lambda data, _: f"job opened, {data.get('procedure_name', '')}",
    names.CLOSED: _closed,
    names.NOTED: lambda data, _: f"note: {data.get('text', '')}",
    names.PANELS_CHANGED: _panels,
    names.BATCH_SET: lambda d, known: f"{_named(known, d, 'product')}: batch {d.get('batch', '')}",
    names.IN_FLIGHT_SET: lambda data, _: f"panels in flight: {data.get('in_flight', '')}",
    names.SKIPPED: lambda d, known: f"{_named(known, d, 'stage')} left out: {d.get('reason', '')}",
    names.STAGE_STARTED: _started,
    names.STAGE_ENDED: lambda data, known: f"{_named(known, data, 'stage')} finished",
    names.UNDONE: _undone,
    names.CURE_FITNESS: lambda data, _: f"cure window: {data.get('fitness', '')}",
    names.RECORD_MADE: lambda data, _: f"record made ({data.get('form', '')})",
    names.ERASED: lambda _data, _: "the vehicle's reference was erased",
    alarm_acts.RAISED: lambda data, _: f"alarm: {data.get('text', '')}",
    alarm_acts.CLEARED: lambda data, _: f"alarm over: {data.get('alarm', '')}",
    alarm_acts.ACKNOWLEDGED: lambda data, _: f"alarm acknowledged: {data.get('alarm', '')}",
}
