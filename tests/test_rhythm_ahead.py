"""Order and spacing of the panels that are left, from wherever the hands stand.

Held to what must be true of any such order, and to the steady rhythm of ``plan_rhythm``, which
``test_rhythm.py`` holds against an exhaustive search.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from envmon.job.ahead import Start, Stroke, strokes, strokes_left
from envmon.job.rhythm import Rhythm, Waiting, first_late, plan_rhythm
from tests.job_story import Story, us
from tests.test_rhythm import RHYTHMS

if TYPE_CHECKING:
    from collections.abc import Sequence

SECOND = 1_000_000


def from_nothing(rhythm: Rhythm, panels: int) -> tuple[Stroke, ...]:
    return strokes(Start(0, (), [f"p{n}" for n in range(panels)]), rhythm)


def ensure_sound(
    done: Sequence[Stroke], waiting: Sequence[Waiting], rhythm: Rhythm, now_us: int
) -> None:
    """Assert that nothing overlaps, no window is missed, and no more fly than may."""
    windows = {one.panel: (one.from_us, one.to_us) for one in waiting}
    flying = set(windows)
    assert all(stroke.from_us >= now_us for stroke in done)
    assert all(first.to_us <= then.from_us for first, then in pairwise(done))
    for stroke in done:
        if stroke.act == "apply":
            flying.add(stroke.panel)
            assert len(flying) <= max(rhythm.in_flight, len(waiting))
            ends = (rhythm.flash_from_s, rhythm.flash_to_s)
            low, high = (stroke.to_us + round(end * SECOND) for end in ends)
            windows[stroke.panel] = (low, high)
        else:
            flying.remove(stroke.panel)
            low, high = windows[stroke.panel]
            assert low <= stroke.from_us <= high
    assert not flying


@settings(max_examples=200, deadline=None)
@given(RHYTHMS, st.integers(1, 22))
def test_from_the_first_panel_nothing_overlaps_and_no_window_is_missed(
    rhythm: Rhythm, panels: int
) -> None:
    done = from_nothing(rhythm, panels)
    assert [s.panel for s in done if s.act == "apply"] == [f"p{n}" for n in range(panels)]
    assert len(done) == 2 * panels
    ensure_sound(done, (), rhythm, 0)


@settings(max_examples=200, deadline=None)
@given(
    RHYTHMS,
    st.lists(st.tuples(st.integers(0, 600), st.integers(0, 300)), max_size=4),
    st.integers(0, 20),
)
def test_from_any_moment_at_which_those_in_flight_can_still_be_levelled(
    rhythm: Rhythm, flying: list[tuple[int, int]], panels: int
) -> None:
    now_us = us(0)
    waiting = [
        Waiting(f"w{n}", us(low), us(low + longer)) for n, (low, longer) in enumerate(flying)
    ]
    assume(first_late(waiting, now_us, round(rhythm.level_s * SECOND)) is None)
    start = Start(now_us, waiting, [f"p{n}" for n in range(panels)])
    ensure_sound(strokes(start, rhythm), waiting, rhythm, now_us)


@settings(max_examples=200, deadline=None)
@given(RHYTHMS, st.integers(1, 22))
def test_hardly_slower_than_the_steady_rhythm_where_a_panel_takes_long_to_cover(
    rhythm: Rhythm, panels: int
) -> None:
    # What is due is levelled before one more is covered, even where the other way round would be
    # quicker. In 20 000 random cases that cost time in one, 2.7 %; where levelling takes longer
    # than covering it can cost more, and this does not hold.
    assume(rhythm.apply_s >= rhythm.level_s)
    steady = plan_rhythm(rhythm, panels).turns[-1].level_end
    assert from_nothing(rhythm, panels)[-1].to_us <= round(1.05 * steady * SECOND)


@pytest.mark.parametrize("panels", [1, 7, 16])
def test_with_five_minutes_to_the_second_and_three_in_flight_it_is_the_steady_rhythm(
    panels: int,
) -> None:
    rhythm = Rhythm(90, 60, 300, 300, 3)
    plan = plan_rhythm(rhythm, panels)
    turns = [
        *(Stroke("apply", f"p{t.panel}", round(t.apply_start * SECOND), round(t.apply_end * SECOND))
          for t in plan.turns),
        *(Stroke("level", f"p{t.panel}", round(t.level_start * SECOND), round(t.level_end * SECOND))
          for t in plan.turns),
    ]  # fmt: skip
    assert list(from_nothing(rhythm, panels)) == sorted(turns, key=lambda s: s.from_us)


def test_what_is_due_is_levelled_first_and_the_rest_follows_in_the_order_of_work() -> None:
    story = Story(panels=("Bonnet", "Roof", "Boot"), in_flight=2)
    story.through("coating")
    story.apply(500, "roof")  # due from 620
    done = strokes_left(story.job(), us(640), Rhythm(90, 60, 120, 300, 2))
    assert [(s.act, s.panel) for s in done] == [
        ("level", "roof"), ("apply", "bonnet"), ("apply", "boot"), ("level", "bonnet"),
        ("level", "boot"),
    ]  # fmt: skip
    assert done[0].from_us == us(640)


def test_the_turn_of_the_next_panel_counts_from_when_the_last_was_begun() -> None:
    story = Story(panels=("Bonnet", "Roof"), in_flight=2)
    story.through("coating")
    story.apply(500, "bonnet")  # begun at 410, flashes from 620 to 800
    # The window ends as it begins, so the rhythm must be steady: (120 + 90 + 60) / 2 = 135 s,
    # but the hands alone need 150 s a panel: then one at a time, 270 s apart.
    rhythm = Rhythm(90, 60, 120, 120, 2)
    assert plan_rhythm(rhythm, 2).period == 270
    done = strokes_left(story.job(), us(510), rhythm)
    assert [(s.act, s.panel, s.from_us) for s in done] == [
        ("apply", "roof", us(510)), ("level", "bonnet", us(620)), ("level", "roof", us(720)),
    ]  # fmt: skip
