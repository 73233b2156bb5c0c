"""Every row of the cited tables; source, kind and tolerance stand in each row.

ASHRAE Handbook - Fundamentals (2017), ch. 1, Tables 1 to 3 and Example 1, as quoted in
psychrolib's test-suite. Rows outside our valid range are checked on the formula behind the
public function, which has to refuse them.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from envmon.errors import InputError
from envmon.physics import air, kernels, mixture
from envmon.physics.saturation import ZERO_C_K, Phase, saturation

if TYPE_CHECKING:
    from collections.abc import Callable

CHECK = Path(__file__).parent.parent / "fixtures" / "check"
ROWS: list[dict[str, Any]] = json.loads(
    (CHECK / "moist_air_tables.json").read_text(encoding="utf-8")
)


def _phase(temp_c: float) -> Phase:
    """The handbook's tables lie over ice up to the triple point, over water above."""
    return "ice" if temp_c <= 0.01 else "water"


def _guarded(public: Callable[[], Any], formula: Callable[[], Any], *, inside: bool) -> float:
    """Return the public value; outside the valid range, see it refused and use the formula."""
    if inside:
        return float(public())
    with pytest.raises(InputError, match="allowed is"):
        public()
    return float(formula())


def _saturation(t_dry_bulb_degC: float) -> float:  # noqa: N803 (the table's own names)
    t, over = t_dry_bulb_degC, _phase(t_dry_bulb_degC)
    return _guarded(
        lambda: air.saturation_pressure_pa(t, over),
        lambda: saturation(t, over, math),
        inside=t <= 80,
    )


def _saturated_ratio(t_dry_bulb_degC: float, pressure_Pa: float) -> float:  # noqa: N803
    t, p, over = t_dry_bulb_degC, pressure_Pa, _phase(t_dry_bulb_degC)
    return _guarded(
        lambda: air.humidity_ratio_kg_kg(t, 100, p, over),
        lambda: kernels.humidity_ratio(t, 100, p, over, math),
        inside=t <= 80,
    )


def _saturated_enthalpy(t_dry_bulb_degC: float, pressure_Pa: float) -> float:  # noqa: N803
    t, ratio = t_dry_bulb_degC, _saturated_ratio(t_dry_bulb_degC, pressure_Pa)
    return _guarded(
        lambda: air.enthalpy_j_kg(t, ratio),
        lambda: mixture.enthalpy_of(t, ratio, math),
        inside=t <= 80,
    )


def _atmosphere_pa(altitude_m: float) -> float:
    return _guarded(
        lambda: air.pressure_pa_from_altitude(altitude_m),
        lambda: mixture.standard_atmosphere_pa(altitude_m, math),
        inside=altitude_m <= 4000,
    )


def _atmosphere_c(altitude_m: float) -> float:
    """The temperature that our pressure implies in the same atmosphere (15 °C at sea level)."""
    return float(288.15 * (_atmosphere_pa(altitude_m) / 101_325) ** (1 / 5.2559) - ZERO_C_K)


def _bisect(too_high: Callable[[float], bool], low: float, high: float) -> float:
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if too_high(middle) else (middle, high)
    return low


def _specific_humidity(hum_ratio_kg_kg: float) -> float:
    """Vapour per moist air, as our absolute humidity over our density at 20 °C."""
    wetter = lambda rh: bool(air.humidity_ratio_kg_kg(20, rh) > hum_ratio_kg_kg)  # noqa: E731
    vapour = air.absolute_humidity_kg_m3(20, _bisect(wetter, 0.01, 100))
    return float(vapour / air.density_kg_m3(20, hum_ratio_kg_kg))


def _ratio_of_specific(specific_hum_kg_kg: float) -> float:
    return _bisect(lambda ratio: _specific_humidity(ratio) > specific_hum_kg_kg, 0.001, 0.01)


def _from_wet_bulb(quantity: str) -> Callable[..., float]:
    def found(**inputs: float) -> float:
        t, p = inputs["t_dry_bulb_degC"], inputs["pressure_Pa"]
        wet = inputs["t_wet_bulb_degC"]
        rel_hum = _bisect(lambda rh: bool(air.wet_bulb_c(t, rh, p) > wet), 0.01, 100)
        ratio = air.humidity_ratio_kg_kg(t, rel_hum, p)
        values = {
            "ratio": ratio,
            "dew": air.dew_point_c(t, rel_hum),
            "rel_hum": rel_hum / 100,
            "enthalpy": air.enthalpy_j_kg(t, ratio),
            "volume": air.specific_volume_m3_kg(t, ratio, p),
        }
        return float(values[quantity])

    return found


def _dew_or_frost(t_dry_bulb_degC: float, rel_hum_0_1: float) -> float:  # noqa: N803
    return float(air.frost_point_c(t_dry_bulb_degC, 100 * rel_hum_0_1))


OURS: dict[str, Callable[..., float]] = {
    "GetTKelvinFromTCelsius": lambda t_degC: t_degC + ZERO_C_K,  # noqa: N803
    "GetTCelsiusFromTKelvin": lambda t_K: t_K - ZERO_C_K,  # noqa: N803
    "GetSatVapPres": _saturation,
    "GetSatHumRatio": _saturated_ratio,
    "GetSatAirEnthalpy": _saturated_enthalpy,
    "GetVapPresFromRelHum": lambda t_dry_bulb_degC, rel_hum_0_1: air.vapour_pressure_pa(  # noqa: N803
        t_dry_bulb_degC, 100 * rel_hum_0_1
    ),
    "GetDryAirEnthalpy": lambda t_dry_bulb_degC: air.enthalpy_j_kg(t_dry_bulb_degC, 0),  # noqa: N803
    "GetDryAirVolume": lambda t_dry_bulb_degC, pressure_Pa: air.specific_volume_m3_kg(  # noqa: N803
        t_dry_bulb_degC, 0, pressure_Pa
    ),
    "GetDryAirDensity": lambda t_dry_bulb_degC, pressure_Pa: air.density_kg_m3(  # noqa: N803
        t_dry_bulb_degC, 0, pressure_Pa
    ),
    "GetStandardAtmPressure": _atmosphere_pa,
    "GetStandardAtmTemperature": _atmosphere_c,
    "GetSpecificHumFromHumRatio": _specific_humidity,
    "GetHumRatioFromSpecificHum": _ratio_of_specific,
    "CalcPsychrometricsFromTWetBulb[0]": _from_wet_bulb("ratio"),
    "CalcPsychrometricsFromTWetBulb[1]": _from_wet_bulb("dew"),
    "CalcPsychrometricsFromTWetBulb[2]": _from_wet_bulb("rel_hum"),
    "CalcPsychrometricsFromTWetBulb[4]": _from_wet_bulb("enthalpy"),
    "CalcPsychrometricsFromTWetBulb[5]": _from_wet_bulb("volume"),
    "GetTDewPointFromRelHum": _dew_or_frost,
}


@pytest.mark.parametrize("row", ROWS, ids=[f"{row['function']}-{i}" for i, row in enumerate(ROWS)])
def test_row_holds_within_its_tolerance(row: dict[str, Any]) -> None:
    found = OURS[row["function"]](**row["inputs"])
    assert found == pytest.approx(row["expected"], rel=0, abs=_slack(row)), row["source"]


def _slack(row: dict[str, Any]) -> float:
    tolerance = row["tolerance"]
    assert len(tolerance) == 1
    return float(tolerance.get("abs", 0) or tolerance["rel"] * abs(row["expected"]))


def test_table_is_whole() -> None:
    assert len(ROWS) == 52
    assert {row["function"] for row in ROWS} == set(OURS)
