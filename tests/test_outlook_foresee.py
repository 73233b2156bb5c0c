"""The outlook of a bay as a service asks for it: what is known, unknown, planned, and said."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from envmon.clock import MINUTE_US
from envmon.guard.plan import plan_from_shop
from envmon.outlook.ahead import Outside, Plans
from envmon.outlook.constants import Priors
from envmon.outlook.experts import LEADS_MIN
from envmon.outlook.foresee import Context, outlook
from envmon.outlook.frame import BayFrame, frame_from_columns
from envmon.outlook.learning import Neighbour, fresh_facts, update
from envmon.outlook.likeness import MARKS
from envmon.outlook.model import BayOutlook, StageOutlook
from envmon.outlook.trust import packed
from tests.outlook_support import START_US
from tests.year_readings import demo_shop

SIZE = 720
STAGES = plan_from_shop(demo_shop()).bays["north"].stages
NOW_US = START_US + SIZE * MINUTE_US - 1
FACTS = fresh_facts(Priors(200))


def frame(stage: str = "", **columns: float | None) -> BayFrame:
    usual: dict[str, float | None] = {
        "air_temp_c": 20.0, "rel_hum_pct": 48.0, "panel_temp_c": 18.0, "outdoor_temp_c": -5.0,
        "outdoor_rel_hum_pct": 75.0, "heater_on": 0.0, "door_open": 0.0, **columns,
    }  # fmt: skip
    rows = {n: [np.full(SIZE, v)] for n, v in usual.items() if v is not None}
    whole = frame_from_columns(rows, (), START_US, SIZE)
    return replace(whole, stage=np.full(SIZE, stage, dtype="U24"))


def foreseen(rows: BayFrame, context: Context | None = None, now_us: int = NOW_US) -> BayOutlook:
    return outlook(FACTS, rows, STAGES, now_us, context or Context())


def stage_of(found: BayOutlook, stage: str) -> StageOutlook:
    return next(one for one in found.stages if one.stage == stage)


def middle(found: BayOutlook, quantity: str) -> tuple[float, ...]:
    fan = next(one for one in found.fans if one.quantity == quantity)
    return fan.quantiles["q50"]


def test_a_fresh_bay_says_that_it_guesses() -> None:
    found = foreseen(frame())
    assert found.guessing
    assert found.known
    assert stage_of(found, "coating").fitness == "fit"


def test_one_odd_moment_makes_no_teeth_in_the_edge_of_a_fan() -> None:
    """Common practice: of neighbouring leads no one alone is ten kelvin more uncertain."""
    off = np.zeros((12, 3, len(LEADS_MIN)))
    off[3, :, 10:12] = -12.0
    moments = [[0.0] * len(MARKS)] * 12
    trust = {
        name: msgspec.structs.replace(one, paths=packed(off), marks=moments)
        for name, one in FACTS.trust.items()
    }
    facts = msgspec.structs.replace(FACTS, trust=trust)
    fan = outlook(facts, frame(), STAGES, NOW_US, Context()).fans[0].quantiles
    low, mid = np.array(fan["q05"]), np.array(fan["q50"])
    assert 0 < (mid - low).max() < 6
    assert np.abs(np.diff(mid - low)).max() < 3
    assert low[0] == mid[0]


def test_fans_start_at_what_is_measured_and_open_with_time() -> None:
    found = foreseen(frame())
    assert [fan.quantity for fan in found.fans] == [
        "air_temp_c", "rel_hum_pct", "panel_temp_c", "dew_margin_k",
    ]  # fmt: skip
    for fan in found.fans:
        bands = np.array([fan.quantiles[q] for q in ("q05", "q25", "q50", "q75", "q95")])
        assert (np.diff(bands, axis=0) >= 0).all()
        width = bands[-1] - bands[0]
        assert width[0] == pytest.approx(0, abs=0.01)
        assert width[-1] > width[2] > 0


@pytest.mark.parametrize("missing", ["air_temp_c", "rel_hum_pct"])
def test_without_air_or_humidity_nothing_is_foreseen(missing: str) -> None:
    found = foreseen(frame("", **{missing: None}))
    assert not found.known
    assert found.fans == ()
    assert {one.fitness for one in found.stages} == {"unknown"}
    assert {one.said.text for one in found.stages} == {""}


def test_old_readings_are_no_present() -> None:
    later_us = NOW_US + 10 * MINUTE_US
    assert not foreseen(frame(), now_us=later_us).known
    assert foreseen(frame(), now_us=NOW_US + 2 * MINUTE_US).known


def test_without_a_panel_sensor_what_needs_it_is_unknown_and_the_rest_is_not() -> None:
    found = foreseen(frame(panel_temp_c=None))
    assert stage_of(found, "coating").fitness == "unknown"
    assert stage_of(found, "wipe").fitness == "fit"
    assert [fan.quantity for fan in found.fans] == ["air_temp_c", "rel_hum_pct"]


def test_water_is_not_foreseen_and_promises_nothing() -> None:
    rinse = stage_of(foreseen(frame()), "rinse")
    foam = stage_of(foreseen(frame(panel_temp_c=2.0)), "foam")
    assert rinse.fitness == "unknown"
    assert foam.not_foreseen == ("water_temp_c",)
    assert foam.fitness == "unfit"
    assert foam.said.text == ""


def test_a_planned_wash_makes_it_humid() -> None:
    wash = Plans(stages=(("wash", 10, 40), ("drying", 40, 180)))
    plain, washed = (foreseen(frame(), Context(plans=p)) for p in (Plans(), wash))
    at_40 = washed.fans[1].minutes.index(40)
    assert middle(washed, "rel_hum_pct")[at_40] > middle(plain, "rel_hum_pct")[at_40] + 8


def test_a_planned_door_makes_it_cold() -> None:
    door = Context(plans=Plans(door_open=((10.0, 25.0),)))
    plain, opened = foreseen(frame()), foreseen(frame(), door)
    place = plain.fans[0].minutes.index(25)
    assert middle(opened, "air_temp_c")[place] < middle(plain, "air_temp_c")[place] - 0.5


def test_a_forecast_of_the_night_counts() -> None:
    cold, mild = (
        tuple(Outside(NOW_US + h * 60 * MINUTE_US, temp_c, 80.0) for h in range(5))
        for temp_c in (-25.0, 5.0)
    )
    ends = [
        middle(foreseen(frame(), Context(plans=Plans(outdoor=told))), "panel_temp_c")[-1]
        for told in (cold, mild)
    ]
    assert ends[0] < ends[1]


def test_a_wash_next_door_comes_through_the_curtain() -> None:
    def with_neighbour(stage: str) -> BayOutlook:
        other = frame(rel_hum_pct=60.0)
        other.stage[-5:] = stage
        mine = frame()
        mine = replace(mine, shared_c=other["air_temp_c"], shared_ratio=other.ratio)
        return foreseen(mine, Context(neighbours=(Neighbour(FACTS, other),)))

    dry, wet = (middle(with_neighbour(stage), "rel_hum_pct")[12] for stage in ("", "foam"))
    assert wet > dry + 2


def test_the_words_of_the_outlook_before_are_kept_while_they_hold() -> None:
    before = foreseen(frame(rel_hum_pct=80.0, stage="drying"))
    later = foreseen(
        frame(rel_hum_pct=80.0, stage="drying"), Context(before=before), NOW_US + MINUTE_US
    )
    for one, two in zip(before.stages, later.stages, strict=True):
        assert one.said.middle_us == two.said.middle_us


def test_an_outlook_is_json() -> None:
    found = foreseen(frame())
    assert msgspec.json.decode(found.to_json(), type=BayOutlook) == found


def test_settle_time_is_told_beside_the_entering() -> None:
    assert stage_of(foreseen(frame()), "coating").settle_min == 10


def test_an_update_takes_in_what_came_and_nothing_twice() -> None:
    rows = frame()
    moved = update(FACTS, rows)
    assert moved.updated_us == START_US + SIZE * MINUTE_US
    assert len(moved.trust["calm"].marks) > len(FACTS.trust["calm"].marks)
    again = update(moved, rows)
    assert again.trust == moved.trust


def test_a_bay_of_little_data_names_no_end_that_may_be_soon_or_late() -> None:
    """Ours: "closing in 5 min to 2 h" helps nobody; a bay that has taught for long may say it."""
    rows = frame(rel_hum_pct=57.0)
    long = msgspec.structs.replace(FACTS, days=30.0, guessing=False)
    learned = stage_of(outlook(long, rows, STAGES, NOW_US), "coating")
    little = stage_of(foreseen(rows), "coating")
    assert learned.fitness == little.fitness == "fit"
    assert learned.leaves is not None
    assert learned.leaves.early is not None
    assert learned.leaves.early < 30
    assert little.leaves is None
    assert little.said.text == "fit now"
