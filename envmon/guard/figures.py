"""How well the shop's alarms serve whoever gets them: figures after ISA-18.2 and IEC 62682.

An alarm raised, and one raised again because it still stood, counts as one alarm each: both call
for a person. An alarm that follows from another counts too, though it sends no message; so the
figures are never better than what the person had. Periods of ten minutes and of an hour are
counted one after the other from the start of the span; the last one may be cut short.

Source: figures of ISA-18.2-2016 and IEC 62682:2014 (from memory); chattering, three times within
a minute, ISA-18.2 (from memory). That fewer than a hundred alarms are too few for shares, and that
an alarm over within a minute is fleeting, is common practice.
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.guard.live import Priority
    from envmon.guard.occurrences import AlarmLog, Occurrence

PERIOD_US = 10 * MINUTE_US
FLOOD_STARTS, FLOOD_ENDS = 10, 5
"""A flood starts in a period with more than the first, ends in one with fewer than the second."""
BUSY_HOUR = 30
CHATTER_TIMES, CHATTER_US = 3, MINUTE_US
FLEETING_US = MINUTE_US
STALE_US = DAY_US
FEW = 100
"""With fewer alarms, shares say nothing."""


class Leader(msgspec.Struct, frozen=True):
    """An alarm that came often: its id, how often, and its share of all [%]."""

    alarm: str
    count: int
    share_pct: float


class Flood(NamedTuple):
    """Too many alarms for a person: from the start of one period to the start of another [µs]."""

    from_us: int
    to_us: int


class Counts(msgspec.Struct, frozen=True):
    """What was counted in a span.

    Attributes:
        days: Length of the span [d].
        alarms: How many alarms there were.
        following: How many of them followed from another one.
        per_day: Alarms per day.
        per_hour: Alarms per hour.
        per_10_min: Alarms in ten minutes, on average.
        peak_10_min: The most in a period of ten minutes.
        over_10_pct: Share of periods with more than ten alarms [%].
        busy_hours_pct: Share of hours with more than 30 alarms [%].
        floods: How many floods began.
        flood_pct: Share of the time in flood [%].
        chattering: Ids of alarms that came and went three times in a minute.
        fleeting: Ids of alarms that were over within a minute, and did not chatter.
        stale_most: The most alarms standing for over 24 h on any day of the span.
        stale: Ids of alarms standing for over 24 h at the end of the span.
        top: The ten that came most often.
        top_share_pct: Their share of all [%]; None without an alarm.
        high_pct: Share of priority high [%]; None without an alarm.
        medium_pct: Share of priority medium [%]; None without an alarm.
        low_pct: Share of priority low [%]; None without an alarm.
        answered: How many acknowledgements there were.
        answer_s: Median of the time to acknowledge [s]; None without one.
    """

    days: float
    alarms: int
    following: int
    per_day: float
    per_hour: float
    per_10_min: float
    peak_10_min: int
    over_10_pct: float
    busy_hours_pct: float
    floods: int
    flood_pct: float
    chattering: tuple[str, ...]
    fleeting: tuple[str, ...]
    stale_most: int
    stale: tuple[str, ...]
    top: tuple[Leader, ...]
    top_share_pct: float | None
    high_pct: float | None
    medium_pct: float | None
    low_pct: float | None
    answered: int
    answer_s: float | None


def counts_of(log: AlarmLog, from_us: int, to_us: int) -> Counts:
    """Return what was counted in ``from_us <= t < to_us``.

    Args:
        log: Everything the chain says of alarms.
        from_us: Start of the span [µs].
        to_us: End of the span [µs], above its start.
    """
    span_us = to_us - from_us
    calls = [(at_us, one) for one in log.past for at_us in (one.raised_us, *one.again_us)]
    calls = [(at_us, one) for at_us, one in calls if from_us <= at_us < to_us]
    times = [at_us for at_us, _ in calls]
    periods = per_period(times, from_us, to_us, PERIOD_US)
    hours = per_period(times, from_us, to_us, HOUR_US)
    floods = floods_in(periods, from_us, to_us)
    spells = [one for one in log.past if from_us <= one.raised_us < to_us]
    chattering = chattering_among(spells, to_us)
    top = leaders(one.alarm for _, one in calls)
    waits = [r.waited_us / SECOND_US for r in log.responses if from_us <= r.at_us < to_us]
    shares = _shares([one.priority for _, one in calls])
    return Counts(
        days=span_us / DAY_US,
        alarms=len(calls),
        following=sum(one.under is not None for _, one in calls),
        per_day=len(calls) * DAY_US / span_us,
        per_hour=len(calls) * HOUR_US / span_us,
        per_10_min=len(calls) * PERIOD_US / span_us,
        peak_10_min=max(periods, default=0),
        over_10_pct=_percent(sum(n > FLOOD_STARTS for n in periods), len(periods)),
        busy_hours_pct=_percent(sum(n > BUSY_HOUR for n in hours), len(hours)),
        floods=len(floods),
        flood_pct=_percent(sum(f.to_us - f.from_us for f in floods), span_us),
        chattering=chattering,
        fleeting=fleeting_among(spells, to_us, chattering),
        stale_most=stale_most(log.past, from_us, to_us),
        stale=tuple(sorted({one.alarm for one in log.past if _stale_at(one, to_us)})),
        top=top,
        top_share_pct=sum(one.share_pct for one in top) if top else None,
        high_pct=shares["high"],
        medium_pct=shares["medium"],
        low_pct=shares["low"],
        answered=len(waits),
        answer_s=median(waits) if waits else None,
    )


def per_period(times: Iterable[int], from_us: int, to_us: int, length_us: int) -> list[int]:
    """Return how many times lie in each period of a length, from the start of the span on."""
    counted = Counter((at_us - from_us) // length_us for at_us in times)
    return [counted[place] for place in range(-(-(to_us - from_us) // length_us))]


def floods_in(periods: Sequence[int], from_us: int, to_us: int) -> list[Flood]:
    """Return the floods among periods of ten minutes; one may last to the end of the span."""
    floods: list[Flood] = []
    began: int | None = None
    for place, count in enumerate(periods):
        at_us = from_us + place * PERIOD_US
        if began is None and count > FLOOD_STARTS:
            began = at_us
        elif began is not None and count < FLOOD_ENDS:
            floods.append(Flood(began, at_us))
            began = None
    return floods if began is None else [*floods, Flood(began, to_us)]


def _over_by(one: Occurrence, to_us: int) -> int | None:
    """Return when it was over of itself [µs], before the span ended; else None."""
    return one.ended_us if one.end == "over" and (one.ended_us or 0) < to_us else None


def chattering_among(spells: Sequence[Occurrence], to_us: int) -> tuple[str, ...]:
    """Return the ids of alarms that came and went three times within a minute."""
    ended: dict[str, list[tuple[int, int]]] = {}
    for one in spells:
        over_us = _over_by(one, to_us)
        if over_us is not None:
            ended.setdefault(one.alarm, []).append((one.raised_us, over_us))
    return tuple(sorted(alarm for alarm, spans in ended.items() if _chatters(sorted(spans))))


def _chatters(spans: Sequence[tuple[int, int]]) -> bool:
    last = CHATTER_TIMES - 1
    return any(
        ended[1] - began[0] <= CHATTER_US
        for began, ended in zip(spans, spans[last:], strict=False)
    )  # fmt: skip


def fleeting_among(
    spells: Iterable[Occurrence], to_us: int, chattering: Iterable[str]
) -> tuple[str, ...]:
    """Return the ids of alarms that were over within a minute, and did not chatter."""
    found = set()
    for one in spells:
        over_us = _over_by(one, to_us)
        if over_us is not None and over_us - one.raised_us < FLEETING_US:
            found.add(one.alarm)
    return tuple(sorted(found - set(chattering)))


def _stale_at(one: Occurrence, at_us: int) -> bool:
    return one.raised_us + STALE_US < at_us and (one.ended_us is None or one.ended_us >= at_us)


def stale_most(spells: Sequence[Occurrence], from_us: int, to_us: int) -> int:
    """Return the most alarms that on any day of the span stood for over 24 h."""
    edges = [*range(from_us, to_us, DAY_US), to_us]
    return max(
        (sum(_stale_within(one, *day) for one in spells) for day in pairwise(edges)), default=0
    )


def _stale_within(one: Occurrence, from_us: int, to_us: int) -> bool:
    stale_from_us = one.raised_us + STALE_US
    ended_us = one.ended_us
    return stale_from_us < to_us and (ended_us is None or ended_us > max(stale_from_us, from_us))


def leaders(alarms: Iterable[str]) -> tuple[Leader, ...]:
    """Return the ten that came most often, those of the same count by name."""
    counted = Counter(alarms)
    total = counted.total()
    order = sorted(counted.items(), key=lambda item: (-item[1], item[0]))
    return tuple(Leader(alarm, count, _percent(count, total)) for alarm, count in order[:10])


def _shares(priorities: Sequence[Priority]) -> dict[Priority, float | None]:
    total, counted = len(priorities), Counter(priorities)
    ranks: tuple[Priority, ...] = ("high", "medium", "low")
    return {rank: _percent(counted[rank], total) if total else None for rank in ranks}


def _percent(part: float, whole: float) -> float:
    return 100 * part / whole if whole else 0.0
