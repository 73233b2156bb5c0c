"""Solvent vapour while wiping or coating: a planning aid, conservative by design, no gas detector.

Model: all of the carrier evaporates evenly while it is spread. The bay is one well-mixed volume
whose ventilation counts only by 1/mixing. At the panel a hemisphere of air lies richer by what
evaporates into it over what moves through it. So the bay's vapour rises as
g/(λV)·(1 − exp(−λt)) and falls as exp(−λt), λ being the air changes over the mixing factor.

Left out: vapour there before, other solvents of the product, pits and corners where heavy vapour
gathers, what clothes and towels give off later.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from envmon.physics.carriers import GAS_CONSTANT, carrier_of, carrier_pressure_pa
from envmon.physics.mixture import STANDARD_PRESSURE_PA, density_kg_m3
from envmon.physics.ranges import PRESSURE, Limit
from envmon.physics.saturation import ZERO_C_K
from envmon.physics.solvent_limits import WINDOW_S, Over, limits_of
from envmon.physics.wetbulb import HEAT_DRY_AIR

if TYPE_CHECKING:
    from collections.abc import Callable

MIXING = 3.0
"""Ventilation counts by a third (ACGIH, Industrial Ventilation: 1 to 10 by how well the air
mixes; from memory)."""
PANEL_FLOW_M3_S = 7.0 / 60
"""Air that moves through the hemisphere over a panel: 0.8 m radius, half its surface, 0.06 m/s
(near-field model, Nicas 1996; numbers from memory)."""
MOST_CHANGES = 60.0
"""More air changes than this are no matter of ventilating a bay [1/h]."""

_MEND = "check the number and its unit"
MASS = Limit("mass of the carrier", "kg", 1e-4, 20.0, "0.1 g to 20 kg (0.0035 to 700 oz)", _MEND)
SPREAD = Limit("time of spreading", "s", 10.0, 28_800.0, "10 s to 8 h", _MEND)
VOLUME = Limit(
    "volume of the bay", "m³", 5.0, 20_000.0, "5 to 20 000 m³ (177 to 706 000 ft³)", _MEND
)
CHANGES = Limit("air changes", "1/h", 0.0, MOST_CHANGES, "0 to 60 in an hour", _MEND)
MIXING_RANGE = Limit("mixing factor", "", 1.0, 10.0, "1 (mixes fully) to 10 (hardly)", _MEND)
BAY_TEMP = Limit("bay temperature", "°C", 0.0, 45.0, "0 to 45 °C (32 to 113 °F)", _MEND)
OUTDOOR_TEMP = Limit(
    "outdoor temperature", "°C", -60.0, 60.0, "−60 to 60 °C (−76 to 140 °F)", _MEND
)

CAUTIONS = (
    "A planning aid, no gas detector. Ventilate; no flame, spark or unsealed heater.",
    "Breathing protection as the safety data sheet says; it and local codes come first.",
    "At the wet panel, the cloth and the open bottle vapour can burn whatever is shown here.",
    "Vapour is heavier than air: mind pits, drains and low corners.",
)


class Spread(NamedTuple):
    """What evaporates.

    Attributes:
        carrier: One of ``solvent_limits.SOLVENTS``.
        mass_kg: All of it [kg].
        spread_s: So long it takes to spread it, and to evaporate [s].
    """

    carrier: str
    mass_kg: float
    spread_s: float


class BayAir(NamedTuple):
    """The air it evaporates into.

    Attributes:
        volume_m3: Air volume [m³].
        changes_per_h: Air changes by the outdoors [1/h].
        mixing: Mixing factor, 1…10: ventilation counts by its inverse.
        temp_c: Air temperature [°C].
        pressure_pa: Air pressure [Pa].
    """

    volume_m3: float
    changes_per_h: float
    mixing: float = MIXING
    temp_c: float = 20.0
    pressure_pa: float = STANDARD_PRESSURE_PA


def ensure_workable(spread: Spread, air: BayAir) -> None:
    """Refuse what cannot be worked out.

    Raises:
        InputError: A value is out of its range, NaN among them, or the carrier has no limits.
    """
    limits_of(spread.carrier)
    limits = (MASS, SPREAD, VOLUME, CHANGES, MIXING_RANGE, BAY_TEMP, PRESSURE)
    for limit, value in zip(limits, (*spread[1:], *air), strict=True):
        limit.check(value)


def vapour_volume_m3(spread: Spread, air: BayAir) -> float:
    """Return the volume of vapour a mass becomes at the bay's temperature and pressure [m³].

    Source: ideal gas.
    """
    moles = spread.mass_kg / carrier_of(spread.carrier).molar_mass
    return moles * GAS_CONSTANT * (air.temp_c + ZERO_C_K) / air.pressure_pa


def _filled(z: float) -> float:
    """Return (1 − exp(−z))/z."""
    return -math.expm1(-z) / z if z else 1.0


def _filled_twice(z: float) -> float:
    """Return 2(z − 1 + exp(−z))/z²; by its series where the difference would cancel."""
    if z < 1e-3:
        return 1 - z / 3 + z * z / 12
    return 2 * (z + math.expm1(-z)) / (z * z)


class Vapour(NamedTuple):
    """The vapour of one work, from its start on; see the module for the model.

    Attributes:
        spread: What evaporates.
        air: What it evaporates into.
    """

    spread: Spread
    air: BayAir

    @property
    def renewal_per_s(self) -> float:
        """Air changes that count [1/s]."""
        return self.air.changes_per_h / 3600 / self.air.mixing

    @property
    def near_ppm(self) -> float:
        """So much richer the air is at the panel while it is spread."""
        flow = vapour_volume_m3(*self) / self.spread.spread_s
        return 1e6 * flow / PANEL_FLOW_M3_S

    @property
    def saturated_ppm(self) -> float:
        """The air holds no more than this; above it the liquid stays liquid."""
        pressure = carrier_pressure_pa(self.spread.carrier, self.air.temp_c)
        return 1e6 * float(pressure) / self.air.pressure_pa

    @property
    def flush_s(self) -> float:
        """Time after spreading until a tenth of the bay's vapour is left; inf without air [s]."""
        return math.log(10) / self.renewal_per_s if self.renewal_per_s else math.inf

    def bay_ppm(self, t_s: float) -> float:
        """Return the vapour in the bay at a time after the start [ppm]."""
        during, after = self._split(t_s)
        rise = during * _filled(self.renewal_per_s * during)
        return self._rate_ppm_s() * rise * math.exp(-self.renewal_per_s * after)

    def panel_ppm(self, t_s: float) -> float:
        """Return the vapour where the panel is worked [ppm]."""
        near = self.near_ppm if 0 <= t_s <= self.spread.spread_s else 0.0
        return self.bay_ppm(t_s) + near

    def mean_ppm(self, from_s: float, to_s: float) -> float:
        """Return the mean of ``panel_ppm`` between two times."""
        return (self._sum_ppm_s(to_s) - self._sum_ppm_s(from_s)) / (to_s - from_s)

    def worst_ppm(self, over: Over) -> float:
        """Return what a limit is held against: the highest moment, or the highest mean [ppm]."""
        end_s, window_s = self.spread.spread_s, WINDOW_S[over]
        if not window_s:
            return self.panel_ppm(end_s)
        start_s = falling_root(
            lambda s: self.bay_ppm(s + window_s) - self.panel_ppm(s),
            max(0.0, end_s - window_s),
            end_s,
        )
        return self.mean_ppm(start_s, start_s + window_s)

    def near_mean_ppm(self, over: Over) -> float:
        """Return what the air at the panel alone adds to a limit's mean with any ventilation."""
        window_s = WINDOW_S[over]
        part = min(1.0, self.spread.spread_s / window_s) if window_s else 1.0
        return part * self.near_ppm

    def _rate_ppm_s(self) -> float:
        whole = 1e6 * vapour_volume_m3(*self) / self.air.volume_m3
        return whole / self.spread.spread_s

    def _split(self, t_s: float) -> tuple[float, float]:
        """Return how much of a time lies in the spreading and how much after it [s]."""
        during = min(max(t_s, 0.0), self.spread.spread_s)
        return during, max(t_s, 0.0) - during

    def _sum_ppm_s(self, t_s: float) -> float:
        """Return the integral of ``panel_ppm`` from the start [ppm s]."""
        during, after = self._split(t_s)
        renewal = self.renewal_per_s
        rise = self._rate_ppm_s() * during**2 / 2 * _filled_twice(renewal * during)
        fall = self.bay_ppm(during) * after * _filled(renewal * after)
        return rise + fall + self.near_ppm * during


