"""What moist air does on a surface: dew, frost, or nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

THREE_K_RULE = 3.0
"""A surface to be coated stays at least this far above the dew point [K].

Source: ISO 12944-7 and ISO 8502-4 (from memory).
"""

Verdict = Literal["dry", "close", "dew", "frost"]
"""``dry``: 3 K or more above saturation; ``close``: less; ``dew``, ``frost``: water settles."""


def dew_margin_k(
    surface_temp_c: ArrayLike, dew_point_c: ArrayLike, frost_point_c: ArrayLike
) -> Any:
    """Return how far a surface lies above the saturation temperature of the air.

    A surface at 0 °C or above is held against the dew point, one below against the frost point.
    At 0 °C exactly both are the same for air that saturates there; elsewhere the margin makes a
    small step, as the two phases do.

    Args:
        surface_temp_c: Surface temperature [°C].
        dew_point_c: Dew point of the air, over water [°C].
        frost_point_c: Frost point of the air, over ice [°C].

    Returns:
        Margin [K], negative where water settles; float for floats, else an array.
    """
    if all(isinstance(v, int | float) for v in (surface_temp_c, dew_point_c, frost_point_c)):
        return surface_temp_c - (dew_point_c if surface_temp_c >= 0 else frost_point_c)  # type: ignore[operator]
    surface = np.asarray(surface_temp_c, dtype=np.float64)
    return surface - np.where(surface >= 0, dew_point_c, frost_point_c)


def condensation_verdict(surface_temp_c: float, dew_margin: float) -> Verdict:
    """Return what happens on a surface.

    Args:
        surface_temp_c: Surface temperature [°C].
        dew_margin: Margin above saturation [K], from ``dew_margin_k``.
    """
    if dew_margin <= 0:
        return "dew" if surface_temp_c >= 0 else "frost"
    return "close" if dew_margin < THREE_K_RULE else "dry"
