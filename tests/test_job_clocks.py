"""Panel clocks and body shapes.

Flash windows at the sheet's own temperature are the sheet's; what they are elsewhere is held to
handbook vapour pressures in the tests of ``physics.flash``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from envmon.clock import iso_from_us
from envmon.errors import InputError
from envmon.job.bodies import BODIES, body_of, panels_from_names
from envmon.job.clocks import flash_of, panel_states
from envmon.shop.load import check_text
from tests.guard_support import SHOP, shop_from
from tests.job_story import AT_SHEET, COAT, Story, us

if TYPE_CHECKING:
    from envmon.job.live import PanelState
    from envmon.shop.models import Shop

OWN_BODY = """
[[body]]
id = "trike"
name = "Trike"
panels = ["Tank", "Kåpe venstre", "Kåpe høyre"]

[[body]]
id = "van"
name = "Our van"
panels = ["Front", "Rear"]
"""


def shop_with_bodies() -> Shop:
    shop, faults = check_text(SHOP + OWN_BODY, "test.toml")
    assert shop is not None, faults
    return shop


def at(story: Story, at_s: float, panel: int = 0) -> PanelState:
    return panel_states(story.job(), us(at_s))[panel]


def coating(coat: dict[str, object] | None = None) -> Story:
    story = Story(coat=coat)
    story.through("coating")
    return story


class TestPhases:
    def test_through_its_whole_life(self) -> None:
        story = coating()
        assert (at(story, 90).phase, at(story, 90).acts) == ("todo", ("apply",))
        story.apply(100, "bonnet")
        # 120 to 300 s after covering, both ends included
        seen = [at(story, s).phase for s in (100, 219.999, 220, 400, 400.001)]
        assert seen == ["flashing", "flashing", "due", "due", "overdue"]
        assert at(story, 500).acts == ("level",)
        story.level(380, "bonnet")
        assert (at(story, 500).phase, at(story, 500).acts) == ("levelled", ("wipe", "inspect"))
        story.wipe(390, "bonnet")
        assert (at(story, 500).phase, at(story, 500).acts) == ("wiped", ("inspect",))
        story.inspect(395, "bonnet")
        assert (at(story, 500).phase, at(story, 500).acts) == ("done", ())
        done = at(story, 500)
        times = (done.applied_at, done.levelled_at, done.wiped_at, done.inspected_at)
        assert times == tuple(iso_from_us(us(s)) for s in (100, 380, 390, 395))
        assert (done.level_from, done.level_by) == (iso_from_us(us(220)), iso_from_us(us(400)))

    def test_a_high_spot_can_be_levelled_or_covered_again(self) -> None:
        story = coating()
        story.apply(100, "bonnet")
        story.level(300, "bonnet")
        story.inspect(310, "bonnet", "high_spot")
        assert at(story, 320).phase == "high_spot"
        assert at(story, 320).acts == ("level", "apply", "inspect")
        story.level(330, "bonnet")
        assert at(story, 340).phase == "levelled"
        story.apply(400, "bonnet")
        again = at(story, 401)
        assert (again.phase, again.applied_at) == ("flashing", iso_from_us(us(400)))
        assert (again.levelled_at, again.inspected_at) == (None, None)

    def test_panels_are_covered_only_while_the_coating_is_worked(self) -> None:
        story = Story()
        assert at(story, 5).acts == ()
        story.through("coating")
        story.apply(100, "bonnet")
        story.end(150, "coating")
        # What is on a panel must come off it, whatever step is worked.
        assert at(story, 300).acts == ("level",)
        assert at(story, 300, panel=1).acts == ()

    def test_of_a_closed_job_nothing_can_be_done(self) -> None:
        story = coating()
        story.apply(100, "bonnet")
        story.tell(150, "job_closed", reason="")
        assert at(story, 300).acts == ()

    def test_in_a_second_coat_every_panel_is_to_be_done_again(self) -> None:
        story = Story(stages=("coating", "drying", "coating"))
        story.tell(10, "stage_started", step=0, stage="coating")
        story.apply(100, "bonnet")
        story.level(300, "bonnet")
        story.tell(900, "stage_started", step=2, stage="coating")
        assert (at(story, 950).phase, at(story, 950).levelled_at) == ("todo", None)

    def test_without_a_flash_in_the_chain_it_is_due_at_once_and_never_overdue(self) -> None:
        story = coating()
        story.tell(100, "panel_applied", panel="bonnet")
        state = at(story, 90_000)
        assert (state.phase, state.level_from, state.level_by) == ("due", None, None)


class TestFlash:
    def test_at_the_sheets_own_temperature_it_is_the_sheets(self) -> None:
        flash = flash_of(COAT, dict(AT_SHEET), "metric")
        assert (flash.from_s, flash.to_s, flash.factor) == (120, 300, 1)
        assert flash.outside_sheet == ""

    def test_a_cold_panel_flashes_later_and_says_why_and_that_it_leaves_the_sheet(self) -> None:
        flash = flash_of(COAT, {**AT_SHEET, "panel_temp_c": 15.0}, "us")
        assert flash.factor > 1
        assert "59.0 °F" in flash.why[0]
        assert "past the sheet's 5:00 min" in flash.outside_sheet
        story = coating()
        seq = story.tell(100, "panel_applied", panel="bonnet", flash={
            "from_s": flash.from_s, "to_s": flash.to_s, "sheet_from_s": 120, "sheet_to_s": 300,
            "factor": flash.factor, "why": flash.why, "outside_sheet": flash.outside_sheet,
        })  # fmt: skip
        state = at(story, 101)
        assert seq == len(story.events)
        assert (state.factor, state.why, state.outside_sheet) == (
            flash.factor, flash.why, flash.outside_sheet,
        )  # fmt: skip

    def test_nothing_known_is_said_and_not_made_up(self) -> None:
        flash = flash_of(COAT, dict.fromkeys(AT_SHEET), "metric")
        assert flash.factor == 1
        assert flash.why == ("no temperature known: the sheet's own range",)

    def test_humidity_counts_only_when_the_sheet_says_how(self) -> None:
        humid = {**AT_SHEET, "rel_hum_pct": 55.0}
        says = {**COAT, "flash_rh_at": 45.0, "flash_per_10_rh": -0.1}
        silent, told = flash_of(COAT, dict(humid), "metric"), flash_of(says, dict(humid), "metric")
        assert silent.factor == 1
        assert told.factor == pytest.approx(0.9)

    @pytest.mark.parametrize("facts", [{}, {"name": "Wax", "flash": None, "flash_at": 25.0}])
    def test_a_sheet_without_a_flash_gets_common_practice_and_says_so(
        self, facts: dict[str, object]
    ) -> None:
        # 2 to 5 minutes at 20 °C: common practice.
        flash = flash_of(facts, dict(AT_SHEET), "metric")
        assert (flash.from_s, flash.to_s, flash.factor) == (120, 300, 1)
        assert "common practice is for 20.0 °C" in flash.why[0]
        cold = flash_of(facts, {**AT_SHEET, "panel_temp_c": 15.0}, "metric")
        assert "past common practice's 5:00 min" in cold.outside_sheet


class TestBodies:
    @pytest.mark.parametrize("body_id", BODIES)
    def test_built_in_ones_have_panels_each_once_with_ids_fit_for_addresses(
        self, body_id: str
    ) -> None:
        body = BODIES[body_id]
        assert body.id == body_id
        assert len({panel.name.casefold() for panel in body.panels}) == len(body.panels)
        assert len({panel.id for panel in body.panels}) == len(body.panels)
        for panel in body.panels:
            assert re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", panel.id)
            assert len(panel.name) <= 30

    def test_the_usual_shapes_are_there(self) -> None:
        assert {"saloon", "hatchback", "estate", "suv", "van", "pickup", "motorcycle",
                "boat_hull", "camper_van"} <= BODIES.keys()  # fmt: skip

    @pytest.mark.parametrize("body_id", ["saloon", "hatchback", "estate", "coupe", "suv", "van"])
    def test_a_car_is_worked_in_14_to_22_panels(self, body_id: str) -> None:
        # TRADE, the panel rhythm (common practice)
        assert 14 <= len(BODIES[body_id].panels) <= 22

    def test_the_shops_own_come_first_and_any_letters_do(self) -> None:
        shop = shop_with_bodies()
        assert [p.id for p in body_of(shop, "trike").panels] == [
            "tank", "kape-venstre", "kape-hyre",
        ]  # fmt: skip
        assert body_of(shop, "van").name == "Our van"
        assert body_of(shop, "saloon") == BODIES["saloon"]

    def test_an_unknown_shape_is_said_with_those_there_are(self) -> None:
        with pytest.raises(InputError, match=r"body is 'tank'; allowed: .*saloon"):
            body_of(shop_from(), "tank")

    def test_names_that_make_the_same_id_are_told_apart(self) -> None:
        panels = panels_from_names(["Door 1", "Door-1", "дверь", "ドア", " Door  1 x"])
        assert [panel.id for panel in panels] == ["door-1", "door-1-2", "panel", "panel-2",
                                                  "door-1-x"]  # fmt: skip
        assert panels[4].name == "Door 1 x"

    @pytest.mark.parametrize("names", [[], ["Roof", "roof"], ["Roof", " "], ["A b", "a  B"]])
    def test_a_list_that_cannot_be_is_refused(self, names: list[str]) -> None:
        with pytest.raises(InputError, match="allowed"):
            panels_from_names(names)
