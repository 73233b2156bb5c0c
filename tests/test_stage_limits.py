"""The built-in stages hold common-practice limits, and a product's sheet wins over them.

Source of the table: common practice in vehicle surface care. The 3 K rule is that of
ISO 12944-7 and ISO 8502-4 (from memory).
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from envmon.shop.load import load_shop
from envmon.shop.stages import BUILT_IN, stage_by_id, stages_in_force

SHOPS = Path(__file__).parent.parent / "fixtures" / "shops"

# stage -> quantity -> (low, high); common practice
COMMON_PRACTICE: dict[str, dict[str, tuple[float | None, float | None]]] = {
    "warm_up": {"panel_temp_c": (10, None), "dew_margin_k": (0, None)},
    "foam": {"water_temp_c": (30, 45), "panel_temp_c": (5, 30)},
    "wash": {"water_temp_c": (30, 40), "panel_temp_c": (5, 30)},
    "decontamination": {"panel_temp_c": (10, 30)},
    "rinse": {"dissolved_solids_ppm": (None, 10)},
    "drying": {"dew_margin_k": (0, None), "rel_hum_pct": (None, 60)},
    "polish": {"air_temp_c": (15, 27), "panel_temp_c": (10, 35), "rel_hum_pct": (None, 65)},
    "wipe": {"air_temp_c": (15, 27)},
    "coating": {
        "air_temp_c": (18, 24),
        "rel_hum_pct": (35, 60),
        "panel_temp_c": (15, 25),
        "dew_margin_k": (3, None),
    },
    "early_cure": {"air_temp_c": (15, 25), "rel_hum_pct": (30, 65), "dew_margin_k": (3, None)},
    "cure": {"air_temp_c": (15, 25), "rel_hum_pct": (30, 65), "dew_margin_k": (3, None)},
    "hand_over": {},
}


def test_stages_come_in_the_order_of_work() -> None:
    assert [stage.id for stage in BUILT_IN] == list(COMMON_PRACTICE)


@pytest.mark.parametrize("stage_id", COMMON_PRACTICE)
def test_built_in_limits_are_common_practice(stage_id: str) -> None:
    limits = stage_by_id(stage_id).limits
    found = {limit.quantity: (limit.low, limit.high) for limit in limits}
    assert found == COMMON_PRACTICE[stage_id]
    assert all(limit.source for limit in limits)


def test_coating_aims_where_it_works_best() -> None:
    """Common practice: aim for 20 °C and 40 to 45 %."""
    aims = {q.quantity: (q.aim_low, q.aim_high) for q in stage_by_id("coating").limits}
    assert aims["air_temp_c"] == (20, 20)
    assert aims["rel_hum_pct"] == (40, 45)


def test_three_kelvin_rule_names_its_standard() -> None:
    for stage_id in ("coating", "early_cure", "cure"):
        limit = next(x for x in stage_by_id(stage_id).limits if x.quantity == "dew_margin_k")
        assert "ISO 12944-7" in limit.source
        assert "from memory" in limit.source


def test_solvent_wipe_flashes_off_before_the_next_stage() -> None:
    """Common practice: 5 to 10 min; coating waits the longer one."""
    assert (stage_by_id("wipe").settle, stage_by_id("coating").settle) == (300, 600)


def test_sheet_wins_over_common_practice() -> None:
    shop = load_shop(SHOPS / "one_bay_metric.toml")
    coating = next(s for s in stages_in_force(shop, shop.bay[0]) if s.id == "coating")
    limits = {limit.quantity: limit for limit in coating.limits}
    assert (limits["air_temp_c"].low, limits["air_temp_c"].high) == (16, 26)
    assert limits["air_temp_c"].source == "Northlight data sheet, edition 4, section 3"
    assert (limits["rel_hum_pct"].low, limits["rel_hum_pct"].high) == (30, 70)
    assert limits["rel_hum_pct"].source == "Northlight data sheet, edition 4"
    assert (limits["panel_temp_c"].low, limits["panel_temp_c"].high) == (15, 25)
    assert limits["panel_temp_c"].source == "common practice"
    assert (coating.sheet, coating.product) == (date(2025, 9, 1), "northlight")
    assert coating.settle == 900


def test_sheet_does_not_reach_stages_it_is_silent_on() -> None:
    shop = load_shop(SHOPS / "one_bay_metric.toml")
    in_force = {stage.id: stage for stage in stages_in_force(shop, shop.bay[0])}
    for stage_id in ("wash", "polish", "wipe", "early_cure"):
        assert in_force[stage_id] == stage_by_id(stage_id)


def test_bay_without_the_product_keeps_common_practice() -> None:
    shop = load_shop(SHOPS / "three_bay_us.toml")
    assert stages_in_force(shop, shop.bay_by_id("wash")) == BUILT_IN
    assert stages_in_force(shop, shop.bay_by_id("coat")) != BUILT_IN
