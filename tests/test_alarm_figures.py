"""Figures of the alarms: cases worked by hand, a plain twin, and the standard's own numbers.

Source: /figures per operating position/ of ISA-18.2-2016 and IEC 62682:2014 (from memory): about
150 alarms a day very likely acceptable and 300 the most, 6 and 12 an hour, 1 and 2 in ten minutes,
under 1 % of periods above ten, floods from more than 10 to fewer than 5, fewer than 5 stale,
80/15/5 % by priority.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, SECOND_US, us_from_iso
from envmon.facts import Event
from envmon.guard.figures import Counts, Leader, counts_of
from envmon.guard.figures_judged import Figure, duration, figures_of
from envmon.guard.occurrences import AlarmLog, log_of

if TYPE_CHECKING:
    from collections.abc import Iterable

T0 = us_from_iso("2026-01-05T00:00:00Z")


def chain(*said: tuple[float, str, str], priority: str = "low", **more: object) -> list[Event]:
    """Return events from (second, kind without ``alarm_``, alarm)."""
    return [
        Event(
            seq,
            T0 + round(second * SECOND_US),
            f"alarm_{kind}",
            "north",
            {"alarm": alarm, "what": alarm.split("-")[-1], "priority": priority, **more},
            "",
        )
        for seq, (second, kind, alarm) in enumerate(said, 1)
    ]


def counts(events: Iterable[Event], days: float = 1.0) -> Counts:
    return counts_of(log_of(events), T0, T0 + round(days * DAY_US))


def raised(seconds: Iterable[float]) -> list[Event]:
    """Alarms that come one after another, each over just before the next."""
    said: list[tuple[float, str, str]] = []
    for place, second in enumerate(seconds):
        said.append((second, "raised", f"p{place}-lost"))
    return chain(*said)


def by_key(found: Iterable[Figure]) -> dict[str, Figure]:
    return {figure.key: figure for figure in found}


def test_no_alarm_at_all() -> None:
    none = counts([], 30)
    assert (none.alarms, none.per_day, none.peak_10_min, none.floods) == (0, 0.0, 0, 0)
    assert none.top_share_pct is None
    assert none.answer_s is None
    verdicts = by_key(figures_of(none))
    assert verdicts["per_day"].verdict == "good"
    assert verdicts["top_share_pct"].verdict == "no figure"


def test_rates_of_a_day_with_144_alarms() -> None:
    """144 a day are 6 an hour and 1 in ten minutes: the standard's own three figures agree."""
    found = counts(raised(600 * n for n in range(144)))
    assert (found.alarms, found.per_day, found.per_hour, found.per_10_min) == (144, 144, 6, 1)
    assert (found.peak_10_min, found.over_10_pct, found.flood_pct) == (1, 0, 0)
    verdicts = by_key(figures_of(found))
    assert {verdicts[k].verdict for k in ("per_day", "per_hour", "per_10_min")} == {"good"}


@pytest.mark.parametrize(
    ("alarms", "verdict"),
    [(150, "good"), (151, "bearable"), (300, "bearable"), (301, "too much")],
)
def test_the_edges_of_alarms_a_day(alarms: int, verdict: str) -> None:
    found = counts(raised(200 * n for n in range(alarms)))
    assert by_key(figures_of(found))["per_day"].verdict == verdict


def test_a_flood_starts_above_ten_and_ends_below_five() -> None:
    """Periods of 10, 11, 5, 4 alarms: the flood is the second and the third, 20 minutes."""
    sizes = (10, 11, 5, 4)
    seconds = [600 * period + n for period, size in enumerate(sizes) for n in range(size)]
    found = counts(raised(seconds))
    assert (found.floods, found.peak_10_min) == (1, 11)
    assert found.flood_pct == pytest.approx(100 * 20 / 1440)
    assert found.over_10_pct == pytest.approx(100 / 144)
    assert found.busy_hours_pct == 0  # 30 in the first hour: not above
    assert by_key(figures_of(found))["flood_pct"].verdict == "too much"
    assert by_key(figures_of(found))["over_10_pct"].verdict == "good"


def test_a_flood_that_never_ebbs_lasts_to_the_end() -> None:
    seconds = [600 * period + n for period in range(6) for n in range(11 if period == 0 else 5)]
    found = counts(raised(seconds), 1 / 24)
    assert (found.floods, found.flood_pct) == (1, 100.0)
    assert found.busy_hours_pct == 100.0  # 36 in the only hour


