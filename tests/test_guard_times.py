"""Exact edges in value and time: thresholds, deadband, margin, settle, delays, silence.

The numbers are those of the shop file in guard_support; what must follow from them is worked
out by hand beside each test. Deadband and delays as in alarm practice (ISA-18.2, from memory).
"""

from __future__ import annotations

import pytest

from envmon.facts import Flag
from tests.guard_support import SHOP, Bench, reading, seconds_of, us


def polished(at_s: float = 0) -> Bench:
    """Return a bay that has been well since second ``at_s``."""
    bench = Bench()
    bench.all_well(at_s)
    return bench


@pytest.mark.parametrize(
    ("temp_c", "expected"),
    [(15.99, "unfit"), (16.0, "marginal"), (26.0, "marginal"), (26.01, "unfit")],
)
def test_a_value_exactly_on_the_edge_is_inside(temp_c: float, expected: str) -> None:
    bench = Bench()
    bench.panel(20, 0)
    bench.air(temp_c, 0)
    assert bench.reason("polish", "air_temp_c").fitness == expected


@pytest.mark.parametrize(
    ("temp_c", "expected"),
    [(17.99, "marginal"), (18.0, "fit"), (24.0, "fit"), (24.01, "marginal")],
)
def test_margin_of_2_k_inside_16_to_26_is_marginal(temp_c: float, expected: str) -> None:
    bench = Bench()
    bench.air(21, 0)
    bench.air(temp_c, 1)
    assert bench.reason("polish", "air_temp_c").fitness == expected


@pytest.mark.parametrize(
    ("back_c", "expected"),
    [(16.0, "unfit"), (16.49, "unfit"), (16.5, "marginal"), (25.5, "marginal"), (25.51, "unfit")],
)
def test_once_out_it_is_inside_again_only_by_the_deadband(back_c: float, expected: str) -> None:
    bench = Bench()
    bench.air(15.0, 0)
    bench.air(back_c, 1)
    assert bench.reason("polish", "air_temp_c").fitness == expected


def test_deadband_survives_a_time_of_unknown() -> None:
    bench = Bench()
    bench.air(15.0, 0)
    bench.go(100)
    assert bench.reason("polish", "air_temp_c").fitness == "unknown"
    bench.air(16.2, 101)
    assert bench.reason("polish", "air_temp_c").fitness == "unfit"


def test_marginal_goes_back_to_fit_only_by_the_deadband() -> None:
    bench = Bench()
    said = []
    for at_s, temp_c in enumerate([21.0, 17.9, 18.2, 18.49, 18.5, 18.1]):
        bench.air(temp_c, at_s)
        said.append(bench.reason("polish", "air_temp_c").fitness)
    assert said == ["fit", "marginal", "marginal", "marginal", "fit", "fit"]


def test_margin_never_takes_the_middle_fifth_of_a_range() -> None:
    """Range 10 K wide, margin 5 K: zones of 4 K each, 20 to 22 °C stays fit."""
    text = SHOP.replace("margin = 2\n", "margin = 5\n")
    said = {}
    for temp_c in (19.9, 20.0, 22.0, 22.1):
        bench = Bench(text)
        bench.air(temp_c, 0)
        said[temp_c] = bench.reason("polish", "air_temp_c").fitness
    assert said == {19.9: "marginal", 20.0: "fit", 22.0: "fit", 22.1: "marginal"}


def well_until(bench: Bench, to_s: int) -> None:
    for at_s in range(30, to_s + 1, 30):
        bench.all_well(at_s)


def test_settle_time_of_300_s_ends_at_its_exact_time() -> None:
    bench = polished()
    well_until(bench, 299)
    bench.go(299.999_999)
    assert bench.fitness("polish") == "marginal"
    (stage,) = (s for s in bench.live().stages if s.id == "polish")
    assert stage.ready_at == "2026-01-27T08:05:00.000Z"
    assert stage.summary == "all limits hold; settled at 09:05"
    bench.go(300)
    assert bench.fitness("polish") == "fit"


def test_settle_time_starts_anew_after_any_time_outside_or_unknown() -> None:
    for spoil in ("outside", "unknown"):
        bench = polished()
        well_until(bench, 270)
        if spoil == "outside":
            bench.panel(9.0, 280)
            bench.all_well(290)
        else:
            bench.go(340)
            bench.all_well(340)
        back_s = 290 if spoil == "outside" else 340
        for at_s in range(back_s + 50, back_s + 300, 50):
            bench.all_well(at_s)
        bench.go(back_s + 299)
        assert bench.fitness("polish") == "marginal"
        bench.go(back_s + 300)
        assert bench.fitness("polish") == "fit"


