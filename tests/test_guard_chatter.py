"""A bay that is taken out of its limits and back without end: told worse at once, better in turn.

The measure (ten at once, then one a minute) is envmon's own. That a chattering alarm is to be held,
not repeated: ISA-18.2 (from memory).
"""

from __future__ import annotations

import msgspec
import pytest

from envmon.facts import CURE_FITNESS, Reading
from envmon.guard.alarm_acts import CLEARED, RAISED
from envmon.guard.chatter import AT_ONCE, EVERY_US
from envmon.guard.engine import step
from envmon.guard.judging import TOLD
from envmon.guard.state import Finding, GuardState
from tests.guard_support import SHOP, Bench, reading, seconds_of, us

HASTY = SHOP.replace("on_delay = 30", "on_delay = 0")
"""The panel's limit (10 to 35 °C) raises and clears without any delay."""
FIRST_S = 50


def at_work() -> Bench:
    """Return a bay that polishes and is well."""
    bench = Bench(HASTY)
    bench.all_well(0)
    bench.start("polish", 2)
    bench.findings.clear()
    return bench


def flips(from_s: int, to_s: int, *, air: bool = False) -> list[Reading]:
    """Return readings, one a second, of a panel that leaps out of its limit and back.

    Args:
        from_s: The first second, from ``FIRST_S`` on.
        to_s: Behind the last one.
        air: The air leaps with it.
    """
    found = []
    for at_s in range(from_s, to_s):
        out = (at_s - FIRST_S) % 2 == 0
        found.append(reading("panel", "panel_temp_c", 45.0 if out else 20.0, at_s))
        if air or at_s % 20 == 0:
            warm = 45.0 if out and air else 21.0
            found += [reading(point, "air_temp_c", warm, at_s) for point in ("air-a", "air-b")]
            found.append(reading("air-a", "rel_hum_pct", 45.0, at_s))
    return found


def told(findings: list[Finding], kind: str = TOLD) -> list[tuple[int, str]]:
    return [(one.at_us, one.data["fitness"]) for one in findings if one.kind == kind]


def test_ten_at_once_then_one_a_minute_however_fast_it_flips() -> None:
    bench = at_work()
    bench.take(flips(FIRST_S, 3_600 + FIRST_S))
    good = [fitness for _, fitness in told(bench.findings) if fitness != "unfit"]
    assert AT_ONCE + 58 <= len(good) <= AT_ONCE + 60
    assert len(told(bench.findings)) <= 2 * len(good) + 1
    cleared = seconds_of(bench.findings, CLEARED)
    assert AT_ONCE + 58 <= len(cleared) <= AT_ONCE + 60
    assert len(seconds_of(bench.findings, RAISED)) <= len(cleared) + 1


def test_what_was_left_out_is_counted() -> None:
    bench = at_work()
    bench.take(flips(FIRST_S, 600 + FIRST_S))
    counts = [one.data.get("left_out", 0) for one in bench.findings if one.kind == TOLD]
    assert counts[: 2 * AT_ONCE] == [0] * 2 * AT_ONCE
    assert sum(counts) + len(counts) + bench.state.bays["one"].untold == 600
    assert max(counts) > 30


def test_the_worse_is_told_at_once_also_when_the_measure_is_spent() -> None:
    bench = at_work()
    bench.take(flips(FIRST_S, 70 + FIRST_S))
    for at_s in range(121, 281, 20):
        bench.all_well(at_s)
    bench.take(flips(282, 300))
    for at_s in (320, 340, 360):
        bench.all_well(at_s)
    bench.findings.clear()
    bench.panel(45.0, 362)
    assert seconds_of(bench.findings, RAISED) == [362]
    assert told(bench.findings) == [(us(362), "unfit")]


def test_the_good_news_comes_by_itself_at_its_time_and_the_alarm_ends_then() -> None:
    """Out and back eleven times from second 50 on: the eleventh return waits for its minute."""
    bench = at_work()
    bench.take(flips(FIRST_S, 22 + FIRST_S))
    assert seconds_of(bench.findings, CLEARED) == [51 + 2 * n for n in range(AT_ONCE)]
    bench.findings.clear()
    due_us = us(51) + EVERY_US
    state, before = step(bench.plan, bench.state, [], [], due_us - 1)
    assert before == []
    _, then = step(bench.plan, state, [], [], due_us)
    assert [one.at_us for one in then if one.kind == CLEARED] == [due_us]
    assert told(then) == [(due_us, "fit")]
    assert [one.data["left_out"] for one in then if one.kind == TOLD] == [1]


@pytest.mark.parametrize("cut_s", [57, 95, 250])
def test_the_answer_is_the_same_after_a_restart_and_however_it_is_cut(cut_s: int) -> None:
    whole, parts, single = at_work(), at_work(), at_work()
    whole.take(flips(FIRST_S, 300))
    parts.take(flips(FIRST_S, cut_s))
    parts.state = msgspec.json.decode(msgspec.json.encode(parts.state), type=GuardState)
    parts.take(flips(cut_s, 300))
    for at_s in range(FIRST_S, 300):
        single.take(flips(at_s, at_s + 1))
    assert parts.findings == whole.findings == single.findings
    assert parts.state == whole.state == single.state
    assert whole.state.bays["one"].eased
    assert "eased" in msgspec.json.decode(msgspec.json.encode(whole.state))["bays"]["one"]


def test_a_new_stage_begins_with_all_it_may_have() -> None:
    bench = at_work()
    bench.take(flips(FIRST_S, 90))
    assert bench.state.bays["one"].eased
    bench.start("polish", 100)
    assert not bench.state.bays["one"].eased


def test_a_cure_counts_no_time_that_was_not_told_good() -> None:
    """Its window closes at once and opens in turn: what flips counts less, never more."""
    bench = at_work()
    bench.state.bays["one"].cures = "early_cure"
    bench.take(flips(FIRST_S, 600 + FIRST_S, air=True))
    found = told(bench.findings, CURE_FITNESS)
    good = [at_us for at_us, fitness in found if fitness in ("fit", "marginal")]
    assert AT_ONCE <= len(good) <= AT_ONCE + 10
    assert len(found) <= 2 * len(good) + 2