def test_chattering_is_three_times_within_a_minute() -> None:
    quick = chain(
        (0, "raised", "a-lost"), (5, "cleared", "a-lost"), (20, "raised", "a-lost"),
        (25, "cleared", "a-lost"), (40, "raised", "a-lost"), (60, "cleared", "a-lost"),
    )  # fmt: skip
    assert counts(quick).chattering == ("a-lost",)
    assert counts(quick).fleeting == ()
    slow = chain(
        (0, "raised", "a-lost"), (5, "cleared", "a-lost"), (20, "raised", "a-lost"),
        (25, "cleared", "a-lost"), (40, "raised", "a-lost"), (60.5, "cleared", "a-lost"),
    )  # fmt: skip
    assert counts(slow).chattering == ()
    assert counts(slow).fleeting == ("a-lost",)


def test_set_aside_is_neither_fleeting_nor_chattering() -> None:
    found = counts(chain((0, "raised", "a-lost"), (10, "shelved", "a-lost")))
    assert found.fleeting == ()


def test_stale_is_more_than_a_day_without_end() -> None:
    hours = 3600.0
    events = chain(
        (0, "raised", "a-lost"), (1, "raised", "b-lost"), (2, "raised", "c-lost"),
        (23 * hours, "cleared", "a-lost"), (30 * hours, "shelved", "b-lost"),
    )  # fmt: skip
    found = counts(events, 3)
    assert found.stale == ("c-lost",)
    assert found.stale_most == 2  # b and c on the second day
    assert counts(events, 1).stale_most == 0


def test_an_alarm_from_before_the_span_is_stale_in_it_but_not_counted() -> None:
    log = log_of(chain((-40 * 3600, "raised", "a-lost")))
    found = counts_of(log, T0, T0 + DAY_US)
    assert (found.alarms, found.stale_most, found.stale) == (0, 1, ("a-lost",))


def test_the_ten_that_came_most_often() -> None:
    said = [(60.0 * n, "raised", f"p{n % 12:02d}-lost") for n in range(100)]
    found = counts(chain(*said, (7000, "raised", "p07-lost")))
    assert found.top[0] == Leader("p00-lost", 9, 100 * 9 / 101)
    assert [one.count for one in found.top] == [9, 9, 9, 9, 9, 8, 8, 8, 8, 8]
    assert found.top_share_pct == pytest.approx(100 * 85 / 101)
    assert by_key(figures_of(found))["top_share_pct"].verdict == "too much"


def test_few_alarms_have_no_shares_to_judge() -> None:
    found = by_key(figures_of(counts(raised(range(0, 990, 10)))))
    assert found["top_share_pct"].verdict == found["high_pct"].verdict == "too few to judge"


def test_priorities_of_the_standard_are_good() -> None:
    said = {"low": 80, "medium": 15, "high": 5}
    events = [
        event
        for place, (priority, count) in enumerate(said.items())
        for event in chain(
            *((3600.0 * place + n, "raised", f"q{place}{n}-lost") for n in range(count)),
            priority=priority,
        )
    ]
    found = counts(events)
    assert (found.low_pct, found.medium_pct, found.high_pct) == (80, 15, 5)
    judged = by_key(figures_of(found))
    assert {judged[k].verdict for k in ("low_pct", "medium_pct", "high_pct")} == {"good"}


def test_time_to_acknowledge_is_the_median_of_the_waits() -> None:
    events = chain(
        (0, "raised", "a-window"), (60, "acknowledged", "a-window"),
        (100, "raised", "b-window"), (110, "cleared", "b-window"), (130, "raised", "b-window"),
        (400, "acknowledged", "b-window"),  # waited since 100
        (500, "raised", "c-window"), (1100, "acknowledged", "c-window"),
        (5000, "again", "a-window"), (5010, "acknowledged", "a-window"),
        by="Signe",
    )  # fmt: skip
    found = counts(events)
    assert (found.answered, found.answer_s) == (4, (60 + 300) / 2)
    assert found.alarms == 5  # a was raised again: it calls twice
    log = log_of(events)
    assert [one.acknowledged_us is not None for one in log.past] == [True] * 4
    assert {one.by for one in log.past} == {"Signe"}


def test_one_that_needs_no_acknowledging_waits_for_nobody_when_over() -> None:
    events = chain(
        (0, "raised", "a-leaving"), (10, "cleared", "a-leaving"), (50, "raised", "a-leaving"),
        (60, "acknowledged", "a-leaving"),
    )  # fmt: skip
    assert counts(events).answer_s == 10


