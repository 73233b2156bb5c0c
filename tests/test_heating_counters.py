"""A meter gives back what was truly used, through roll-over, resets, swaps, gaps and faults."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import DAY_US, HOUR_US, MINUTE_US
from envmon.heating.counters import used
from envmon.heating.model import Counter

if TYPE_CHECKING:
    from envmon.heating.model import Floats, Ints

DAYS, EVERY_MIN = 5, 5
STEPS = DAYS * 1440 // EVERY_MIN
T_US: Ints = np.arange(STEPS + 1, dtype=np.int64) * EVERY_MIN * MINUTE_US
EDGES: Ints = np.arange(DAYS + 1, dtype=np.int64) * DAY_US
A_DAY = 1440 // EVERY_MIN

seeds = st.integers(0, 10_000)
places = st.integers(A_DAY, STEPS - A_DAY)


def burnt(seed: int) -> Floats:
    """Return what is used in each step [m³]: a burner in cycles, idle at times, in 10 l pulses."""
    draw = np.random.default_rng(seed)
    level = np.repeat(draw.uniform(0.0, 1.0, DAYS * 24), 60 // EVERY_MIN)
    burns = draw.random(STEPS) < 0.2 + 0.6 * level
    burnt_m3: Floats = np.round(burns * draw.uniform(0, 0.25, STEPS), 2)
    return burnt_m3


def shown(seed: int, start: float = 4_711.0) -> Floats:
    value: Floats = np.round(start + np.concatenate(([0.0], np.cumsum(burnt(seed)))), 2)
    return value


def true_days(seed: int) -> Floats:
    days: Floats = burnt(seed).reshape(DAYS, A_DAY).sum(axis=1)
    return days


def meter(value: Floats, t_us: Ints = T_US) -> Counter:
    return Counter("fuel_m3", t_us, value)


@given(seeds)
def test_days_are_what_was_used(seed: int) -> None:
    use = used(meter(shown(seed)), EDGES)
    assert use.amount == pytest.approx(true_days(seed), abs=1e-6)
    assert use.known.all()
    assert (use.gaps, use.notes) == ((), ())


@given(seeds, st.lists(st.integers(1, DAYS * 1440 - 1), min_size=1, max_size=20, unique=True))
def test_amounts_add_up_to_the_span_s_for_any_edges(seed: int, minutes: list[int]) -> None:
    inner = np.array(sorted(minutes), dtype=np.int64) * MINUTE_US
    edges = np.concatenate(([0], inner, [DAYS * DAY_US]))
    use = used(meter(shown(seed)), edges)
    assert (use.amount >= -1e-9).all()
    assert use.amount.sum() == pytest.approx(burnt(seed).sum(), abs=1e-6)


@given(seeds, places, st.sampled_from([1e3, 1e4, 1e5]))
def test_roll_over_is_counted_through(seed: int, place: int, register: float) -> None:
    """The register goes round at the end of a step that used something."""
    true = shown(seed, 0.0)
    start = register - true[place] - 0.004
    value = np.round((start + true) % register, 2) % register
    use = used(meter(value), EDGES)
    assert use.amount == pytest.approx(true_days(seed), abs=0.03)
    assert use.known.all()
    assert len(use.notes) == 1
    assert "went round its register" in use.notes[0].text


@given(seeds, places)
def test_reset_loses_no_more_than_a_step(seed: int, place: int) -> None:
    value = shown(seed)
    value[place:] -= value[place]
    use = used(meter(value), EDGES)
    lost = true_days(seed) - use.amount
    assert lost.sum() == pytest.approx(burnt(seed)[place - 1], abs=1e-6)
    assert (lost > -1e-6).all()
    assert use.known.all()
    assert ["began again" in note.text for note in use.notes] == [True]
    assert use.notes[0].at_us == T_US[place]


@given(seeds, places, st.floats(60, 4_000), st.integers(0, 3 * 12))
def test_another_meter_leaves_its_gap_unknown(
    seed: int, place: int, other: float, out_steps: int
) -> None:
    """A meter is taken out and a used one with any count below put in, some time later."""
    value = shown(seed)
    value[place:] += round(other, 2) - value[place]
    there = np.ones(STEPS + 1, bool)
    there[place - out_steps : place] = False
    use = used(meter(value[there], T_US[there]), EDGES)
    before = burnt(seed)[place - out_steps - 1 : place].sum()
    assert use.amount.sum() == pytest.approx(burnt(seed).sum() - before, abs=1e-6)
    assert ["was changed" in note.text for note in use.notes] == [True]
    if out_steps > 1:
        assert not use.known.all()
        assert [gap.amount for gap in use.gaps] == [None]
    else:
        assert use.known.all()


@given(seeds, st.integers(0, DAYS - 1), st.integers(1, A_DAY - 2), st.integers(1, A_DAY))
def test_gap_within_a_day_costs_nothing(seed: int, day: int, first: int, count: int) -> None:
    last = min(first + count, A_DAY - 1)
    there = np.ones(STEPS + 1, bool)
    there[day * A_DAY + first : day * A_DAY + last] = False
    use = used(meter(shown(seed)[there], T_US[there]), EDGES)
    assert use.amount == pytest.approx(true_days(seed), abs=1e-6)
    assert use.known.all()


@given(seeds, st.integers(2, DAYS - 2), st.integers(13, A_DAY - 1), st.integers(13, 2 * A_DAY - 1))
def test_gap_over_midnight_is_known_as_a_whole_only(
    seed: int, day: int, before: int, after: int
) -> None:
    first, last = day * A_DAY - before, min(day * A_DAY + after, STEPS)
    there = np.ones(STEPS + 1, bool)
    there[first + 1 : last] = False
    use = used(meter(shown(seed)[there], T_US[there]), EDGES)
    in_gap = burnt(seed)[first:last].sum()
    silent = np.bincount(np.arange(first, last) // A_DAY, minlength=DAYS) * EVERY_MIN
    touched = silent > 10  # minutes: less is not worth a word
    known = np.nansum(use.amount)
    if in_gap == 0:
        assert use.known.all()
        return
    assert (use.known == ~touched).all()
    assert known + in_gap == pytest.approx(burnt(seed).sum(), abs=1e-6)
    (gap,) = use.gaps
    assert (gap.from_us, gap.to_us) == (T_US[first], T_US[last])
    assert gap.amount == pytest.approx(in_gap, abs=1e-6)
    whole = silent == 0
    assert use.amount[whole] == pytest.approx(true_days(seed)[whole], abs=1e-6)


@given(seeds, places, st.integers(1, 8), st.sampled_from([0.0, 4_000.0, 99_999.0, 1e9]))
def test_wrong_readings_are_left_out(seed: int, place: int, count: int, wrong: float) -> None:
    value = shown(seed)
    value[place : place + count] = wrong
    use = used(meter(value), EDGES)
    assert use.amount == pytest.approx(true_days(seed), abs=0.6)
    assert use.amount.sum() == pytest.approx(burnt(seed).sum(), abs=1e-6)
    assert ["left out" in note.text for note in use.notes] == [True]


@given(seeds, places, st.floats(0.01, 3.0))
def test_correction_counts_once_the_meter_is_above_again(
    seed: int, place: int, back: float
) -> None:
    value = shown(seed)
    value[place:] -= round(back, 2) + burnt(seed)[place - 1]
    use = used(meter(value), EDGES)
    assert use.amount.sum() == pytest.approx(np.maximum.accumulate(value)[-1] - value[0], abs=1e-6)
    assert (use.amount >= 0).all()
    assert use.amount.sum() <= burnt(seed).sum() + 1e-6
    assert ["stepped back" in note.text for note in use.notes] == [True]


@given(
    seeds,
    st.lists(st.tuples(places, st.floats(0, 9_000)), max_size=4),
    st.lists(st.tuples(places, st.integers(1, 300)), max_size=3),
)
def test_whatever_happens_days_and_gaps_add_up_to_the_span(
    seed: int, changes: list[tuple[int, float]], gaps: list[tuple[int, int]]
) -> None:
    """Meters changed up and down at any time, and gaps anywhere."""
    value, there = shown(seed), np.ones(STEPS + 1, bool)
    for place, other in sorted(changes):
        value[place:] += round(other, 2) - value[place]
    for first, count in gaps:
        there[first : first + count] = False
    counter = meter(value[there], T_US[there])
    use, whole = used(counter, EDGES), used(counter, EDGES[[0, -1]])
    assert not (use.amount < 0).any()
    assert ((use.share >= 0) & (use.share <= 1 + 1e-12)).all()
    over_edges = sum(
        gap.at_least for gap in use.gaps if ((gap.from_us < EDGES) & (gap.to_us > EDGES)).any()
    )
    assert np.nansum(use.amount) + over_edges == pytest.approx(whole.amount[0], abs=1e-6)
    assert use.notes == whole.notes


def test_monthly_readings_by_hand_are_a_gap_each() -> None:
    """Readings at the first of the month, some hours late: a day is not known, a month is."""
    month_us = 30 * DAY_US
    t_us = np.arange(4, dtype=np.int64) * month_us + 10 * HOUR_US
    counter = meter(np.array([100.0, 380.0, 731.0, 1_002.0]), t_us)
    days = used(counter, np.arange(91, dtype=np.int64) * DAY_US)
    assert np.isnan(days.amount).all()
    assert [gap.amount for gap in days.gaps] == [280.0, 351.0, 271.0]
    months = used(counter, np.arange(1, 4, dtype=np.int64) * month_us, across_us=35 * DAY_US)
    assert months.known.all()
    assert months.amount == pytest.approx([349.6, 272.1], rel=0.01)


def test_too_little_is_nothing_known() -> None:
    none = used(meter(np.empty(0), np.empty(0, np.int64)), EDGES)
    one = used(meter(np.array([5.0]), T_US[:1]), EDGES)
    for use in (none, one):
        assert np.isnan(use.amount).all()
        assert not use.known.any()


def test_order_and_doubles_do_not_matter() -> None:
    value = shown(3)
    twice = np.concatenate([np.arange(STEPS + 1)[::-1], np.arange(0, STEPS, 7)])
    use = used(meter(value[twice], T_US[twice]), EDGES)
    assert use.amount == pytest.approx(true_days(3), abs=1e-6)
