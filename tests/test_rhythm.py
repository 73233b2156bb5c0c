"""The rhythm of the hands: the closed form against an exhaustive search.

No outside figures: a rhythm is right when nothing overlaps, every panel is levelled inside its
flash window, and no other rhythm is shorter. The searches know nothing of the closed form. Worked
times of TRADE (apply 1–2 min, flash 2–5 min, two or three panels in flight) are common practice.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.job.rhythm import Rhythm, Turn, late_if_applied, plan_rhythm, waiting_panels
from tests.job_story import Story, us

if TYPE_CHECKING:
    from collections.abc import Iterator

_SPAN = st.integers(5, 600).map(float)
RHYTHMS = st.builds(
    lambda apply_s, level_s, from_s, longer_s, in_flight: Rhythm(
        apply_s, level_s, from_s, from_s + longer_s, in_flight
    ),
    _SPAN, _SPAN, _SPAN, st.integers(0, 600).map(float), st.integers(1, 4),
)  # fmt: skip


def spans_of(turns: tuple[Turn, ...]) -> list[tuple[float, float]]:
    spans = [(turn.apply_start, turn.apply_end) for turn in turns]
    return sorted([*spans, *((turn.level_start, turn.level_end) for turn in turns)])


def most_in_flight(turns: tuple[Turn, ...]) -> int:
    """Return the most panels covered and not yet being levelled, counted when one is covered."""
    return max(
        sum(one.apply_end <= at.apply_end + 1e-6 and at.apply_end <= one.level_start + 1e-6
            for one in turns)
        for at in turns
    )  # fmt: skip


@given(RHYTHMS, st.integers(1, 22), st.floats(0, 1e5))
def test_hands_never_overlap_and_every_panel_is_levelled_in_its_window(
    rhythm: Rhythm, panels: int, start_s: float
) -> None:
    plan = plan_rhythm(rhythm, panels, start_s)
    assert [turn.panel for turn in plan.turns] == list(range(panels))
    assert plan.turns[0].apply_start == start_s
    assert all(end <= begin + 1e-6 for (_, end), (begin, _) in pairwise(spans_of(plan.turns)))
    for turn in plan.turns:
        assert turn.apply_end - turn.apply_start == pytest.approx(rhythm.apply_s, abs=1e-6)
        assert turn.level_end - turn.level_start == pytest.approx(rhythm.level_s, abs=1e-6)
        wait_s = turn.level_start - turn.apply_end
        assert rhythm.flash_from_s - 1e-6 <= wait_s <= rhythm.flash_to_s + 1e-6
        assert wait_s == pytest.approx(plan.wait, abs=1e-6)
    assert plan.peak == most_in_flight(plan.turns) <= rhythm.in_flight


# Twelve is divisible by 1 to 4, so that with whole minutes every period is whole in twelfths.
_PART = 12


def shortest_period(rhythm: Rhythm) -> int:
    """Return the shortest steady period by trying every period and every moment to level.

    Rhythm and period in whole twelfths. Panel k is covered at k · period and levelled ``delay``
    later; the hands must be free modulo the period.
    """
    apply, level, low, high, most = (round(value) for value in rhythm)
    for period in range(apply + level, low + apply + level + 1):
        for wait in range(low, high + 1):
            begin = (apply + wait) % period
            free = apply <= begin <= period - level
            if free and wait // period + 1 <= most:
                return period
    raise AssertionError("covering and levelling one after the other is always possible")


@settings(max_examples=250, deadline=None)
@given(
    st.integers(1, 9), st.integers(1, 9), st.integers(1, 20), st.integers(0, 12), st.integers(1, 4)
)
def test_no_steady_rhythm_is_shorter(
    apply: int, level: int, low: int, longer: int, in_flight: int
) -> None:
    ends = (low * _PART, (low + longer) * _PART)
    rhythm = Rhythm(apply * _PART, level * _PART, *ends, in_flight)
    assert plan_rhythm(rhythm, 5).period == shortest_period(rhythm)


def orders(panels: int, most: int) -> Iterator[list[tuple[str, int]]]:
    """Yield every order of covering and levelling with at most so many in flight."""

    def more(done: list[tuple[str, int]], flying: list[int]) -> Iterator[list[tuple[str, int]]]:
        covered = sum(act == "apply" for act, _ in done)
        if covered == panels and not flying:
            yield done
        if covered < panels and len(flying) < most:
            yield from more([*done, ("apply", covered)], [*flying, covered])
        for one in flying:
            yield from more([*done, ("level", one)], [f for f in flying if f != one])

    yield from more([], [])


def soonest_end(order: list[tuple[str, int]], rhythm: Rhythm) -> float | None:
    """Return when an order of acts can end at the soonest; None when no times fit it."""
    start = dict.fromkeys(order, 0.0)
    length = {"apply": rhythm.apply_s, "level": rhythm.level_s}
    panels = {panel for _, panel in order}
    for _ in range(2 * len(order) + 2):
        before = dict(start)
        for first, then in pairwise(order):
            start[then] = max(start[then], start[first] + length[first[0]])
        for one in panels:
            covered = ("apply", one)
            end = start[covered] + rhythm.apply_s
            start["level", one] = max(start["level", one], end + rhythm.flash_from_s)
            latest = start["level", one] - rhythm.flash_to_s - rhythm.apply_s
            start[covered] = max(start[covered], latest)
        if start == before:
            return start[order[-1]] + length[order[-1][0]]
    return None


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 6), st.integers(1, 6), st.integers(1, 15), st.integers(0, 10),
    st.integers(1, 3), st.integers(1, 4),
)  # fmt: skip
def test_against_every_order_of_a_few_panels(
    apply: int, level: int, low: int, longer: int, in_flight: int, panels: int
) -> None:
    rhythm = Rhythm(apply, level, low, low + longer, in_flight)
    ends = [soonest_end(order, rhythm) for order in orders(panels, in_flight)]
    best = min(end for end in ends if end is not None)
    ours = plan_rhythm(rhythm, panels).turns[-1].level_end
    # A steady rhythm may lose part of one panel's time at its ends against the best of all orders,
    # and no more than what the window's end forbids it to hold in flight.
    assert best <= ours + 1e-9
    if (in_flight - 1) * (apply + level) <= rhythm.flash_to_s:
        assert ours < best + low + apply + level + max(0, (in_flight - 1) * (apply + level) - low)


def test_three_in_flight_with_five_minutes_of_flash_never_meet_the_levelling() -> None:
    plan = plan_rhythm(Rhythm(90, 60, 300, 420, 3), 16)
    assert (plan.period, plan.wait, plan.peak, plan.why) == (150, 300, 3, "")
    assert all(end <= begin for (_, end), (begin, _) in pairwise(spans_of(plan.turns)))
    assert plan.turns[0] == Turn(0, 0, 90, 390, 450)
    # While panel 0 flashes, 1 and 2 are covered; it is levelled before 3 is begun.
    assert plan.turns[2].apply_end <= plan.turns[0].level_start
    assert plan.turns[0].level_end <= plan.turns[3].apply_start


@pytest.mark.parametrize(
    ("rhythm", "period", "wait", "peak"),
    [
        # flash + apply + level = 8 min shared by 1, 2, 3 in flight
        (Rhythm(120, 60, 300, 400, 1), 480, 300, 1),
        (Rhythm(120, 60, 300, 400, 2), 240, 300, 2),
        (Rhythm(120, 60, 300, 400, 3), 180, 360, 3),
        # the hands need 3 min a panel, however many flash
        (Rhythm(120, 60, 300, 400, 4), 180, 360, 3),
        # 2 · 3 min is past the window's end: one less in flight
        (Rhythm(120, 60, 300, 330, 3), 240, 300, 2),
    ],
)
def test_worked_by_hand(rhythm: Rhythm, period: float, wait: float, peak: int) -> None:
    plan = plan_rhythm(rhythm, 12)
    assert (plan.period, plan.wait, plan.peak) == (period, wait, peak)


def test_it_says_why_not_as_many_as_allowed() -> None:
    assert plan_rhythm(Rhythm(120, 60, 300, 330, 3), 12).why == (
        "with 3 in flight a panel waits 6:00 min, at most 5:30 min is allowed: 2 in flight"
    )
    assert plan_rhythm(Rhythm(120, 60, 300, 900, 4), 12).why == (
        "3 in flight keep the hands busy: 4 would be no faster"
    )


@given(RHYTHMS, st.integers(1, 22))
def test_more_allowed_in_flight_is_never_slower(rhythm: Rhythm, panels: int) -> None:
    one_more = rhythm._replace(in_flight=rhythm.in_flight + 1)
    assert plan_rhythm(one_more, panels).period <= plan_rhythm(rhythm, panels).period


@pytest.mark.parametrize(
    ("rhythm", "panels", "says"),
    [
        (Rhythm(0, 60, 120, 300, 2), 5, "above 0"),
        (Rhythm(90, float("nan"), 120, 300, 2), 5, "above 0"),
        (Rhythm(90, 60, 0, 300, 2), 5, "above 0"),
        (Rhythm(90, 60, 300, 120, 2), 5, "flash is 300 to 120 s"),
        (Rhythm(90, 60, 120, 300, 0), 5, "in flight is 0"),
        (Rhythm(90, 60, 120, 300, 2), -1, "panels -1"),
    ],
)
def test_what_cannot_be_is_said(rhythm: Rhythm, panels: int, says: str) -> None:
    with pytest.raises(InputError, match=says):
        plan_rhythm(rhythm, panels)


class TestLateIfApplied:
    """Would covering another one now keep the hands from levelling in time?"""

    RHYTHM = Rhythm(90, 60, 120, 300, 3)

    def story(self) -> Story:
        story = Story(panels=("Bonnet", "Roof", "Boot", "Sill"), in_flight=3)
        story.through("coating")
        return story

    def late(self, story: Story, at_s: float, rhythm: Rhythm = RHYTHM) -> str | None:
        """Return the panel that would be too late: empty for the new one, None for nobody."""
        found = late_if_applied(waiting_panels(story.job()), us(at_s), rhythm)
        return None if found is None else found.panel

    def test_nothing_in_flight(self) -> None:
        assert self.late(self.story(), 500) is None

    def test_until_the_covering_would_run_past_the_end_of_a_window(self) -> None:
        story = self.story()
        story.apply(500, "bonnet")  # to be levelled by 800
        assert self.late(story, 710) is None
        assert self.late(story, 711) == "bonnet"

    def test_two_in_flight_are_levelled_one_after_the_other(self) -> None:
        story = self.story()
        story.apply(500, "bonnet")
        story.apply(501, "roof")  # by 801, after the bonnet: hands free at 741 at the latest
        assert self.late(story, 651) is None
        assert self.late(story, 652) == "roof"

    def test_an_overdue_one_comes_first(self) -> None:
        story = self.story()
        story.apply(500, "bonnet")
        assert self.late(story, 801) == "bonnet"

    def test_a_panel_that_would_itself_be_too_late(self) -> None:
        story = self.story()
        story.apply(500, "bonnet")
        # Covered until 790, due by 890; the hands level the bonnet from 790 to 990.
        assert self.late(story, 780, Rhythm(10, 200, 5, 100, 3)) == ""
