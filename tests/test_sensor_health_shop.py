"""What a shop file may ask of a sensor, in which units, and what it may not."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from envmon.clock import HOUR_US, MINUTE_US
from envmon.errors import InputError
from envmon.intake.health_rules import health_rules
from envmon.shop.load import check_text, load_shop
from envmon.shop.models import Read
from envmon.shop.schema import shop_schema
from envmon.shop.sensor_health import (
    HUMIDITIES,
    LIMITS,
    NEVER,
    NEVER_FLAT,
    HealthLimits,
    health_limits,
)
from envmon.units import FORECASTS, QUANTITIES

SHOPS = Path(__file__).parent.parent / "fixtures" / "shops"
GOOD = (SHOPS / "one_bay_metric.toml").read_text("utf-8")
AIR = 'name = "t"\noffset = -0.3'


def test_without_a_word_common_practice_is_asked() -> None:
    assert health_limits(Read(name="t"), "air_temp_c") == LIMITS["air_temp_c"]
    assert health_limits(Read(name="d"), "particulate_ug_m3") == HealthLimits()


def test_the_table_holds_measured_quantities_that_can_be_asked() -> None:
    for name, limits in LIMITS.items():
        quantity = QUANTITIES[name]
        assert not quantity.derived
        assert name not in NEVER_FLAT
        assert 0 < limits.spike < quantity.high - quantity.low
        assert (limits.wet_after > 0) == (name in HUMIDITIES)
    states = {q.name for q in QUANTITIES.values() if q.dimension in {"state", "energy", "volume"}}
    assert states | FORECASTS == NEVER


def test_differences_in_fahrenheit_are_differences() -> None:
    """1 °F of difference is 1/1.8 K, by definition."""
    read = Read(name="t", spike="9 °F", rate="18 °F", flat_within="0.9 °F")
    limits = health_limits(read, "air_temp_c")
    assert limits.spike == pytest.approx(5)
    assert limits.rate == pytest.approx(10)
    assert limits.flat_within == pytest.approx(0.5)
    assert limits.flat_after == LIMITS["air_temp_c"].flat_after


def test_nought_asks_nothing() -> None:
    text = GOOD.replace(AIR, AIR + "\nspike = 0\nrate = 0\nflat_after = 0")
    shop, faults = check_text(text, "shop.toml")
    assert (shop is not None, faults) == (True, [])
    assert shop is not None
    rule = health_rules(shop)["hall-air", "air_temp_c"]
    assert (rule.spike, rule.rate_per_us, rule.flat_after_us) == (math.inf,) * 3


def test_a_shop_file_says_otherwise_for_one_read() -> None:
    text = GOOD.replace(AIR, AIR + '\nspike = "2 K"\nflat_after = "3 h"')
    shop, _ = check_text(text, "shop.toml")
    assert shop is not None
    rules = health_rules(shop)
    rule = rules["hall-air", "air_temp_c"]
    assert (rule.spike, rule.flat_after_us, rule.gap_us) == (2, 3 * HOUR_US, 90_000_000)
    assert rules["hall-panel", "panel_temp_c"].spike == LIMITS["panel_temp_c"].spike


def test_every_series_of_a_shop_has_a_rule_the_wildcards_written_out() -> None:
    shop = load_shop(SHOPS / "three_bay_us.toml")
    rules = health_rules(shop)
    assert not [point for point, _ in rules if "{" in point]
    assert len(rules) >= sum(len(point.reads) for point in shop.point)
    door = [rule for (_, quantity), rule in rules.items() if quantity in NEVER]
    assert all(rule.spike == rule.flat_after_us == math.inf for rule in door)


@pytest.mark.parametrize(
    ("line", "key", "says"),
    [
        ("spike = -1", "spike", "spike is -1; allowed is a difference above 0, or 0"),
        ('rate = "3 bar"', "rate", "unit is 'bar' for air_temp_c"),
        ('flat_after = "3 K"', "flat_after", "unit is 'K' for duration; allowed: s, min, h, d"),
        ("flat_after = -5", "flat_after", "value is -5; allowed is"),
        ("wet_after = 60", "wet_after", "asked of humidity sensors, not of air_temp_c"),
        ("spike = true", "spike", "allowed is a number"),
        ("spikes = 3", "spikes", "did you mean 'spike'?"),
    ],
)
def test_a_wrong_word_is_one_fault_where_it_stands(line: str, key: str, says: str) -> None:
    shop, faults = check_text(GOOD.replace(AIR, f"{AIR}\n{line}"), "shop.toml")
    assert shop is None
    assert [fault.path for fault in faults] == [f"point[0].reads.air_temp_c.{key}"]
    assert says in faults[0].message


@pytest.mark.parametrize("key", ["spike", "rate", "flat_after", "flat_within", "wet_after"])
def test_nothing_is_asked_of_a_door(key: str) -> None:
    text = GOOD.replace('pointer = "/open"', f'pointer = "/open", {key} = 60')
    _, faults = check_text(text, "shop.toml")
    assert [fault.path for fault in faults] == [f"point[3].reads.door_open.{key}"]
    assert "take it away" in faults[0].message


def test_dissolved_solids_may_stand_still_for_ever() -> None:
    with pytest.raises(InputError, match="flat_after is not asked of dissolved_solids_ppm"):
        health_limits(Read(name="s", flat_after=60.0), "dissolved_solids_ppm")
    assert health_limits(Read(name="s", spike=50.0), "dissolved_solids_ppm").spike == 50


def test_editors_are_told_of_every_key() -> None:
    keys = shop_schema()["$defs"]["Read"]["properties"]
    assert {"spike", "rate", "flat_after", "flat_within", "wet_after"} <= set(keys)


def test_the_gap_is_how_long_a_reading_lasts() -> None:
    shop = load_shop(SHOPS / "one_bay_metric.toml")
    assert health_rules(shop)["hall-water", "water_temp_c"].gap_us == 5 * MINUTE_US
