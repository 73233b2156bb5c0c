"""The flash window: corrected for the panel, silent about nothing."""

from __future__ import annotations

import math
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.job.model import Flash
from envmon.physics.carriers import CARRIERS, evaporation_ratio
from envmon.physics.flash import FlashSheet, FlashWindow, flash_window
from envmon.units import UnitSystem

SHEET = FlashSheet(120, 300)
temps = st.floats(0, 45)


def words(window: FlashWindow) -> str:
    return " | ".join((*window.why, window.outside_sheet))


@pytest.mark.parametrize("carrier", CARRIERS)
@pytest.mark.parametrize("at_c", [15.0, 20.0, 23.0])
def test_at_the_sheet_s_temperature_it_is_the_sheet_s_range(carrier: str, at_c: float) -> None:
    window = flash_window(FlashSheet(120, 300, at_c, carrier), at_c, at_c, 45)
    assert (window.from_s, window.to_s) == pytest.approx((120, 300), rel=1e-12)
    assert window.factor == pytest.approx(1, rel=1e-12)
    assert window.outside_sheet == ""


def test_a_panel_10_to_11_kelvin_colder_takes_twice_as_long() -> None:
    """Rule of thumb of the trade (common practice), 2-propanol."""
    window = flash_window(SHEET, 9.5, 9.5, None)
    assert window.factor == pytest.approx(2, rel=0.06)
    assert (window.from_s, window.to_s) == (120 * window.factor, 300 * window.factor)
    assert flash_window(SHEET, 30.5, 30.5, None).factor == pytest.approx(0.5, rel=0.06)


@given(temps, temps, st.sampled_from(sorted(CARRIERS)))
def test_warmer_is_never_later(one: float, other: float, carrier: str) -> None:
    sheet = FlashSheet(120, 300, carrier=carrier)
    cold, warm = sorted((one, other))
    assert flash_window(sheet, warm, 20, 45).to_s <= flash_window(sheet, cold, 20, 45).to_s
    assert flash_window(sheet, 20, warm, 45).to_s <= flash_window(sheet, 20, cold, 45).to_s


@given(temps, temps)
def test_there_and_back_is_the_sheet(panel_c: float, at_c: float) -> None:
    """A sheet that gave our window at the panel's temperature gives the first range at its own."""
    there = flash_window(SHEET._replace(at_c=at_c), panel_c, panel_c, None)
    back = FlashSheet(there.from_s, there.to_s, panel_c)
    again = flash_window(back, at_c, at_c, None)
    assert (again.from_s, again.to_s) == pytest.approx((120, 300), rel=1e-9)


def test_the_panel_counts_and_the_air_only_in_the_film() -> None:
    cold_panel = flash_window(SHEET, 12, 20, None)
    cold_air = flash_window(SHEET, 20, 12, None)
    assert cold_panel.factor > 1.6
    assert cold_air.factor == pytest.approx(1, abs=0.02)
    assert cold_panel.factor == 1 / evaporation_ratio("2-propanol", 12, 16, 20)


def test_without_a_panel_the_air_stands_in_and_it_says_so() -> None:
    window = flash_window(SHEET, None, 14, 45)
    assert window[:5] == flash_window(SHEET, 14, 14, 45)[:5]
    assert "no panel temperature; air 14.0 °C" in window.why[0]


@pytest.mark.parametrize("unknown", [None, math.nan, math.inf, 900.0, -200.0])
def test_nothing_known_is_the_sheet_s_own_range_and_says_so(unknown: float | None) -> None:
    """A number no sensor can mean is no number."""
    window = flash_window(SHEET, unknown, unknown, unknown)
    assert (window.from_s, window.to_s, window.factor) == (120, 300, 1)
    assert window.why == ("no temperature known: the sheet's own range",)
    assert window.outside_sheet == ""


def test_leaving_the_sheet_s_range_is_said_at_either_end() -> None:
    late, early = flash_window(SHEET, 15, 15, 45), flash_window(SHEET, 25, 25, 45)
    assert f"until {int(late.to_s // 60)}:" in late.outside_sheet
    assert "past the sheet's 5:00 min" in late.outside_sheet
    assert "before the sheet's 2:00 min" in early.outside_sheet
    assert "guess" not in late.outside_sheet + early.outside_sheet


