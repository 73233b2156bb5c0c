"""The formulas of ``envmon.physics.air`` themselves, for numbers and arrays alike.

Each takes its values, then the phases, then ``math`` or ``numpy``. None checks a range but for
what only shows on the way: vapour too thin for any dew point, a dew point above the air.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from envmon.errors import InputError
from envmon.physics.mixture import GAS_CONSTANT_VAPOUR, enthalpy_of
from envmon.physics.ranges import REL_HUM
from envmon.physics.saturation import (
    LOWEST_C,
    LOWEST_PA,
    TRIPLE_PA,
    ZERO_C_K,
    Phase,
    Value,
    saturation,
    split,
    temperature_of,
)
from envmon.physics.wetbulb import ratio_of, solve_wet_bulb


def vapour(t: Value, rh: Value, over: Phase, xp: Any) -> Value:
    """Return the vapour pressure [Pa]."""
    return rh / 100 * saturation(t, over, xp)


def point(e: Value, over: Phase, xp: Any) -> Value:
    """Return the temperature [°C] at which a vapour pressure [Pa] saturates."""
    lowest = LOWEST_PA[over]
    if xp is not math:
        return temperature_of(np.where(e < lowest, np.nan, e), over, xp)
    if e < lowest:
        raise InputError(
            f"vapour pressure is {e:.3g} Pa, drier than saturated air at {LOWEST_C:g} °C, "
            "where the formulas end: check the humidity sensor"
        )
    return temperature_of(e, over, xp)


def dew_point(t: Value, rh: Value, over: Phase, xp: Any) -> Value:
    """Return the dew point [°C]."""
    return point(vapour(t, rh, over, xp), "water", xp)


def frost_point(t: Value, rh: Value, over: Phase, xp: Any) -> Value:
    """Return the frost point [°C]; vapour too thick for ice has a dew point only."""
    e = vapour(t, rh, over, xp)
    icy = e < TRIPLE_PA
    return split(xp, icy, lambda e: point(e, "ice", xp), lambda e: point(e, "water", xp), e)


def humidity_ratio(t: Value, rh: Value, p: Value, over: Phase, xp: Any) -> Value:
    """Return the humidity ratio [kg/kg]."""
    return ratio_of(vapour(t, rh, over, xp), p)


def absolute_humidity(t: Value, rh: Value, over: Phase, xp: Any) -> Value:
    """Return the mass of vapour per volume [kg/m³]."""
    return vapour(t, rh, over, xp) / (GAS_CONSTANT_VAPOUR * (t + ZERO_C_K))


def wet_bulb(t: Value, rh: Value, p: Value, over: Phase, below_zero: Phase, xp: Any) -> Value:
    """Return the wet bulb [°C]."""
    return solve_wet_bulb(t, vapour(t, rh, over, xp), rh, p, below_zero, xp)


def rel_hum(t: Value, dew: Value, over: Phase, xp: Any) -> Value:
    """Return the relative humidity [%] of a dew point."""
    rel_hum = 100 * saturation(dew, "water", xp) / saturation(t, over, xp)
    if xp is math:
        if rel_hum > REL_HUM.high:
            raise InputError(
                f"dew point is {dew:.6g} °C; allowed is up to the air's {t:.6g} °C "
                f"(relative humidity would be {rel_hum:.4g} %): check the two sensors"
            )
        return rel_hum
    return np.where(rel_hum > REL_HUM.high, np.nan, rel_hum)


def state(t: Value, rh: Value, p: Value, xp: Any) -> tuple[Value, ...]:
    """Return all fields of ``MoistAir``, in their order."""
    e = vapour(t, rh, "water", xp)
    dew = point(e, "water", xp)
    icy = e < TRIPLE_PA
    ratio = ratio_of(e, p)
    return (
        dew,
        split(xp, icy, lambda e, _: point(e, "ice", xp), lambda _, dew: dew, e, dew),
        solve_wet_bulb(t, e, rh, p, "ice", xp),
        e,
        ratio,
        e / (GAS_CONSTANT_VAPOUR * (t + ZERO_C_K)),
        enthalpy_of(t, ratio, xp),
    )