def test_what_stands_is_what_was_neither_cleared_nor_set_aside() -> None:
    log = log_of(chain(
        (0, "raised", "a-lost"), (1, "raised", "b-lost"), (2, "raised", "c-lost"),
        (3, "raised", "d-lost"), (4, "cleared", "a-lost"), (5, "shelved", "b-lost"),
        (6, "removed", "c-lost"), (7, "acknowledged", "d-lost"), (8, "cleared", "never-lost"),
    ))  # fmt: skip
    assert [one.alarm for one in log.standing] == ["d-lost"]
    assert [one.end for one in log.past] == ["over", "shelved", "out of service", ""]


def test_a_clock_set_back_makes_no_negative_times() -> None:
    log = log_of(chain((100, "raised", "a-lost"), (-500, "acknowledged", "a-lost"),
                       (-400, "cleared", "a-lost")))  # fmt: skip
    assert log.past[0].ended_us == log.past[0].raised_us
    assert log.responses[0].waited_us == 0


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(None, "—"), (8, "8 s"), (600, "10 min"), (7200, "2.0 h"), (259_200, "3.0 d")],
)
def test_times_in_words(seconds: float | None, text: str) -> None:
    assert duration(seconds) == text


# The twin counts second by second and pair by pair, in the plainest way.

KINDS = st.sampled_from(["raised", "cleared", "acknowledged", "shelved", "again"])
STORY = st.lists(
    st.tuples(st.integers(0, 4 * 3600), KINDS, st.integers(0, 3)), max_size=60
).map(sorted)  # fmt: skip


def twin(log: AlarmLog, from_us: int, to_us: int) -> tuple[dict[str, float], tuple[str, ...]]:
    calls = [
        (t, one.alarm) for one in log.past for t in [one.raised_us, *one.again_us]
        if from_us <= t < to_us
    ]  # fmt: skip
    sizes = []
    start = from_us
    while start < to_us:
        sizes.append(len([t for t, _ in calls if start <= t < start + 10 * MINUTE_US]))
        start += 10 * MINUTE_US
    in_flood, flooded_us, floods = False, 0, 0
    for place, size in enumerate(sizes):
        if not in_flood and size > 10:
            in_flood, floods = True, floods + 1
        elif in_flood and size < 5:
            in_flood = False
        began_us = from_us + place * 10 * MINUTE_US
        flooded_us += min(10 * MINUTE_US, to_us - began_us) if in_flood else 0
    chatter = set()
    for first in log.past:
        inside = [
            one for one in log.past
            if one.alarm == first.alarm and one.end == "over" and one.ended_us is not None
            and one.ended_us < to_us and first.raised_us >= from_us
            and one.raised_us >= first.raised_us and one.ended_us <= first.raised_us + MINUTE_US
        ]  # fmt: skip
        if first in inside and len(inside) >= 3:
            chatter.add(first.alarm)
    return {
        "alarms": len(calls),
        "peak_10_min": max(sizes),
        "over_10_pct": 100 * len([s for s in sizes if s > 10]) / len(sizes),
        "floods": floods,
        "flood_pct": 100 * flooded_us / (to_us - from_us),
    }, tuple(sorted(chatter))


@given(STORY, st.integers(0, 3600), st.integers(60, 3 * 3600))
def test_the_same_as_counting_plainly(
    story: list[tuple[int, str, int]], start: int, length: int
) -> None:
    log = log_of(chain(*((float(s), kind, f"p{n}-lost") for s, kind, n in story)))
    from_us = T0 + start * SECOND_US
    to_us = from_us + length * SECOND_US
    found = counts_of(log, from_us, to_us)
    expected, chatter = twin(log, from_us, to_us)
    assert {key: getattr(found, key) for key in expected} == pytest.approx(expected)
    assert found.chattering == chatter


@given(st.lists(st.integers(0, 3599), min_size=11, max_size=80))
def test_floods_the_same_as_counting_plainly(seconds: list[int]) -> None:
    log = log_of(raised(sorted(seconds)))
    found, (expected, _) = counts_of(log, T0, T0 + HOUR_US), twin(log, T0, T0 + HOUR_US)
    assert {key: getattr(found, key) for key in expected} == pytest.approx(expected)


@given(STORY)
def test_in_parts_the_same_as_at_once(story: list[tuple[int, str, int]]) -> None:
    events = chain(*((float(s), kind, f"p{n}-lost") for s, kind, n in story))
    log = AlarmLog()
    for event in events:
        log.update([event])
    assert counts_of(log, T0, T0 + DAY_US) == counts(events)
