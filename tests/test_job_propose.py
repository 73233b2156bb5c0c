"""The next best act, through a whole job and at its forks.

What comes first is the order the trade works in (TRADE): what is due is levelled before anything
else is begun. The words are ours, short enough for a button read from some distance.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from envmon.clock import iso_from_us
from envmon.job.live import Proposal
from envmon.job.propose import Scene, propose, rhythm_now, rhythm_text
from envmon.job.rhythm import Rhythm
from envmon.shop.work import BenchInfo
from tests.job_story import Story, stage_state, us, view

if TYPE_CHECKING:
    from envmon.job.guards import BayView

BENCH = BenchInfo(apply=90.0, level=60.0)
BUTTON = 60
"""Characters a button holds on a phone in two lines."""


def at(story: Story, at_s: float, seen: BayView | None = None) -> Proposal:
    found = propose(story.job(), seen or view(), us(at_s), BENCH)
    assert len(found.text) <= BUTTON or found.act == "wait"
    return found


def said(story: Story, at_s: float, seen: BayView | None = None) -> tuple[str, str, str]:
    found = at(story, at_s, seen)
    return found.act, found.panel, found.text


class TestSteps:
    def test_the_first_step_is_started_and_then_the_next(self) -> None:
        story = Story()
        assert at(story, 5) == Proposal("start", "Start Contact wash", step=0)
        story.start(10, "wash")
        assert at(story, 20) == Proposal("start", "Start Drying", step=1)

    def test_drying_is_waited_for_as_long_as_the_vehicle_is_wet(self) -> None:
        story = Story()
        story.through("drying")
        wet = view(stage_state("drying", "unfit", text="humidity 72 %, needs at most 60 %"))
        assert said(story, 50, wet) == ("wait", "", "Drying: humidity 72 %, needs at most 60 %")
        unknown = view(stage_state("drying", "unknown", text="panel: no sensor here"))
        assert said(story, 50, unknown) == ("wait", "", "Drying: panel: no sensor here")
        assert said(story, 50) == ("start", "", "Start Solvent wipe")

    def test_a_step_whose_next_is_held_back_is_finished_first(self) -> None:
        story = Story()
        story.through("wipe")
        assert at(story, 50) == Proposal("finish", "Finish Solvent wipe", step=2)
        story.end(60, "wipe")
        found = at(story, 61)
        assert (found.act, found.step, found.at) == ("wait", 3, iso_from_us(us(360)))
        assert found.text.startswith("Coating: Solvent wipe flashes off 5")
        assert said(story, 360) == ("start", "", "Start Coating")

    def test_of_several_the_last_to_end_says_until_when(self) -> None:
        story = Story()
        story.through("wipe")
        story.end(60, "wipe")
        for ready_s, until_s in ((300, 360), (500, 500)):
            ready = view(stage_state("coating", "marginal", ready_at=iso_from_us(us(ready_s))))
            assert at(story, 61, ready).at == iso_from_us(us(until_s))

    def test_work_that_has_limits_but_no_aim_is_not_waited_for(self) -> None:
        story = Story(stages=("polish", "wipe"))
        story.start(10, "polish")
        humid = view(stage_state("polish", "unfit", text="humidity 70 %"))
        assert said(story, 50, humid) == ("start", "", "Start Solvent wipe")

    def test_what_does_not_end_by_itself_has_no_time(self) -> None:
        story = Story()
        story.through("wipe")
        story.end(60, "wipe")
        cold = view(stage_state("coating", "unfit", text="air 12.0 °C, needs 18–24 °C: heat"))
        assert at(story, 61, cold).at is None
        found = at(story, 400, cold)
        assert (found.act, found.text) == ("wait", "Coating: air 12.0 °C, needs 18–24 °C: heat")

    def test_the_cure_is_left_alone_until_its_marks(self) -> None:
        story = Story()
        story.window(0, "fit")
        story.coated(1_000)  # last levelled at 1 450, 09:24:10
        assert at(story, 1_480) == Proposal("finish", "Finish Coating", step=3)
        story.start(1_500, "early_cure")
        found = at(story, 1_600)
        assert (found.act, found.text, found.at) == (
            "wait", "No water. Rain-safe at 10:24", iso_from_us(us(1_450 + 3_600)),
        )  # fmt: skip
        assert said(story, 5_050) == ("start", "", "Start Full cure")
        story.start(5_060, "cure")
        assert said(story, 5_070)[2] == "No water. Full cure at 17:24"
        story.window(6_000, "unfit")
        assert at(story, 6_001) == Proposal(
            "wait", "Not full cure: air is not in its window", step=5
        )
        story.window(7_000, "fit")
        end_s = 1_450 + 8 * 3_600 + 1_000
        assert said(story, end_s) == ("start", "", "Start Hand-over")
        story.start(end_s + 10, "hand_over")
        assert at(story, end_s + 20) == Proposal("close", "Hand over, close the job", step=6)
        story.tell(end_s + 30, "job_closed", reason="")
        assert at(story, end_s + 40) == Proposal("none", "Closed")

    def test_a_procedure_without_hand_over_is_finished_then_closed(self) -> None:
        story = Story(stages=("wash",))
        story.start(10, "wash")
        assert at(story, 20) == Proposal("finish", "Finish Contact wash", step=0)
        story.end(30, "wash")
        assert at(story, 40) == Proposal("close", "Hand over, close the job")

    def test_a_coating_ended_with_panels_left_waits_for_them(self) -> None:
        story = Story()
        story.through("coating")
        story.end(100, "coating")
        assert at(story, 110).text == "Early cure: Not levelled: Bonnet and Roof"


class TestPanels:
    def story(self, *panels: str, in_flight: int = 2) -> Story:
        story = Story(panels=panels or ("Bonnet", "Roof", "Boot"), in_flight=in_flight)
        story.through("coating")
        return story

    def test_the_first_is_covered_then_the_next_while_it_flashes(self) -> None:
        story = self.story()
        assert said(story, 100) == ("apply", "bonnet", "Apply Bonnet")
        story.apply(200, "bonnet")
        assert said(story, 201) == ("apply", "roof", "Apply Roof")

    def test_with_as_many_in_flight_as_may_be_it_waits_for_the_first(self) -> None:
        story = self.story()
        story.apply(200, "bonnet")
        story.apply(300, "roof")
        found = at(story, 301)
        assert (found.act, found.panel, found.text) == ("wait", "bonnet", "Wait, then level Bonnet")
        assert found.at == iso_from_us(us(320))
        assert not found.urgent

    def test_what_is_due_comes_before_everything_and_overdue_is_said(self) -> None:
        story = self.story(in_flight=3)
        story.apply(200, "roof")
        story.apply(300, "bonnet")
        assert (at(story, 320).text, at(story, 320).urgent) == ("Level Roof", True)
        assert at(story, 501).text == "Level Roof NOW"  # by 500
        assert at(story, 700).text == "Level Roof NOW"  # both overdue, the older first
        story.level(701, "roof")
        assert at(story, 702).text == "Level Bonnet NOW"

    def test_nothing_is_covered_that_would_keep_one_from_being_levelled_in_time(self) -> None:
        story = self.story(in_flight=3)
        story.coat["flash"] = [120, 125]
        story.apply(200, "bonnet")  # from 320 to 325, covering takes 90 s
        assert said(story, 232)[0] == "apply"
        assert said(story, 236) == ("wait", "bonnet", "Wait, then level Bonnet")

    def test_a_narrow_window_keeps_the_hands_to_the_steady_rhythm(self) -> None:
        # (300 + 90 + 60) / 3 = 150 s from one covering to the next
        story = self.story(*(f"Panel{n}" for n in range(9)), in_flight=3)
        story.coat["flash"] = [300, 300]
        story.apply(500, "panel0")  # begun at 410
        found = at(story, 501)
        assert (found.act, found.text) == ("wait", "Wait, then apply Panel1")
        assert found.at == iso_from_us(us(560))
        assert said(story, 560) == ("apply", "panel1", "Apply Panel1")

    def test_while_nothing_is_due_it_is_wiped_and_inspected(self) -> None:
        story = self.story("Bonnet", "Roof", in_flight=2)
        story.apply(200, "bonnet")
        story.apply(300, "roof")
        story.level(330, "bonnet")
        assert said(story, 340) == ("wipe", "bonnet", "Wipe Bonnet")
        story.wipe(350, "bonnet")
        assert said(story, 351) == ("inspect", "bonnet", "Inspect Bonnet")
        story.inspect(360, "bonnet")
        assert said(story, 361) == ("wait", "roof", "Wait, then level Roof")
        assert said(story, 420) == ("level", "roof", "Level Roof")

    def test_a_levelled_panel_is_seen_through_before_the_next_is_covered(self) -> None:
        """Levelled, wiped a second time, looked at for high spots (common practice)."""
        story = self.story("Bonnet", "Roof", "Boot")
        story.apply(200, "bonnet")
        story.apply(300, "roof")
        story.level(330, "bonnet")
        assert said(story, 331) == ("wipe", "bonnet", "Wipe Bonnet")
        story.wipe(340, "bonnet")
        assert said(story, 341) == ("inspect", "bonnet", "Inspect Bonnet")
        story.inspect(350, "bonnet")
        assert said(story, 351) == ("apply", "boot", "Apply Boot")

    def test_a_high_spot_is_levelled_again_after_what_is_due(self) -> None:
        story = self.story("Bonnet", "Roof")
        story.apply(200, "bonnet")
        story.level(330, "bonnet")
        story.apply(340, "roof")
        story.inspect(350, "bonnet", "high_spot")
        assert said(story, 360) == ("level", "bonnet", "High spot: level Bonnet")
        assert said(story, 470) == ("level", "roof", "Level Roof")

    def test_a_panel_left_flashing_is_seen_to_whatever_step_is_worked(self) -> None:
        story = self.story("Bonnet")
        story.apply(200, "bonnet")
        story.end(210, "coating")
        assert said(story, 220) == ("wait", "bonnet", "Wait, then level Bonnet")
        assert at(story, 320).urgent

    def test_without_a_flash_on_the_sheet_common_practice_times_the_panels(self) -> None:
        story = Story(coat={"name": "Wax", "source": "sheet"})
        story.through("coating")
        assert said(story, 100) == ("apply", "bonnet", "Apply Bonnet")
        story.apply(200, "bonnet")
        assert said(story, 201) == ("apply", "roof", "Apply Roof")
        assert said(story, 200 + 120) == ("level", "bonnet", "Level Bonnet")

    def test_the_rhythm_follows_the_panel_not_only_the_sheet(self) -> None:
        job = self.story().job()
        assert rhythm_now(job, view(), BENCH) == Rhythm(90, 60, 120, 300, 2)
        cold = rhythm_now(job, view(at={"panel_temp_c": 15.0}), BENCH)
        assert cold is not None
        assert cold.flash_from_s > 120
        nothing = dict.fromkeys(("panel_temp_c", "air_temp_c", "rel_hum_pct"))
        assert rhythm_now(job, view(at=nothing), BENCH) == Rhythm(90, 60, 120, 300, 2)


class TestRhythmText:
    def text(self, story: Story, at_s: float, seen: BayView | None = None) -> str:
        return rhythm_text(Scene(story.job(), seen or view(), us(at_s), BENCH, ()))

    def test_it_says_spacing_wait_and_end(self) -> None:
        story = Story(panels=[f"Panel{n}" for n in range(16)], in_flight=3)
        story.coat["flash"] = [300, 420]
        story.through("coating")
        # 15 · 150 s + 90 + 300 + 60 s = 45 min from 09:10
        assert self.text(story, 600) == (
            "16 left: one each 2:30 min, level after 5:00 min, done about 09:55"
        )

    def test_it_says_why_fewer_in_flight(self) -> None:
        story = Story(panels=("Bonnet", "Roof"), in_flight=4)
        story.through("coating")
        assert self.text(story, 600).endswith(
            "with 4 in flight a panel waits 7:30 min, at most 5:00 min is allowed: 2 in flight"
        )

    def test_it_is_silent_without_a_panel_or_a_coating_to_come(self) -> None:
        story = Story()
        assert self.text(story, 5) == ""
        story.through("wipe")
        story.end(60, "wipe")
        assert self.text(story, 70).startswith("2 left")
        story.coated(1_000)
        assert self.text(story, 2_000) == ""


@pytest.mark.parametrize("in_flight", [1, 2, 3])
def test_who_does_what_it_says_coats_every_panel_in_its_window(in_flight: int) -> None:
    """Follow the proposals second by second, with hands as quick as the shop file says."""
    names = [f"Panel{n}" for n in range(14)]
    story = Story(panels=names, in_flight=in_flight)
    story.window(0, "fit")
    story.through("coating")
    at_s, takes = 100.0, {"apply": 90, "level": 60, "wipe": 0, "inspect": 0}
    while (found := at(story, at_s)).act != "finish":
        if found.act == "wait":
            assert found.at is not None
            assert found.at > iso_from_us(us(at_s))
            at_s += 1
            continue
        if found.act == "level":
            story.level(at_s, found.panel)
            at_s += takes["level"]
            continue
        at_s += takes[found.act]
        {"apply": story.apply, "wipe": story.wipe, "inspect": story.inspect}[found.act](
            at_s, found.panel
        )
        flying = sum(panel.in_flight for panel in story.job().panels)
        assert flying <= in_flight
    for panel in story.job().panels:
        applied, levelled = panel.mark("applied"), panel.mark("levelled")
        assert applied is not None
        assert levelled is not None
        assert 120 <= (levelled.at_us - applied.at_us) / 1e6 <= 300
        assert [mark.step for mark in panel.marks] == ["applied", "levelled", "wiped", "inspected"]
