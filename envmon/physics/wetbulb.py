"""The psychrometric equation: humidity ratio from vapour pressure, and the wet bulb solved."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from envmon.physics.saturation import (
    ZERO_C_K,
    ZERO_PA,
    Phase,
    Value,
    cold_water,
    ice,
    largest,
    split,
    warm_water,
)

MASS_RATIO = 0.621945
"""Molar mass of water over dry air (ASHRAE Fundamentals 2017, ch. 1, eq. 20)."""
HEAT_DRY_AIR = 1.006
"""Heat capacity of dry air [kJ/(kg K)] (ASHRAE Fundamentals 2017, ch. 1, eq. 30)."""
HEAT_VAPOUR = 1.86
"""Heat capacity of water vapour [kJ/(kg K)] (ASHRAE Fundamentals 2017, ch. 1, eq. 30)."""
LATENT_HEAT = 2501.0
"""Enthalpy of water vapour at 0 °C [kJ/kg] (ASHRAE Fundamentals 2017, ch. 1, eq. 30)."""


class Bulb(NamedTuple):
    """What the bulb is wetted with.

    Attributes:
        formula: Saturation over it.
        latent: Latent heat at 0 °C [kJ/kg].
        latent_slope: How it falls with the wet bulb [kJ/(kg K)].
        own_slope: Heat capacity of the water or ice itself [kJ/(kg K)].
    """

    formula: Any
    latent: float
    latent_slope: float
    own_slope: float


# ASHRAE Fundamentals 2017, ch. 1, eq. 33 (water) and 35 (ice).
WARM = Bulb(warm_water, 2501.0, 2.326, 4.186)
COLD = Bulb(cold_water, 2501.0, 2.326, 4.186)
ICE = Bulb(ice, 2830.0, 0.24, 2.1)


def ratio_of(vapour: Value, pressure: Value) -> Value:
    """Return the humidity ratio [kg/kg] of a vapour pressure in air [Pa]; no range check."""
    return MASS_RATIO * vapour / (pressure - vapour)


class Residual(NamedTuple):
    """What is left of the psychrometric equation [kJ/kg], and its first two slopes."""

    left: Value
    slope: Value
    bend: Value


def residual(
    wet_bulb: Value, air_temp_c: Value, ratio: Value, pressure: Value, bulb: Bulb, xp: Any
) -> Residual:
    """Return how far a wet bulb misses the psychrometric equation.

    Args:
        wet_bulb: Wet bulb tried [°C].
        air_temp_c: Air temperature [°C].
        ratio: Humidity ratio of the air [kg/kg].
        pressure: Air pressure [Pa].
        bulb: What is on the bulb.
        xp: ``math`` for floats, ``numpy`` for arrays.
    """
    t_k = wet_bulb + ZERO_C_K
    ln_p, rise = bulb.formula(t_k, xp)
    saturated = xp.exp(ln_p)
    dry = 1 / (pressure - saturated)
    at_bulb = MASS_RATIO * saturated * dry
    steep = rise * pressure * dry
    heat = bulb.latent - bulb.latent_slope * wet_bulb
    left = (
        heat * at_bulb
        - HEAT_DRY_AIR * (air_temp_c - wet_bulb)
        - ratio * (bulb.latent + HEAT_VAPOUR * air_temp_c - bulb.own_slope * wet_bulb)
    )
    gain = heat * at_bulb * steep
    slope = gain - bulb.latent_slope * at_bulb + HEAT_DRY_AIR + bulb.own_slope * ratio
    # Only speeds the iteration: the slope of `rise` is taken as −2 rise / T (within 10 %).
    return Residual(left, slope, gain * (steep + rise * saturated * dry - 2 / t_k))


_STEPS = 12
_CLOSE_K = 5e-4
"""After a Halley step smaller than this the error left is below 1e-9 K (it is nearly cubed)."""


def _solved(guess_to_p: tuple[Value, ...], bulb: Bulb, xp: Any) -> Value:
    """Halley's steps: unlike Newton's they do not overshoot on an exponential."""
    wet, t, ratio, p = guess_to_p
    for _ in range(_STEPS):
        left, slope, bend = residual(wet, t, ratio, p, bulb, xp)
        newton = left / slope
        step = newton / (1 - 0.5 * newton * bend / slope)
        wet = wet - step
        if largest(step, xp) < _CLOSE_K:
            break
    return wet


def _frozen(guess_to_p: tuple[Value, ...], below_zero: Phase, xp: Any) -> Value:
    if below_zero == "water":
        return _solved(guess_to_p, COLD, xp)
    wet = _solved(guess_to_p, ICE, xp)
    # In air saturated over water within 0.3 K of 0 °C, water on the bulb would be below 0 °C and
    # ice up to 0.01 K above: then both are on it, at 0 °C.
    return min(wet, 0.0) if xp is math else np.minimum(wet, 0.0)


def _first_guess_c(t: Value, e: Value, rel_hum_pct: Value, p: Value, xp: Any) -> Value:
    """Return about the wet bulb [°C]: the psychrometer line met with a chord of saturation."""
    # Magnus dew point and slope; the fourth root makes a chord of the slope (found by trial).
    above = xp.log(e) - 6.4154
    dew = 243.12 * above / (17.62 - above)
    chord = e * (17.62 - above) ** 2 / (17.62 * 243.12) / xp.sqrt(xp.sqrt(rel_hum_pct / 100))
    psychrometer = p * (HEAT_DRY_AIR / (MASS_RATIO * LATENT_HEAT))
    return (psychrometer * t + chord * dew) / (psychrometer + chord)


def solve_wet_bulb(
    t: Value, e: Value, rel_hum_pct: Value, p: Value, below_zero: Phase, xp: Any
) -> Value:
    """Return the wet bulb [°C]; no range check.

    Args:
        t: Air temperature [°C].
        e: Vapour pressure [Pa].
        rel_hum_pct: Relative humidity [%]; only starts the iteration.
        p: Air pressure [Pa].
        below_zero: What is on the bulb where water on it would be below 0 °C.
        xp: ``math`` for floats, ``numpy`` for arrays.
    """
    ratio = ratio_of(e, p)
    # The water bulb is below 0 °C where at 0 °C too much of its equation is left.
    at_zero = LATENT_HEAT * ratio_of(ZERO_PA, p) - HEAT_DRY_AIR * t
    freezing = at_zero > ratio * (LATENT_HEAT + HEAT_VAPOUR * t)
    start = _first_guess_c(t, e, rel_hum_pct, p, xp)
    return split(
        xp,
        freezing,
        lambda *guess_to_p: _frozen(guess_to_p, below_zero, xp),
        lambda *guess_to_p: _solved(guess_to_p, WARM, xp),
        *(start, t, ratio, p),
    )