def test_settle_runs_before_the_start_only() -> None:
    bench = polished()
    assert bench.fitness("polish") == "marginal"
    bench.start("polish", 1)
    assert bench.fitness("polish") == "fit"


def test_gap_is_unknown_one_microsecond_after_the_stale_time() -> None:
    """Panel readings go stale after 120 s."""
    bench = Bench()
    bench.panel(20, 0)
    bench.air(20, 120)  # judged now for another reason
    assert bench.fitness("decontamination") == "fit"
    assert bench.live().conditions["panel_temp_c"].value == 20
    bench.go(120.000_001)
    assert bench.fitness("decontamination") == "unknown"


def test_gap_is_noticed_at_its_exact_time_even_when_the_tick_comes_late() -> None:
    bench = Bench()
    bench.panel(20, 0)
    bench.start("decontamination", 1)
    (stale,) = bench.go(150)
    assert (stale.at_us, stale.data["fitness"]) == (us(120) + 1, "unknown")


def test_alarm_comes_after_on_delay_and_goes_after_off_delay_at_exact_times() -> None:
    """On-delay 90 s from second 10, off-delay 45 s from second 150; one late tick for each."""
    bench = polished()
    bench.start("polish", 1)
    bench.air(15.0, 10)
    for at_s in (60, 100):
        bench.air(15.0, at_s)
        bench.panel(20, at_s)
    bench.go(140)
    assert seconds_of(bench.findings, "alarm_raised") == [100]
    assert bench.alarms() == {"window"}
    bench.all_well(150)
    bench.go(209)
    assert seconds_of(bench.findings, "alarm_cleared") == [195]
    assert bench.alarms() == set()


def test_out_for_less_than_the_on_delay_raises_nothing() -> None:
    bench = polished()
    bench.start("polish", 1)
    bench.air(15.0, 10)
    bench.air(15.0, 60)
    bench.all_well(99.999_999)
    bench.go(150)
    assert seconds_of(bench.findings, "alarm_raised") == []


def test_on_delay_counts_from_the_start_of_the_stage() -> None:
    """Outside long before the start: 30 s (panel) after the start, not at once."""
    bench = Bench()
    bench.air(21, 0)
    bench.panel(5.0, 0)
    bench.start("polish", 50)
    bench.air(21, 55)
    bench.go(100)
    assert seconds_of(bench.findings, "alarm_raised") == [80]


def test_alarm_stays_while_the_value_is_inside_less_than_the_deadband() -> None:
    bench = polished()
    bench.start("polish", 1)
    for at_s in (10, 60, 100, 150):
        bench.air(15.0, at_s)
        bench.panel(20, at_s)
    for at_s in range(200, 500, 50):
        bench.air(16.4, at_s)
        bench.panel(20, at_s)
    assert bench.alarms() == {"window"}


def test_unknown_never_clears_an_alarm_and_raises_one_of_its_own() -> None:
    bench = polished()
    bench.start("polish", 1)
    for at_s in (10, 60, 100):
        bench.air(15.0, at_s)
        bench.panel(20, at_s)
    # Silence. Air grows stale at 160, humidity's on-delay is 30 s: not known from 190 on.
    bench.go(10_000)
    assert bench.alarms() == {"unknown", "window"}
    assert seconds_of(bench.findings, "alarm_raised") == [100, 190.000_001]
    assert seconds_of(bench.findings, "alarm_cleared") == []
    bench.all_well(10_010)
    bench.go(10_056)
    assert bench.alarms() == set()
    assert seconds_of(bench.findings, "alarm_cleared") == [10_055, 10_055]


def test_goal_stages_raise_no_alarm() -> None:
    """Warming up is what the stage is for: panel at −5 °C, and then silence."""
    bench = Bench()
    bench.start("warm_up", 0)
    for at_s in range(1, 600, 60):
        bench.air(20, at_s)
        bench.panel(-5, at_s)
    assert bench.fitness("warm_up") == "unfit"
    bench.go(5000)
    assert seconds_of(bench.findings, "alarm_raised") == []


def test_ending_or_changing_the_stage_ends_its_alarm() -> None:
    for next_stage in (None, "coating"):
        bench = Bench()
        bench.air(21, 0)
        bench.panel(5.0, 0)
        bench.start("polish", 0)
        bench.go(30)
        assert bench.alarms() == {"window"}
        found = bench.start(next_stage, 31)
        cleared = [f for f in found if f.kind == "alarm_cleared"]
        assert [f.data["why"] for f in cleared] == ["stage ended"]
        assert bench.alarms() == set()