def falling_root(falling: Callable[[float], float], low: float, high: float) -> float:
    """Return where a falling function crosses 0, or the end of the span it does not cross in."""
    if falling(low) <= 0:
        return low
    if falling(high) > 0:
        return high
    while True:
        middle = (low + high) / 2
        if not low < middle < high:
            return high
        if falling(middle) > 0:
            low = middle
        else:
            high = middle


def changes_needed(vapour: Vapour, over: Over, limit_ppm: float) -> float | None:
    """Return the air changes that keep a work under a limit [1/h].

    Args:
        vapour: The work; its own air changes do not matter.
        over: What the limit is held against.
        limit_ppm: The limit.

    Returns:
        0 when it stays under without any; None when no ventilation of a bay does it, since the
        air at the panel alone is above, or would need more than ``MOST_CHANGES``.
    """

    def above(changes_per_h: float) -> float:
        air = vapour.air._replace(changes_per_h=changes_per_h)
        return vapour._replace(air=air).worst_ppm(over) - limit_ppm

    needed = falling_root(above, 0.0, MOST_CHANGES)
    return None if above(needed) > 0 else needed


def ventilation_heat_w(air: BayAir, outdoor_c: float) -> float:
    """Return the heat that warms the outdoor air of a bay's ventilation [W]; 0 when it is warmer.

    Sensible heat of dry air only: not what damp air carries, nor walls, fans or a poor burner.

    Raises:
        InputError: A temperature is out of its range.

    Source: mass flow × heat capacity × difference; density of the air that leaves.
    """
    BAY_TEMP.check(air.temp_c)
    OUTDOOR_TEMP.check(outdoor_c)
    flow_m3_s = air.volume_m3 * air.changes_per_h / 3600
    mass_kg_s = flow_m3_s * float(density_kg_m3(air.temp_c, 0.0, air.pressure_pa))
    return 1000 * HEAT_DRY_AIR * mass_kg_s * max(air.temp_c - outdoor_c, 0.0)