@given(st.floats(-10, 60), st.floats(0, 45))
def test_no_window_leaves_the_sheet_silently(panel_c: float, at_c: float) -> None:
    window = flash_window(SHEET._replace(at_c=at_c), panel_c, 20, 45)
    leaves = window.from_s < 119.5 or window.to_s > 300.5
    assert not leaves or "the sheet's" in window.outside_sheet
    assert ("guess" in window.outside_sheet) == (abs(panel_c - at_c) > 10)


def test_beyond_what_is_known_nothing_is_corrected_and_it_says_so() -> None:
    """Below −10 °C no vapour pressure; water, and so its product, freezes at 0 °C."""
    for carrier, at_c, panel_c in (("2-propanol", 20.0, -15.0), ("water", 5.0, -2.0)):
        window = flash_window(FlashSheet(120, 300, at_c, carrier), panel_c, 10, 45)
        assert (window.from_s, window.to_s) == (120, 300)
        assert "not corrected" in window.why[0]
        assert "times do not hold here" in window.outside_sheet


def test_humidity_counts_when_the_sheet_says_so() -> None:
    """Two steps of a tenth shorter are 0.9²; ten percent drier is a ninth longer."""
    sheet = SHEET._replace(per_10_rh=-0.1)
    assert flash_window(sheet, 20, 20, 65).factor == pytest.approx(0.81)
    assert flash_window(sheet, 20, 20, 55).factor == pytest.approx(0.9)
    assert flash_window(sheet, 20, 20, 35).factor == pytest.approx(1 / 0.9)
    assert "humidity 65 %, the sheet is for 45 %: times 0.81" in words(
        flash_window(sheet, 20, 20, 65)
    )
    both = flash_window(sheet, 14, 14, 65).factor
    assert both == pytest.approx(0.81 * flash_window(sheet, 14, 14, 45).factor)


def test_humidity_does_not_count_when_the_sheet_is_silent_and_it_says_so() -> None:
    wet = flash_window(SHEET, 20, 20, 80)
    assert wet.factor == pytest.approx(1, rel=1e-12)
    assert "humidity 80 %: not counted" in words(wet)
    assert "humidity" not in words(flash_window(SHEET, 20, 20, 50))


@pytest.mark.parametrize("rel_hum_pct", [None, math.nan, 250.0])
def test_unknown_humidity_is_said_when_the_sheet_asks_for_it(rel_hum_pct: float | None) -> None:
    window = flash_window(SHEET._replace(per_10_rh=-0.1), 20, 20, rel_hum_pct)
    assert window.factor == pytest.approx(1, rel=1e-12)
    assert "humidity not known: not corrected" in words(window)


@pytest.mark.parametrize("units", get_args(UnitSystem))
def test_words_are_in_the_units_asked_for(units: UnitSystem) -> None:
    """59 °F are 15 °C by definition."""
    said = words(flash_window(SHEET, 15, 20, 45, units))
    assert ("59.0 °F" in said) == (units == "us")
    assert ("°C" in said) == (units == "metric")


def test_it_fits_the_mark_of_a_panel() -> None:
    window = flash_window(SHEET, 15, 20, 45)
    assert Flash(**window._asdict()).to_s == window.to_s


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        (FlashSheet(0, 300), "flash is 0 to 300 s; allowed is"),
        (FlashSheet(300, 120), "flash is 300 to 120 s"),
        (FlashSheet(math.nan, 120), "flash is nan to 120 s"),
        (FlashSheet(120, math.inf), "flash is 120 to inf s"),
        (SHEET._replace(carrier="petrol"), "carrier is 'petrol'; there are values for"),
        (SHEET._replace(at_c=90.0), "temperature of 2-propanol is 90 °C"),
        (SHEET._replace(rh_at_pct=-4.0), "relative humidity is -4 %"),
        (SHEET._replace(per_10_rh=0.9), "flash per 10 % humidity is 0.9"),
    ],
)
def test_an_impossible_sheet_is_refused(sheet: FlashSheet, said: str) -> None:
    with pytest.raises(InputError, match=said):
        flash_window(sheet, 20, 20, 45)
