"""Saturation pressure of water vapour over liquid water and over ice, and its inverse.

Formulas, chosen on the check grid (largest difference from IAPWS there in brackets):

* over water at 0 °C and above: Hyland and Wexler (1983) as in ASHRAE Fundamentals 2017,
  ch. 1, eq. 6 (0.023 %; 0…200 °C);
* over supercooled water: Murphy and Koop (2005), eq. 10, doi:10.1256/qj.04.94 (123…332 K).
  Hyland and Wexler drawn on below 0 °C would be 0.1 % high at −20 °C. At 0 °C the two differ
  by 2.8e-7, which is added to the colder one: the whole is continuous and strictly rising;
* over ice: Murphy and Koop (2005), eq. 7 (0.019 % at −30 °C; 110…273.16 K). Hyland and
  Wexler's ice formula is 0.028 % off there, ends at −100 °C and has twice the terms.

Each formula is written once, in terms of a namespace that is ``math`` for one number and
``numpy`` for arrays. Nothing here checks a range: ``envmon.physics.air`` does.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

Phase = Literal["water", "ice"]
Value = Any
"""A float with ``math``, a float64 array with ``numpy``."""

ZERO_C_K = 273.15
LOWEST_C = -150.0
"""Below this no formula here is valid; dew and frost points end here."""
CLOSE_K = 1e-4
"""After a Newton step smaller than this the error left is below 1e-9 K (it squares)."""
_STEPS = 12


def _warm_ln(t_k: Value, inverse: Value, xp: Any) -> Value:
    return (
        -5.8002206e3 * inverse
        + 1.3914993
        + t_k * (-4.8640239e-2 + t_k * (4.1764768e-5 - 1.4452093e-8 * t_k))
        + 6.5459673 * xp.log(t_k)
    )


def warm_water(t_k: Value, xp: Any) -> tuple[Value, Value]:
    """Return ln(saturation pressure [Pa]) and its slope [1/K] over water at 0 °C and above."""
    inverse = 1 / t_k
    slope = (
        (5.8002206e3 * inverse + 6.5459673) * inverse
        - 4.8640239e-2
        + t_k * (2 * 4.1764768e-5 - 3 * 1.4452093e-8 * t_k)
    )
    return _warm_ln(t_k, inverse, xp), slope


def cold_water(t_k: Value, xp: Any) -> tuple[Value, Value]:
    """Return ln(saturation pressure [Pa]) and its slope [1/K] over water below 0 °C."""
    ln_t = xp.log(t_k)
    inverse = 1 / t_k
    bend = xp.tanh(0.0415 * (t_k - 218.8))
    inner = 53.878 - 1331.22 * inverse - 9.44523 * ln_t + 0.014025 * t_k
    ln_p = _JOIN + 54.842763 - 6763.22 * inverse - 4.210 * ln_t + 0.000367 * t_k + bend * inner
    slope = (
        (6763.22 * inverse - 4.210) * inverse
        + 0.000367
        + bend * ((1331.22 * inverse - 9.44523) * inverse + 0.014025)
        + 0.0415 * (1 - bend * bend) * inner
    )
    return ln_p, slope


_JOIN = 0.0
_JOIN = warm_water(ZERO_C_K, math)[0] - cold_water(ZERO_C_K, math)[0]


def ice(t_k: Value, xp: Any) -> tuple[Value, Value]:
    """Return ln(saturation pressure [Pa]) and its slope [1/K] over ice."""
    inverse = 1 / t_k
    ln_p = 9.550426 - 5723.265 * inverse + 3.53068 * xp.log(t_k) - 0.00728332 * t_k
    slope = (5723.265 * inverse + 3.53068) * inverse - 0.00728332
    return ln_p, slope


def split(
    xp: Any, mask: Value, where: Callable[..., Value], elsewhere: Callable[..., Value], *values: Any
) -> Value:
    """Work out two formulas, each only where it holds.

    Args:
        xp: ``math`` or ``numpy``.
        mask: Where the first one holds; a truth value or an array.
        where: Formula inside the mask.
        elsewhere: Formula outside.
        *values: What the formulas take, each of the mask's shape.
    """
    if xp is math:
        return (where if mask else elsewhere)(*values)
    if not mask.any():
        return elsewhere(*values)
    if mask.all():
        return where(*values)
    found = np.empty_like(values[0])
    found[mask] = where(*(value[mask] for value in values))
    rest = ~mask
    found[rest] = elsewhere(*(value[rest] for value in values))
    return found


def saturation(temp_c: Value, over: Phase, xp: Any) -> Value:
    """Return the saturation pressure [Pa] at a temperature [°C]; no range check."""
    if over == "ice":
        return xp.exp(ice(temp_c + ZERO_C_K, xp)[0])

    def warm(t_c: Value) -> Value:
        t_k = t_c + ZERO_C_K
        return xp.exp(_warm_ln(t_k, 1 / t_k, xp))

    def cold(t_c: Value) -> Value:
        return xp.exp(cold_water(t_c + ZERO_C_K, xp)[0])

    return split(xp, temp_c < 0, cold, warm, temp_c)


def _start_fit(formula: Any, low_c: float, high_c: float, degree: int) -> tuple[float, ...]:
    """Return polynomial coefficients of 1/T [1/K] in ln p, a nearly straight line."""
    t_k = np.linspace(low_c, high_c, 500) + ZERO_C_K
    fit = np.polynomial.Polynomial.fit(formula(t_k, np)[0], 1 / t_k, degree)
    return tuple(float(c) for c in reversed(fit.convert().coef))


# They only start the iteration: the answers do not depend on them.
_STARTS = {
    warm_water: _start_fit(warm_water, 0, 85, 5),
    cold_water: _start_fit(cold_water, LOWEST_C, 0, 6),
    ice: _start_fit(ice, LOWEST_C, 0.01, 5),
}

ZERO_PA = float(saturation(0.0, "water", math))
"""Saturation pressure over water at 0 °C."""
TRIPLE_PA = float(saturation(0.01, "water", math))
"""Saturation pressure at the triple point; from thinner vapour ice forms."""
LOWEST_PA: dict[Phase, float] = {
    "water": float(saturation(LOWEST_C, "water", math)),
    "ice": float(saturation(LOWEST_C, "ice", math)),
}


def _first_guess_c(ln_e: Value, formula: Any) -> Value:
    """Return about the temperature [°C] at which ln(vapour pressure) saturates."""
    inverse: Value = 0.0
    for coefficient in _STARTS[formula]:
        inverse = inverse * ln_e + coefficient
    return 1 / inverse - ZERO_C_K


def _inverted(ln_e: Value, formula: Any, xp: Any) -> Value:
    """Newton on ln p, which is nearly straight: one or two steps from the first guess."""
    temp_c = _first_guess_c(ln_e, formula)
    for _ in range(_STEPS):
        ln_p, slope = formula(temp_c + ZERO_C_K, xp)
        step = (ln_p - ln_e) / slope
        temp_c = temp_c - step
        if largest(step, xp) < CLOSE_K:
            break
    return temp_c


def temperature_of(vapour_pressure_pa: Value, over: Phase, xp: Any) -> Value:
    """Return the temperature [°C] at which a vapour pressure [Pa] saturates; no range check."""
    if over == "ice":
        return _inverted(xp.log(vapour_pressure_pa), ice, xp)
    return split(
        xp,
        vapour_pressure_pa < ZERO_PA,
        lambda ln_e: _inverted(ln_e, cold_water, xp),
        lambda ln_e: _inverted(ln_e, warm_water, xp),
        xp.log(vapour_pressure_pa),
    )


def largest(step: Value, xp: Any) -> float:
    """Return the largest size in a step; NaN marks a state outside the range and is left out."""
    return abs(float(step)) if xp is math else float(np.fmax.reduce(np.abs(step), initial=0.0))
