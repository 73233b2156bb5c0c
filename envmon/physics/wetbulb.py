"""The psychrometric equation: humidity ratio from vapour pressure, and the wet bulb solved."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from envmon.physics.saturation import CLOSE_K, Phase, Value, largest, ln_saturation

MASS_RATIO = 0.621945
"""Molar mass of water over dry air (ASHRAE Fundamentals 2017, ch. 1, eq. 20)."""


def ratio_of(vapour: Value, pressure: Value) -> Value:
    """Return the humidity ratio [kg/kg] of a vapour pressure in air [Pa]; no range check."""
    return MASS_RATIO * vapour / (pressure - vapour)


# Psychrometric equation: latent heat [kJ/kg] at 0 °C, its slope with the wet bulb, and the
# slope of the liquid's or ice's own enthalpy (ASHRAE Fundamentals 2017, ch. 1, eq. 33 and 35).
_BULB: dict[Phase, tuple[float, float, float]] = {
    "water": (2501.0, 2.326, 4.186),
    "ice": (2830.0, 0.24, 2.1),
}


def wet_bulb_residual_kj_kg(
    wet_bulb: Value, air_temp_c: Value, ratio: Value, pressure_pa: Value, bulb: Phase, xp: Any
) -> tuple[Value, Value]:
    """Return what is left of the psychrometric equation at a wet bulb [kJ/kg], and its slope."""
    latent, latent_slope, own_slope = _BULB[bulb]
    ln_p, rise = ln_saturation(wet_bulb, bulb, xp)
    saturated = xp.exp(ln_p)
    at_bulb = ratio_of(saturated, pressure_pa)
    gain = at_bulb * rise * pressure_pa / (pressure_pa - saturated)
    heat = latent - latent_slope * wet_bulb
    left = (
        heat * at_bulb
        - 1.006 * (air_temp_c - wet_bulb)
        - ratio * (latent + 1.86 * air_temp_c - own_slope * wet_bulb)
    )
    return left, heat * gain - latent_slope * at_bulb + 1.006 + own_slope * ratio


_STEPS = 12


def _solve_bulb(t: Value, dew: Value, ratio: Value, p: Value, bulb: Phase, xp: Any) -> Value:
    """Newton on a convex, rising equation: after the first step every guess is from above."""
    wet = t - (t - dew) / 3
    for _ in range(_STEPS):
        left, slope = wet_bulb_residual_kj_kg(wet, t, ratio, p, bulb, xp)
        step = left / slope
        # From far below, the first step could pass the air temperature.
        wet = min(wet - step, t + 1.0) if xp is math else np.minimum(wet - step, t + 1.0)
        if largest(step, xp) < CLOSE_K:
            break
    return wet


def solve_wet_bulb(t: Value, e: Value, dew: Value, p: Value, xp: Any) -> Value:
    """Return the wet bulb [°C] for air temperature, vapour pressure, dew point, pressure.

    Args:
        t: Air temperature [°C].
        e: Vapour pressure [Pa].
        dew: Dew point [°C]; starts the iteration.
        p: Air pressure [Pa].
        xp: ``math`` for floats, ``numpy`` for arrays.
    """
    ratio = ratio_of(e, p)
    wet = _solve_bulb(t, dew, ratio, p, "water", xp)
    if xp is math:
        return wet if wet >= 0 else _solve_bulb(t, dew, ratio, p, "ice", xp)
    icy = wet < 0
    if icy.any():
        wet[icy] = _solve_bulb(t[icy], dew[icy], ratio[icy], p[icy], "ice", xp)
    return wet
