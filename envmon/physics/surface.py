"""What moist air does on a surface: nothing, dew, or frost."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from envmon.physics.ranges import POINT, Limit, evaluate, is_number

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from envmon.physics.saturation import Value

THREE_K_RULE = 3.0
"""A surface to be coated stays at least this far above the dew point [K]."""
THREE_K_SOURCE = "ISO 12944-7 and ISO 8502-4 (from memory)"

SURFACE_TEMP = Limit("surface temperature", "°C", -60.0, 150.0, "−60 to 150 °C")
FROST_POINT = POINT._replace(name="frost point")
MARGIN = Limit("dew margin", "K", -150.0, 300.0, "−150 to 300 K")
_LIMITS = (SURFACE_TEMP, POINT, FROST_POINT)

Verdict = Literal["dry", "at_risk", "wet", "frost", "unknown"]
"""``dry``: 3 K or more above saturation; ``at_risk``: less than that; ``wet``, ``frost``: water
settles; ``unknown``: something is missing or out of range."""

_VERDICTS: tuple[Verdict, ...] = ("dry", "at_risk", "wet", "frost", "unknown")


def _margin(surface: Value, dew: Value, frost: Value, xp: Any) -> Value:
    if xp is math:
        return surface - (dew if surface >= 0 else frost)
    return surface - np.where(surface >= 0, dew, frost)


def dew_margin_k(
    surface_temp_c: ArrayLike, dew_point_c: ArrayLike, frost_point_c: ArrayLike
) -> Any:
    """Return how far a surface lies above the saturation temperature of the air.

    A surface at 0 °C or above is held against the dew point, one below against the frost point.
    Where the surface crosses 0 °C the margin therefore steps by frost point minus dew point:
    nothing in air that saturates there, 0.6 K at −5 °C dew point, 2 K at −20 °C.

    Args:
        surface_temp_c: Surface temperature [°C], −60…150.
        dew_point_c: Dew point of the air, over water [°C].
        frost_point_c: Frost point of the air, over ice [°C].

    Returns:
        Margin [K], negative where water settles; a float for numbers, else an array of the
        broadcast shape with NaN where a value is missing or out of range.

    Raises:
        InputError: A single value is out of range or NaN.

    Source: definition; a surface below saturation gains water, as ice below 0 °C.
    """
    return evaluate(_margin, _LIMITS, (surface_temp_c, dew_point_c, frost_point_c))


def _settles(surface: Value, margin: Value, _xp: Any) -> Value:
    """Return the place of the verdict in ``_VERDICTS``."""
    # Adding 0 × margin keeps NaN, which every comparison turns into False.
    return (margin < THREE_K_RULE) + (margin <= 0) * (1.0 + (surface < 0)) + 0 * margin


def condensation_verdict(surface_temp_c: ArrayLike, dew_margin: ArrayLike) -> Any:
    """Return what happens on a surface.

    Args:
        surface_temp_c: Surface temperature [°C], −60…150.
        dew_margin: How far it lies above saturation [K], from ``dew_margin_k``.

    Returns:
        A ``Verdict``; for arrays an array of them, ``unknown`` where a value is missing or out
        of range.

    Raises:
        InputError: A single value is out of range or NaN.

    Source: the 3 K rule, ISO 12944-7 and ISO 8502-4 (from memory).
    """
    place = evaluate(_settles, (SURFACE_TEMP, MARGIN), (surface_temp_c, dew_margin))
    if is_number(place):
        return _VERDICTS[int(place)]
    return np.array(_VERDICTS)[np.where(np.isnan(place), -1, place).astype(int)]
