"""What speaks against starting a step: order, flash-off, shared air, cure, limits and settle time.

The order of work, 5–10 min for a wipe to flash off, an hour to rain-safe and 8 h to a full cure
are common practice (TRADE); local times are Europe/Oslo, in January an hour ahead of UTC.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from envmon.clock import iso_from_us
from envmon.job.guards import Neighbour, hindrances
from envmon.job.live import Hindrance
from tests.job_story import Story, stage_state, us, view

if TYPE_CHECKING:
    from envmon.job.guards import BayView

# Second 0 is 09:00 in the shop.
NBSP = "\u202f"


def found(
    story: Story, stage: str, at_s: float, seen: BayView | None = None
) -> tuple[Hindrance, ...]:
    index = story.stages.index(stage)
    return hindrances(story.job(), index, seen or view(), us(at_s))


class TestOrder:
    def test_the_first_step_has_nothing_before_it(self) -> None:
        assert found(Story(), "wash", 10) == ()

    def test_steps_neither_done_nor_skipped_are_named(self) -> None:
        story = Story()
        assert found(story, "drying", 10) == (Hindrance("order", "Not done: Contact wash"),)
        assert found(story, "wipe", 10)[0].text == "Not done: Contact wash and Drying"
        assert found(story, "coating", 10)[0].text == (
            "Not done: Contact wash, Drying and Solvent wipe"
        )
        assert found(story, "early_cure", 10)[0].text == (
            "Not done: Contact wash, Drying and 2 more"
        )

    def test_a_skipped_step_is_no_hindrance(self) -> None:
        story = Story()
        story.skip(10, "wash")
        story.start(20, "drying")
        assert found(story, "wipe", 30) == ()

    def test_the_step_being_worked_has_none(self) -> None:
        story = Story()
        story.start(20, "drying")
        assert found(story, "drying", 30) == ()

    def test_passed_over_with_a_reason_it_is_asked_for_again_before_a_coating_only(self) -> None:
        story = Story(stages=("wash", "drying", "polish", "wipe", "coating"))
        story.start(10, "drying")
        assert found(story, "polish", 30) == ()
        story.start(20, "wipe")
        story.end(30, "wipe")
        assert [one.text for one in found(story, "coating", 9_000)] == [
            "Not done: Contact wash and Polishing"
        ]

    def test_no_coating_over_a_vehicle_that_was_not_dried(self) -> None:
        story = Story(stages=("drying", "coating"))
        assert found(story, "coating", 10) == (Hindrance("order", "Not done: Drying"),)


class TestFlashOff:
    def test_a_wipe_flashes_off_five_minutes_from_its_end_before_a_coating(self) -> None:
        story = Story()
        story.through("wipe")
        story.end(600, "wipe")
        until = iso_from_us(us(900))
        text = f"Solvent wipe flashes off 5{NBSP}min (common practice): wait until 09:15"
        assert found(story, "coating", 899) == (Hindrance("order", text, until),)
        assert found(story, "coating", 900) == ()

    def test_a_wipe_still_being_done_has_its_flash_off_before_it(self) -> None:
        story = Story()
        story.through("wipe")
        (one,) = found(story, "coating", 660)
        assert one.until == iso_from_us(us(960))

    def test_the_sheet_says_how_long_and_for_any_next_stage(self) -> None:
        story = Story(stages=("coating", "polish"), coat={"name": "Wipe", "flash_off": 120.0})
        story.tell(5, "panels_changed", panels=[])
        story.start(10, "coating")
        story.end(60, "coating")
        (one,) = found(story, "polish", 100)
        assert one.text == f"Coating flashes off 2{NBSP}min (sheet): wait until 09:03"
        assert found(story, "polish", 180) == ()

    def test_a_skipped_wipe_flashes_nothing_off(self) -> None:
        story = Story(stages=("wipe", "coating"))
        story.skip(10, "wipe")
        assert found(story, "coating", 11) == ()


class TestPanelsAndCure:
    def test_panels_not_levelled_speak_against_all_that_follows_the_coating(self) -> None:
        story = Story()
        story.through("coating")
        story.apply(600, "bonnet")
        story.level(800, "bonnet")
        story.apply(700, "roof")
        assert found(story, "early_cure", 900) == (Hindrance("order", "Not levelled: Roof"),)
        story.level(1_000, "roof")
        assert found(story, "early_cure", 1_001) == ()

    def test_no_hand_over_before_the_full_cure(self) -> None:
        story = Story(coat={"name": "Coat", "source": "sheet", "full_cure": 7_200.0})
        story.window(0, "fit")
        story.coated(1_000)  # last levelled at 1 450
        story.start(2_000, "early_cure")
        story.start(2_001, "cure")
        (one,) = found(story, "hand_over", 1_450 + 3_600)
        assert one.text == f"Not full cure yet: 1{NBSP}h{NBSP}00{NBSP}min to go, wait until 11:24"
        assert one.until == iso_from_us(us(1_450 + 7_200))
        assert found(story, "hand_over", 1_450 + 7_200) == ()

    def test_out_of_its_window_nobody_knows_until_when(self) -> None:
        story = Story()
        story.window(0, "unknown")
        story.coated(1_000)
        story.start(2_000, "early_cure")
        story.start(2_001, "cure")
        (one,) = found(story, "hand_over", 90_000)
        assert (one.kind, one.until) == ("order", None)
        assert one.text == f"Not full cure yet: 8{NBSP}h{NBSP}00{NBSP}min to go"

    def test_no_water_before_it_is_rain_safe(self) -> None:
        story = Story(stages=("coating", "early_cure", "wash"))
        story.window(0, "fit")
        story.coated(1_000)
        story.start(2_000, "early_cure")
        assert found(story, "wash", 1_450 + 3_599)[0].text.startswith("Not rain-safe yet: 1")
        assert found(story, "wash", 1_450 + 3_600) == ()

    def test_going_back_to_wash_it_all_again_is_not_held_back_by_the_cure(self) -> None:
        story = Story()
        story.window(0, "fit")
        story.coated(1_000)
        assert found(story, "wash", 1_500) == ()


class TestAir:
    NORTH = Neighbour("North bay", "north", "early_cure", curing=True)
    COATING = Neighbour("North bay", "north", "coating", curing=True)
    STANDING = Neighbour("North bay", "north", None, curing=True)
    POLISHING = Neighbour("North bay", "north", "polish", curing=False)

    @pytest.mark.parametrize("stage", ["foam", "wash", "rinse"])
    def test_water_into_air_in_which_a_neighbour_cures(self, stage: str) -> None:
        story = Story(stages=(stage, "coating"))
        (one,) = found(story, stage, 10, view(near=(self.NORTH,)))
        assert (one.kind, one.text) == (
            "air", "North bay is curing in the same air: water will reach it",
        )  # fmt: skip
        assert "is coating" in found(story, stage, 10, view(near=(self.COATING,)))[0].text
        assert len(found(story, stage, 10, view(near=(self.STANDING,)))) == 1
        assert found(story, stage, 10, view(near=(self.POLISHING,))) == ()

    def test_dry_work_beside_a_cure_is_free(self) -> None:
        story = Story(stages=("polish", "coating"))
        assert found(story, "polish", 10, view(near=(self.NORTH,))) == ()


class TestLimits:
    def test_every_limit_that_does_not_hold_is_named_as_the_guard_says_it(self) -> None:
        story = Story(stages=("polish",))
        seen = view(stage_state("polish", "unfit", text="panel 8.0 °C, needs 10–35 °C"))
        assert found(story, "polish", 10, seen) == (
            Hindrance("fitness", "panel 8.0 °C, needs 10–35 °C"),
        )

    def test_unknown_is_a_hindrance_too(self) -> None:
        story = Story(stages=("polish",))
        seen = view(stage_state("polish", "unknown", text="air temperature: no sensor here"))
        assert [one.kind for one in found(story, "polish", 10, seen)] == ["fitness"]

    def test_a_stage_checked_by_hand_alone_wants_what_was_read_there_as_its_reason(self) -> None:
        story = Story(stages=("rinse",))
        by_hand = "check by hand: dissolved solids at most 10 ppm"
        seen = view(stage_state("rinse", "unknown", reasons=(), summary=by_hand))
        assert found(story, "rinse", 10, seen) == (Hindrance("fitness", by_hand),)

    def test_rinse_water_has_a_kind_of_its_own(self) -> None:
        story = Story(stages=("rinse",))
        seen = view(stage_state("rinse", "unfit", quantity="dissolved_solids_ppm", text="14 ppm"))
        assert found(story, "rinse", 10, seen) == (Hindrance("water", "14 ppm"),)

    def test_near_an_edge_is_no_hindrance_but_not_yet_settled_is_until_it_is(self) -> None:
        story = Story(stages=("polish",))
        assert found(story, "polish", 10, view(stage_state("polish", "marginal"))) == ()
        ready = iso_from_us(us(640))
        seen = view(stage_state("polish", "marginal", ready_at=ready))
        assert found(story, "polish", 10, seen) == (
            Hindrance("settle", "Limits must hold until 09:10", ready),
        )

    @pytest.mark.parametrize("stage", ["warm_up", "drying"])
    def test_what_works_towards_its_limits_may_start_outside_them(self, stage: str) -> None:
        story = Story(stages=(stage,))
        assert found(story, stage, 10, view(stage_state(stage, "unfit"))) == ()

    def test_a_stage_nobody_judges_is_not_known(self) -> None:
        story = Story(stages=("polish",))
        seen = view()
        none = seen._replace(bay=type(seen.bay)("one", "", "", "metric", None, None, {}, ()))
        assert found(story, "polish", 10, none) == (
            Hindrance("fitness", "Nothing known of Polishing in this bay"),
        )


def test_several_come_with_the_gravest_first() -> None:
    story = Story()
    north = Neighbour("North bay", "north", "cure", curing=True)
    story.start(10, "drying")
    seen = view(stage_state("coating", "unfit", text="humidity 70 %"), near=(north,))
    kinds = [(one.kind, one.text) for one in found(story, "coating", 20, seen)]
    assert kinds == [
        ("order", "Not done: Contact wash and Solvent wipe"), ("fitness", "humidity 70 %"),
    ]  # fmt: skip
