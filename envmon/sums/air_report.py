"""``envmon air``: one state of the air, worked out and written down."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.physics.air import MoistAir, moist_air_state, pressure_pa_from_altitude
from envmon.physics.surface import (
    THREE_K_RULE,
    Verdict,
    condensation_verdict,
    dew_margin_k,
)
from envmon.units import QUANTITIES, convert, format_value

if TYPE_CHECKING:
    from envmon.units import UnitSystem

_OPTIONS = {"temp": "temperature", "altitude": "altitude", "panel": "panel"}
_VERDICTS: dict[Verdict, str] = {
    "dry": "dry, 3 K or more above saturation",
    "at_risk": "no water yet, but under the 3 K rule",
    "wet": "water settles on the panel",
    "frost": "frost settles on the panel",
}


@dataclass(frozen=True, slots=True)
class AirQuestion:
    """One state of the air, SI inside.

    Attributes:
        air_temp_c: Air temperature [°C].
        rel_hum_pct: Relative humidity over liquid water [%].
        panel_temp_c: Panel temperature [°C], or None.
        altitude_m: Height above sea level [m].
    """

    air_temp_c: float
    rel_hum_pct: float
    panel_temp_c: float | None
    altitude_m: float

    @classmethod
    def from_units(
        cls, temp: float, rh: float, panel: float | None, altitude: float, units: UnitSystem
    ) -> AirQuestion:
        """Return the question with metric (°C, m) or US (°F, ft) numbers made SI."""
        us = units == "us"
        unit, length = ("°F", "ft") if us else ("°C", "m")
        _ensure("temp", temp, (-76, 176) if us else (-60, 80), unit)
        _ensure("altitude", altitude, (-1640, 13_123) if us else (-500, 4_000), length)
        if panel is not None:
            _ensure("panel", panel, (-76, 248) if us else (-60, 120), unit)
        return cls(
            convert(temp, unit, "temperature"),
            rh,
            None if panel is None else convert(panel, unit, "temperature"),
            convert(altitude, length, "length"),
        )

    @property
    def pressure_pa(self) -> float:
        """Air pressure at this height [Pa]."""
        return float(pressure_pa_from_altitude(self.altitude_m))

    def state(self) -> MoistAir:
        """Return what follows for the air.

        Raises:
            InputError: The state is outside the valid range.
        """
        return moist_air_state(self.air_temp_c, self.rel_hum_pct, self.pressure_pa)

    def margin_k(self, state: MoistAir) -> float | None:
        """Return how far the panel lies above saturation [K], or None without a panel."""
        if self.panel_temp_c is None:
            return None
        return float(dew_margin_k(self.panel_temp_c, state.dew_point_c, state.frost_point_c))


def _ensure(name: str, value: float, ends: tuple[float, float], unit: str) -> None:
    """Refuse a value outside what is allowed, in the units it was asked in."""
    low, high = ends
    if not low <= value <= high:
        said = f"{low:g} to {high:g} {unit}".replace("-", "−")
        raise InputError(
            f"{_OPTIONS[name]} is {value:g} {unit}; allowed is {said}: correct --{name}"
        )


def _values(question: AirQuestion, state: MoistAir) -> dict[str, float]:
    names = ("dew_point_c", "frost_point_c", "wet_bulb_c", "humidity_ratio_kg_kg")
    values = {name: float(getattr(state, name)) for name in names}
    values["vapour_pressure_pa"] = float(state.vapour_pressure_pa)
    values["air_pressure_pa"] = question.pressure_pa
    margin = question.margin_k(state)
    if margin is not None:
        values["dew_margin_k"] = margin
    return values


def air_json(question: AirQuestion) -> str:
    """Return the answer as one JSON document, SI.

    Raises:
        InputError: The state is outside the valid range.
    """
    state = question.state()
    document: dict[str, float | str | None] = {
        "air_temp_c": question.air_temp_c,
        "rel_hum_pct": question.rel_hum_pct,
        "panel_temp_c": question.panel_temp_c,
        **_values(question, state),
    }
    margin = question.margin_k(state)
    if margin is not None and question.panel_temp_c is not None:
        document["condensation"] = condensation_verdict(question.panel_temp_c, margin)
    return json.dumps(document)


def air_lines(question: AirQuestion, units: UnitSystem) -> list[str]:
    """Return the answer as lines to read, in the units asked for.

    Raises:
        InputError: The state is outside the valid range.
    """
    state = question.state()
    values = _values(question, state)
    if state.vapour_pressure_pa >= 611.657:
        del values["frost_point_c"]  # such air dews, it does not frost
    labels = {name: QUANTITIES[name].label for name in values}
    if question.panel_temp_c is not None and question.panel_temp_c < 0:
        labels["dew_margin_k"] = "panel above frost point"
    lines = [
        f"{labels[name]:<23} {format_value(value, QUANTITIES[name], units):>12}"
        for name, value in values.items()
    ]
    margin = question.margin_k(state)
    if margin is not None and question.panel_temp_c is not None:
        verdict = _VERDICTS[condensation_verdict(question.panel_temp_c, margin)]
        lines.append(f"{'on the panel':<23} {verdict}")
        lines.append(
            f"(3 K rule: at least {THREE_K_RULE:g} K; ISO 12944-7, ISO 8502-4, from memory)"
        )
    return lines
