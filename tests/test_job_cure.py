"""The cure: milestones in hours in window, words, temperature-weighted hours, wet risk.

An hour to rain-safe, 8 h and 12 h, and a doubling per 10 K are common practice (TRADE); the 3 K
rule is from ISO 12944-7 and ISO 8502-4 (from memory). Weighted hours are held to the integral of
2^((T-20)/10) in closed form.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import iso_from_us
from envmon.job.cure import (
    cure_now,
    cure_state,
    morning_summary,
    reached_us,
    temperature_weighted_h,
    wet_risk,
)
from envmon.job.model import Break, Cure
from tests.job_story import Story, us

if TYPE_CHECKING:
    from envmon.job.live import CureState
    from envmon.units import UnitSystem

OSLO = "Europe/Oslo"
S = "\u202f"
LIMITS = {
    "cure": [
        {"quantity": "air_temp_c", "low": 15, "high": 25, "source": ""},
        {"quantity": "rel_hum_pct", "low": None, "high": 65, "source": ""},
        {"quantity": "dew_margin_k", "low": 3, "high": None, "source": ""},
    ]
}


def cured(*windows: tuple[float, str], coat: dict[str, object] | None = None) -> Story:
    """Return a story whose last panel was levelled at second 300 (09:05), in a fit window."""
    story = Story(panels=("Hull",), coat=coat)
    story.events[0].data["limits"] = LIMITS
    story.window(0, "fit")
    story.through("coating")
    story.apply(100, "hull")
    story.level(300, "hull")
    for hours, fitness in windows:
        story.window(300 + hours * 3_600, fitness)
    return story


def state(story: Story, hours: float, units: UnitSystem = "metric") -> CureState:
    """Return the cure so many hours after the last panel was levelled."""
    found = cure_state(story.job(), us(300 + hours * 3_600), OSLO, units)
    assert found is not None
    return found


class TestMilestones:
    def test_by_common_practice_where_the_sheet_says_nothing(self) -> None:
        marks = state(cured(), 0.5).milestones
        assert [(m.name, m.need_s / 3_600, m.left_s / 3_600, m.source) for m in marks] == [
            ("rain-safe", 1, 0.5, "common practice"),
            ("full cure", 8, 7.5, "common practice"),
            ("overnight", 12, 11.5, "common practice"),
        ]
        assert [m.at for m in marks] == [iso_from_us(us(300 + h * 3_600)) for h in (1, 8, 12)]

    def test_the_sheets_word_goes_first_with_its_source(self) -> None:
        coat = {"name": "Coat", "source": "Coat sheet", "rain_safe": 7_200.0, "full_cure": None}
        marks = state(cured(coat=coat), 0).milestones
        assert [(m.need_s, m.source) for m in marks] == [
            (7_200, "Coat sheet"), (28_800, "common practice"), (43_200, "common practice"),
        ]  # fmt: skip

    def test_time_outside_and_not_known_puts_them_off(self) -> None:
        story = cured((2, "unfit"), (3, "unknown"), (3.5, "fit"))
        marks = {m.name: m for m in state(story, 5).milestones}
        assert marks["rain-safe"].left_s == 0
        assert marks["rain-safe"].at == iso_from_us(us(300 + 3_600))
        assert marks["full cure"].left_s == (8 - 3.5) * 3_600
        assert marks["full cure"].at == iso_from_us(us(300 + (8 + 1.5) * 3_600))

    @pytest.mark.parametrize("fitness", ["unfit", "unknown"])
    def test_while_it_does_not_hold_nobody_can_say_when(self, fitness: str) -> None:
        marks = {m.name: m for m in state(cured((2, fitness)), 5).milestones}
        assert marks["rain-safe"].at is not None
        assert (marks["full cure"].at, marks["full cure"].left_s) == (None, 6 * 3_600)

    def test_marginal_counts_as_in_window(self) -> None:
        assert state(cured((2, "marginal")), 8).milestones[1].left_s == 0

    @given(
        st.lists(st.tuples(st.integers(1, 9_000), st.sampled_from(["fit", "unfit", "unknown"])),
                 max_size=8),
        st.integers(0, 50_000),
    )  # fmt: skip
    def test_a_mark_said_for_later_is_kept_when_the_window_holds(
        self, turns: list[tuple[int, str]], need_s: int
    ) -> None:
        story, at_s = cured(), 300
        for after_s, fitness in turns:
            at_s += after_s
            story.window(at_s, fitness)
        cure = cure_now(story.job(), us(at_s))
        assert cure is not None
        reached = reached_us(cure, need_s * 1_000_000)
        if reached is None:
            assert cure.inside_us < need_s * 1_000_000
            return
        # Looked at then, or cut back to then, exactly what was needed is gathered.
        if reached >= cure.at_us:
            later = cure_now(story.job(), reached)
            assert later is not None
            assert later.inside_us == need_s * 1_000_000
        else:
            gone = sum(min(one.to_us or reached, reached) - one.from_us
                       for one in cure.breaks if one.from_us < reached)  # fmt: skip
            assert reached - cure.since_us - gone == need_s * 1_000_000


class TestWords:
    def test_it_held(self) -> None:
        assert state(cured(), 5.2).text == f"Held: 5{S}h{S}12{S}min in window"

    def test_it_is_out_now_and_since_when_and_what_it_needs(self) -> None:
        text = state(cured((2, "unfit")), 2.5).text
        assert text == (
            f"OUT OF WINDOW since 11:05: needs air 15.0–25.0 °C, humidity at most "
            f"65 %, panel above dew point at least 3.0 K. 2{S}h{S}00{S}min in window"
        )
        assert "59.0–77.0 °F" in state(cured((2, "unfit")), 2.5, "us").text

    def test_it_is_not_known_now(self) -> None:
        assert state(cured((2, "unknown")), 2.5).text == (
            f"NOT KNOWN since 11:05, not counted. 2{S}h{S}00{S}min in window"
        )

    def test_it_was_broken_and_holds_again(self) -> None:
        story = cured((2, "unfit"), (2.5, "unknown"), (2.75, "fit"))
        assert state(story, 4).text == (
            f"3{S}h{S}15{S}min in window, 30{S}min outside, 15{S}min not known"
        )
        assert state(story, 4).breaks == 2

    def test_spans_add_up_to_the_clock(self) -> None:
        found = state(cured((2, "unfit"), (2.5, "unknown"), (2.75, "fit")), 4)
        assert found.clock_s == 4 * 3_600
        assert found.inside_s + found.outside_s + found.unknown_s == found.clock_s

    def test_no_cure_before_every_panel_is_levelled(self) -> None:
        job = Story().job()
        assert cure_state(job, us(10), OSLO, "metric") is None
        assert morning_summary(job, us(10), OSLO, "metric") == (
            "No cure yet: not every panel is levelled."
        )

    def test_after_the_hand_over_it_counts_no_more(self) -> None:
        story = cured()
        story.tell(300 + 7_200, "job_closed", reason="")
        assert state(story, 50).clock_s == 7_200

    def test_summary_of_a_night_that_held(self) -> None:
        assert morning_summary(cured().job(), us(300 + 10 * 3_600), OSLO, "metric") == (
            f"Last panel levelled 09:05. Held: 10{S}h{S}00{S}min in window. Rain-safe since 10:05; "
            f"full cure since 17:05; overnight 21:05 if it holds (2{S}h{S}00{S}min to go)."
        )

    def test_summary_of_a_night_that_did_not(self) -> None:
        story = cured((2, "unfit"), (3, "fit"), (5, "unknown"))
        text = morning_summary(story.job(), us(300 + 6 * 3_600), OSLO, "metric")
        assert "11:05–12:05 outside; 14:05–now not known." in text
        assert f"full cure: 4{S}h{S}00{S}min missing, and the window does not hold" in text

    def test_summary_of_many_breaks_names_the_longest(self) -> None:
        turns = [(n * 0.5 + (0.25 if n % 2 else 0), "fit" if n % 2 else "unfit")
                 for n in range(2, 20)]  # fmt: skip
        story = cured(*turns)
        text = morning_summary(story.job(), us(300 + 10 * 3_600), OSLO, "metric")
        assert text.count("outside;") == 4
        assert "; 5 shorter." in text

    def test_summary_of_a_vehicle_handed_over_too_early(self) -> None:
        story = cured()
        story.tell(300 + 7_200, "job_closed", reason="owner needs it")
        text = morning_summary(story.job(), us(90_000), OSLO, "metric")
        marks = state(story, 20).milestones
        assert [mark.at for mark in marks] == [iso_from_us(us(300 + 3_600)), None, None]
        assert f"Rain-safe since 10:05; full cure: 6{S}h{S}00{S}min missing at hand-over" in text

    def test_the_screen_has_the_summary_too(self) -> None:
        story = cured((2, "unfit"))
        assert state(story, 3).summary == morning_summary(
            story.job(), us(300 + 3 * 3_600), OSLO, "metric"
        )

    def test_local_times_follow_the_shops_zone(self) -> None:
        story = cured((2, "unknown"))
        found = cure_state(story.job(), us(9_000), "America/Anchorage", "metric")
        assert found is not None
        assert "since 01:05" in found.text  # nine hours behind UTC in January


class TestWeightedHours:
    def test_an_hour_at_20_is_one_at_30_two_at_10_a_half(self) -> None:
        t_us = np.arange(0, 3_601, 60) * 1_000_000
        for temp_c, hours in ((20.0, 1.0), (30.0, 2.0), (10.0, 0.5)):
            assert temperature_weighted_h(t_us, np.full(61, temp_c)) == pytest.approx(hours)

    def test_a_ramp_equals_the_integral_in_closed_form(self) -> None:
        # ∫ 2^((T0+kt-20)/10) dt = (rate(end) - rate(start)) · 10 / (k ln 2)
        t_s = np.arange(0, 4 * 3_600 + 1, 30)
        temp_c = 15 + 2.5 * t_s / 3_600
        rate = np.exp2((temp_c - 20) / 10)
        exact = (rate[-1] - rate[0]) * 10 / (2.5 * math.log(2))
        assert temperature_weighted_h(t_s * 1_000_000, temp_c) == pytest.approx(exact, rel=1e-6)

    def test_gaps_and_unknown_values_count_nothing(self) -> None:
        t_s = np.array([0, 300, 600, 4_000, 4_300, 4_600, 4_900])
        temp_c = np.array([20, 20, 20, 20, np.nan, 20, 20.0])
        assert temperature_weighted_h(t_s * 1_000_000, temp_c) == pytest.approx(900 / 3_600)
        assert temperature_weighted_h(t_s * 1_000_000, temp_c, 4_000) == pytest.approx(
            4_300 / 3_600
        )

    @pytest.mark.parametrize("times", [[], [5_000_000]])
    def test_nothing_to_count_is_zero(self, times: list[int]) -> None:
        assert temperature_weighted_h(times, [20.0] * len(times)) == 0

    @given(
        st.lists(st.tuples(st.integers(1, 600), st.floats(-20, 40)), min_size=2, max_size=40),
        st.integers(0, 40),
    )
    def test_two_parts_add_up_and_warmer_is_never_less(
        self, steps: list[tuple[int, float]], cut: int
    ) -> None:
        t_us = np.cumsum([after_s for after_s, _ in steps]) * 1_000_000
        temp_c = np.array([temp for _, temp in steps])
        whole = temperature_weighted_h(t_us, temp_c)
        at = min(cut, len(steps) - 1)
        parts = temperature_weighted_h(t_us[: at + 1], temp_c[: at + 1])
        parts += temperature_weighted_h(t_us[at:], temp_c[at:])
        assert whole == pytest.approx(parts)
        assert temperature_weighted_h(t_us, temp_c + 1) > whole


class TestWetRisk:
    @pytest.mark.parametrize(
        ("margins", "level", "lowest", "text"),
        [
            ([5.0, 3.0, 4.0], "none", 3.0, "Dry: panel 3.0 K above dew point"),
            ([5.0, 2.9], "low", 2.9, "Margin small: panel 2.9 K above dew point"),
            ([5.0, 0.9], "near", 0.9, "Close to wet: panel 0.9 K above dew point"),
            ([5.0, 0.0], "wet", 0.0, "WET: panel 0.0 K above dew point"),
            ([5.0, -0.4], "wet", -0.4, "WET: panel 0.4 K below dew point"),
            (
                [None, 5.0],
                "unknown",
                5.0,
                "Wet risk not known for a part: panel 5.0 K above dew point",
            ),
            ([math.nan, 0.5], "near", 0.5, "Close to wet: panel 0.5 K above dew point"),
            ([], "unknown", None, "Wet risk not known: no panel margin"),
            ([None, math.nan], "unknown", None, "Wet risk not known: no panel margin"),
        ],
    )
    def test_levels(
        self, margins: list[float | None], level: str, lowest: float | None, text: str
    ) -> None:
        risk = wet_risk(margins)
        assert (risk.level, risk.lowest_k, risk.text) == (level, lowest, text)

    def test_in_us_units_a_difference_has_no_offset(self) -> None:
        # 3 K is 5.4 °F
        assert wet_risk([3.0], "us").text == "Dry: panel 5.4 °F above dew point"

    @given(st.lists(st.one_of(st.none(), st.floats(-5, 10)), min_size=1))
    def test_what_is_not_known_is_never_dry(self, margins: list[float | None]) -> None:
        risk = wet_risk(margins)
        assert risk.unknown == margins.count(None)
        if risk.unknown:
            assert risk.level != "none"


def test_a_mark_in_the_middle_of_a_break_is_reached_after_it() -> None:
    # An hour in, an hour out, an hour in: 90 minutes are gathered half an hour after the break.
    cure = Cure(us(0), us(10_800), 7_200_000_000, 3_600_000_000, 0, "fit",
                (Break(us(3_600), us(7_200), "unfit"),))  # fmt: skip
    assert reached_us(cure, 3_600_000_000) == us(3_600)
    assert reached_us(cure, 5_400_000_000) == us(9_000)
    assert reached_us(cure, 9_000_000_000) == us(12_600)
