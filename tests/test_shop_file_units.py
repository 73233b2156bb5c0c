"""Values in a shop file may stand in °C or °F and are kept straight.

Source of the expected numbers: the definition t/°C = (t/°F - 32) / 1.8; a difference of
1 °F is 1/1.8 K; 1 ft = 0.3048 m (exact, international foot).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from envmon.errors import InputError
from envmon.shop.calibration import calibration
from envmon.shop.load import load_shop
from envmon.shop.models import Read, Shop

SHOPS = Path(__file__).parent.parent / "fixtures" / "shops"


@pytest.fixture(scope="module")
def us_shop() -> Shop:
    return load_shop(SHOPS / "three_bay_us.toml")


def test_limit_in_fahrenheit_is_an_absolute_temperature(us_shop: Shop) -> None:
    limit = us_shop.product[0].limit[0]
    assert limit.low == pytest.approx(33 / 1.8)  # 65 °F = 18.33 °C
    assert limit.high == pytest.approx(25.0)  # 77 °F


def test_margin_and_deadband_in_fahrenheit_are_differences(us_shop: Shop) -> None:
    limit = us_shop.product[0].limit[0]
    assert limit.margin == pytest.approx(2 / 1.8)  # 2 °F = 1.11 K
    assert limit.deadband == pytest.approx(0.5 / 1.8)


def test_dew_margin_in_fahrenheit_is_a_difference(us_shop: Shop) -> None:
    limit = us_shop.product[0].limit[1]
    assert limit.quantity == "dew_margin_k"
    assert limit.low == pytest.approx(3.0)  # 5.4 °F = 3 K


def test_lengths_and_times_with_units(us_shop: Shop) -> None:
    assert us_shop.shop.altitude == pytest.approx(820 * 0.3048)
    assert us_shop.bay_by_id("coat").viewing_distance == pytest.approx(20 * 0.3048)
    assert us_shop.point[0].stale_after == 120
    assert us_shop.product[0].settle == 1200


def test_plain_numbers_are_in_the_unit_of_the_quantity() -> None:
    limit = load_shop(SHOPS / "one_bay_metric.toml").product[0].limit[0]
    assert (limit.low, limit.high, limit.margin) == (16, 26, 1.5)


def test_offset_is_a_difference(us_shop: Shop) -> None:
    gain, offset = calibration(us_shop.point[0].reads["air_temp_c"], "air_temp_c")
    assert gain == 1
    assert offset == pytest.approx(0.5 / 1.8)  # 0.28 K, not -17.5 °C


def test_two_points_are_absolute_temperatures(us_shop: Shop) -> None:
    """Both pairs put back into the line give their true value."""
    gain, offset = calibration(us_shop.point[1].reads["panel_temp_c"], "panel_temp_c")
    for read_f, true_f in ((32.9, 32.0), (98.2, 99.0)):
        read_c, true_c = (read_f - 32) / 1.8, (true_f - 32) / 1.8
        assert gain * read_c + offset == pytest.approx(true_c)


def test_two_points_in_mixed_units_agree() -> None:
    mixed = Read(name="t", two_point=(("32 °F", 0.5), (25.0, "77 °F")))
    plain = Read(name="t", two_point=((0.0, 0.5), (25.0, 25.0)))
    assert calibration(mixed, "air_temp_c") == pytest.approx(calibration(plain, "air_temp_c"))


@pytest.mark.parametrize(
    ("pairs", "says"),
    [
        (((20.0, 19.0), (20.0, 21.0)), "two different reads"),
        ((("68 °F", 19.0), (20.0, 21.0)), "two different reads"),
        (((0.0, 0.0), (10.0, 51.0)), "0.2 to 5"),
        (((0.0, 0.0), (10.0, -10.0)), "0.2 to 5"),
        (((0.0, 0.0), (10.0, "9 Pa")), "allowed: °C"),
    ],
)
def test_pairs_that_give_no_line_are_refused(
    pairs: tuple[tuple[float | str, float | str], tuple[float | str, float | str]], says: str
) -> None:
    with pytest.raises(InputError, match=says):
        calibration(Read(name="t", two_point=pairs), "air_temp_c")


def test_calibration_of_an_unknown_quantity_is_refused() -> None:
    with pytest.raises(InputError, match="air_temp_c, rel_hum_pct"):
        calibration(Read(name="t"), "warmth")
