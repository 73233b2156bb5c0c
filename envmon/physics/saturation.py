"""Saturation pressure of water vapour over liquid water and over ice, and its inverse.

Formulas, chosen on the check grid (largest difference from IAPWS in brackets):

* over water at 0 °C and above: Hyland and Wexler (1983) as in ASHRAE Fundamentals 2017,
  ch. 1, eq. 6 (0.02 %; 0…200 °C);
* over supercooled water: Murphy and Koop (2005), eq. 10, doi:10.1256/qj.04.94 (123…332 K).
  Hyland and Wexler drawn on below 0 °C would be 0.1 % high at −20 °C and 5 % at −60 °C. The
  two meet at 0 °C within 3e-7, the colder one lower, so the whole is strictly rising;
* over ice: Hyland and Wexler (1983), ASHRAE Fundamentals 2017, ch. 1, eq. 5 (0.03 %;
  −100…0 °C, held on to +20 °C for surfaces only just thawed).

Each formula is written once, in terms of a namespace that is ``math`` for one number and
``numpy`` for arrays.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np

Phase = Literal["water", "ice"]
Value = Any
"""A float with ``math``, a float64 array with ``numpy``."""

ZERO_C_K = 273.15
LOWEST_C = -100.0
"""Below this no formula here is valid; dew and frost points end here."""


def _warm_water(t_k: Value, xp: Any) -> tuple[Value, Value]:
    ln_p = (
        -5.8002206e3 / t_k
        + 1.3914993
        + t_k * (-4.8640239e-2 + t_k * (4.1764768e-5 - 1.4452093e-8 * t_k))
        + 6.5459673 * xp.log(t_k)
    )
    slope = (
        5.8002206e3 / (t_k * t_k)
        - 4.8640239e-2
        + t_k * (2 * 4.1764768e-5 - 3 * 1.4452093e-8 * t_k)
        + 6.5459673 / t_k
    )
    return ln_p, slope


def _cold_water(t_k: Value, xp: Any) -> tuple[Value, Value]:
    ln_t = xp.log(t_k)
    bend = xp.tanh(0.0415 * (t_k - 218.8))
    inner = 53.878 - 1331.22 / t_k - 9.44523 * ln_t + 0.014025 * t_k
    ln_p = 54.842763 - 6763.22 / t_k - 4.210 * ln_t + 0.000367 * t_k + bend * inner
    slope = (
        6763.22 / (t_k * t_k)
        - 4.210 / t_k
        + 0.000367
        + bend * (1331.22 / (t_k * t_k) - 9.44523 / t_k + 0.014025)
        + 0.0415 * (1 - bend * bend) * inner
    )
    return ln_p, slope


def _ice(t_k: Value, xp: Any) -> tuple[Value, Value]:
    ln_p = (
        -5.6745359e3 / t_k
        + 6.3925247
        + t_k * (-9.677843e-3 + t_k * (6.2215701e-7 + t_k * (2.0747825e-9 - 9.484024e-13 * t_k)))
        + 4.1635019 * xp.log(t_k)
    )
    slope = (
        5.6745359e3 / (t_k * t_k)
        - 9.677843e-3
        + t_k * (2 * 6.2215701e-7 + t_k * (3 * 2.0747825e-9 - 4 * 9.484024e-13 * t_k))
        + 4.1635019 / t_k
    )
    return ln_p, slope


def ln_saturation(temp_c: Value, over: Phase, xp: Any) -> tuple[Value, Value]:
    """Return ln(saturation pressure [Pa]) and its slope [1/K]; no range check.

    Args:
        temp_c: Temperature [°C].
        over: Liquid water or ice.
        xp: ``math`` for a float, ``numpy`` for an array.
    """
    t_k = temp_c + ZERO_C_K
    if over == "ice":
        return _ice(t_k, xp)
    if xp is math:
        return _cold_water(t_k, xp) if temp_c < 0 else _warm_water(t_k, xp)
    cold = temp_c < 0
    if not cold.any():
        return _warm_water(t_k, xp)
    if cold.all():
        return _cold_water(t_k, xp)
    ln_p, slope = _warm_water(t_k, xp)
    ln_p[cold], slope[cold] = _cold_water(t_k[cold], xp)
    return ln_p, slope


def saturation(temp_c: Value, over: Phase, xp: Any) -> Value:
    """Return the saturation pressure [Pa]; no range check."""
    return xp.exp(ln_saturation(temp_c, over, xp)[0])


# Magnus coefficients only start the iteration; the answer does not depend on them.
_START = {"water": (math.log(611.2), 17.62, 243.12), "ice": (math.log(611.2), 22.46, 272.62)}


def temperature_of(vapour_pressure_pa: Value, over: Phase, xp: Any) -> Value:
    """Return the temperature [°C] at which a vapour pressure saturates; no range check.

    Newton on ln p from a Magnus start; at most four steps, fewer where the last was small.
    """
    ln_e = xp.log(vapour_pressure_pa)
    base, slope_a, slope_b = _START[over]
    ratio = ln_e - base
    temp_c = slope_b * ratio / (slope_a - ratio)
    for _ in range(4):
        ln_p, slope = ln_saturation(temp_c, over, xp)
        step = (ln_p - ln_e) / slope
        temp_c = temp_c - step
        if largest(step, xp) < CLOSE_K:
            break
    return temp_c


CLOSE_K = 1e-4
"""After a Newton step smaller than this the error left is below 1e-9 K (it squares)."""


def largest(step: Value, xp: Any) -> float:
    """Return the largest size in a step; NaN marks a state outside the range and is left out."""
    return float(abs(step)) if xp is math else float(np.nanmax(np.abs(step), initial=0.0))