def test_every_start_finds_the_stage_s_verdict_even_when_it_is_the_same() -> None:
    bench = polished()
    for at_s, stage in ((1, "polish"), (2, "decontamination"), (3, "decontamination")):
        (found,) = bench.start(stage, at_s)
        assert (found.kind, found.data["stage"]) == ("stage_fitness", stage)
        assert found.data["fitness"] == "fit"
    assert bench.start(None, 4) == []


def test_clock_ahead_is_flagged_not_used_and_taken_back_by_a_good_reading() -> None:
    bench = Bench()
    bench.panel(20, 0)
    ahead = reading("panel", "panel_temp_c", 5, 3600, seen_s=10, flag=Flag.CLOCK)
    bench.take([ahead])
    assert bench.state.newest["panel/panel_temp_c"].value == 20
    assert "clock of panel runs 60 min ahead; not used" in bench.live().notes
    old = reading("panel", "panel_temp_c", 20, 0, seen_s=11)
    bench.take([old])
    assert "clock of panel runs 60 min ahead; not used" in bench.live().notes
    bench.panel(21, 12)
    assert not any("clock" in note for note in bench.live().notes)


def test_points_that_disagree_must_come_a_fifth_nearer_to_agree_again() -> None:
    """Two sensors 2 K apart are allowed (units.py); 1.6 K is a fifth nearer."""
    bench = Bench()
    told = []
    for place, apart_k in enumerate((1.9, 2.1, 1.9, 2.1, 1.7, 1.5, 1.9)):
        at_s = 1.0 + place
        bench.air(20.0, at_s)
        bench.take([reading("air-b", "air_temp_c", 20.0 + apart_k, at_s + 0.5)])
        told.append(bench.live().conditions["air_temp_c"].quality)
    assert told == ["good", *["disagree"] * 4, "good", "good"]


def test_points_that_disagree_are_marginal_at_best() -> None:
    """Air sensors may differ by 2 K: 20 and 22 agree, 20 and 22.1 do not."""
    for other_c, expected in ((22.0, "fit"), (22.1, "marginal")):
        bench = Bench()
        bench.air(20.0, 0)
        bench.take([reading("air-b", "air_temp_c", other_c, 0)])
        assert bench.reason("polish", "air_temp_c").fitness == expected


def test_median_leaves_out_stale_and_suspect_points() -> None:
    bench = Bench()
    bench.air(20.0, 0)
    bench.take([reading("air-b", "air_temp_c", 24.0, 50)])
    assert bench.live().conditions["air_temp_c"].value == 22.0
    assert bench.live().conditions["air_temp_c"].quality == "disagree"
    bench.go(61)
    assert bench.live().conditions["air_temp_c"].value == 24.0
    bench.air(20.0, 62)
    bench.take([reading("air-b", "air_temp_c", 24.0, 63, flag=Flag.RANGE)])
    assert bench.live().conditions["air_temp_c"].value == 20.0
    assert bench.live().conditions["air_temp_c"].quality == "good"


def test_bay_without_an_air_sensor_takes_that_of_its_air_space() -> None:
    bench = Bench(bay="two")
    bench.air(20.0, 0)
    assert bench.live().conditions["air_temp_c"].value == 20.0
    assert bench.reason("decontamination", "panel_temp_c").text == "panel: no sensor here"
    bench.go(61)
    assert bench.live().conditions["air_temp_c"].quality == "stale"


def test_what_is_checked_by_hand_is_shown_and_never_called_fit() -> None:
    bench = Bench()
    (rinse,) = (s for s in bench.live().stages if s.id == "rinse")
    assert rinse.fitness == "unknown"
    assert rinse.by_hand == ("check by hand: dissolved solids at most 10 ppm",)
    assert rinse.reasons == ()
    assert rinse.summary == rinse.by_hand[0]


def test_bay_that_does_not_check_by_hand_needs_the_sensor() -> None:
    bench = Bench(bay="two")
    assert bench.reason("rinse", "dissolved_solids_ppm").fitness == "unknown"
    assert bench.reason("rinse", "dissolved_solids_ppm").text == "dissolved solids: no sensor here"


@pytest.mark.parametrize(("age_s", "counts"), [(86_400, True), (86_400.000001, False)])
def test_a_reading_more_than_a_day_old_says_nothing(age_s: float, counts: bool) -> None:  # noqa: FBT001
    bench = Bench()
    bench.take([reading("air-a", "air_temp_c", 21.0, 0, seen_s=age_s)])
    assert list(bench.state.newest) == ["air-a/air_temp_c"] * counts
    bench.take([reading("air-b", "air_temp_c", 21.0, 1, seen_s=age_s + 1, flag=Flag.RANGE)])
    assert len(bench.state.newest) == 2 * counts
