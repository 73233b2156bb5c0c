"""Relative humidity of the air over saturated salt solutions: what a humidity sensor is held to.

Source: L. Greenspan, "Humidity fixed points of binary saturated aqueous solutions", J. Res. NBS
81A (1977) 89-96 (from memory; the table the tests hold it to says what else it was checked with).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from envmon.errors import InputError
from envmon.physics.ranges import Limit

JAR_TEMP = Limit("temperature of the jar", "°C", 10.0, 30.0, "10 to 30 °C")
"""Inside it the values have been checked; a jar is used in a room anyway."""

CAUTIONS = (
    "Salts irritate eyes and skin, LiCl most: eye protection, gloves, their safety data sheets.",
    "Nothing on mains in the jar; the solution must not touch the sensor or its board.",
    "Undissolved salt on the bottom, lid shut, no sun: wait hours; jar and sensor equally warm.",
)


class SaltHumidity(NamedTuple):
    """Humidity over a saturated solution.

    Attributes:
        rel_hum_pct: Relative humidity over liquid water [%].
        within_pct: What Greenspan leaves open to either side [%].
    """

    rel_hum_pct: float
    within_pct: float


class _Salt(NamedTuple):
    powers: tuple[float, ...]
    within: tuple[float, ...]


_STEP_C = 5.0
# Coefficients of powers of the temperature [°C]; the uncertainty at 10, 15, 20, 25 and 30 °C.
_SALTS = {
    "LiCl": _Salt((11.2323, 0.00824245, -0.00021489), (0.41, 0.35, 0.31, 0.27, 0.24)),
    "MgCl2": _Salt((33.6686, -0.00797397, -0.00108988), (0.24, 0.21, 0.18, 0.16, 0.14)),
    "K2CO3": _Salt((43.1315, 0.00147523), (0.39, 0.33, 0.33, 0.39, 0.50)),
    "NaCl": _Salt((75.5164, 0.0398321, -0.00265459, 2.848e-05), (0.22, 0.18, 0.14, 0.12, 0.11)),
    "KCl": _Salt((88.619, -0.19334, 0.000899706), (0.39, 0.33, 0.29, 0.26, 0.25)),
}

SALTS: tuple[str, ...] = tuple(_SALTS)
"""Salts there are values for, by their formula, from dry to moist."""


def rel_hum_pct_over_salt(salt: str, temp_c: float) -> SaltHumidity:
    """Return the relative humidity over a saturated solution.

    Args:
        salt: Formula, one of ``SALTS``; upper and lower case do not matter.
        temp_c: Temperature of solution, air and sensor [°C], 10…30.

    Raises:
        InputError: No such salt, or the temperature is outside the range.

    Source: Greenspan 1977, polynomials of the temperature and uncertainties (from memory).
    """
    entry = _SALTS[salt_name(salt)]
    JAR_TEMP.check(temp_c)
    value = sum(factor * temp_c**power for power, factor in enumerate(entry.powers))
    place = (temp_c - JAR_TEMP.low) / _STEP_C
    nearby = entry.within[int(place) : math.ceil(place) + 1]
    return SaltHumidity(value, max(nearby))


def salt_name(text: str) -> str:
    """Return a salt's formula as it is written in ``SALTS``.

    Raises:
        InputError: There are no values for it.
    """
    for name in SALTS:
        if name.lower() == text.strip().lower():
            return name
    raise InputError(f"salt is {text!r}; there are values for {', '.join(SALTS)}")
