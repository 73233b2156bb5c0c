"""What a working sensor's readings can do, by quantity: the one table, and the shop's own word.

The numbers are common practice: what the air, panels and water of a heated bay, and small sensors
in them, have been seen to do. A shop file may say otherwise for each read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError
from envmon.shop.calibration import offset_in_unit
from envmon.units import FORECASTS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from envmon.shop.models import Read

HOUR_S = 3_600.0
DIFFERENCES = ("spike", "rate", "flat_within")
"""Keys of a read that are differences in the quantity's unit."""
TIMES = ("flat_after", "wet_after")
"""Keys of a read that are times [s]."""


class HealthLimits(NamedTuple):
    """What is asked of the readings of one sensor; 0 asks nothing.

    Attributes:
        spike: Largest difference of two readings in a row before the third has confirmed it.
        rate: Largest change in a minute.
        flat_after: So long a working sensor can stand still [s].
        wet_after: So long humidity can be at its upper end before the sensor counts as wet [s].
        flat_within: Changes up to this count as standing still.
    """

    spike: float = 0.0
    rate: float = 0.0
    flat_after: float = 0.0
    wet_after: float = 0.0
    flat_within: float = 0.0


LIMITS: dict[str, HealthLimits] = {
    "air_temp_c": HealthLimits(5, 5, 6 * HOUR_S),
    "rel_hum_pct": HealthLimits(25, 30, 6 * HOUR_S, 0.5 * HOUR_S),
    # A car that drives in is a step of 30 K; the second reading confirms it.
    "panel_temp_c": HealthLimits(10, 30, 12 * HOUR_S),
    "water_temp_c": HealthLimits(20, 0, 24 * HOUR_S),
    "air_pressure_pa": HealthLimits(1_000, 500, 24 * HOUR_S),
    # Weather stands still for longer than a bay: fog, a thaw at 0 °C.
    "outdoor_temp_c": HealthLimits(8, 5, 24 * HOUR_S),
    "outdoor_rel_hum_pct": HealthLimits(40, 30, 24 * HOUR_S, 24 * HOUR_S),
}
"""What is asked where the shop file says nothing. Dust, vapour, heater power and dissolved solids
leap and stand still by their nature, so nothing is asked of them."""

NEVER = frozenset({"heater_on", "door_open", "energy_kwh", "fuel_m3", "fuel_l"}) | FORECASTS
"""States, counters and forecasts: no value of theirs tells a healthy sensor from a dead one."""
NEVER_FLAT = NEVER | {"dissolved_solids_ppm"}
"""Quantities that may rightly stand still for ever."""
HUMIDITIES = frozenset({"rel_hum_pct", "outdoor_rel_hum_pct"})
WET_FROM_PCT = 99.5
"""From here on a humidity sensor is at its upper end [%]."""


def health_limits(read: Read, quantity: str) -> HealthLimits:
    """Return what is asked of a sensor: the shop file's word, else common practice.

    Args:
        read: How the quantity is taken from the payload.
        quantity: Name of the quantity, such as ``air_temp_c``.

    Raises:
        InputError: A key that is nothing for this quantity, or a value that cannot be.
    """
    given = {key: getattr(read, key) for key in (*DIFFERENCES, *TIMES)}
    given = {key: value for key, value in given.items() if value is not None}
    for _, text in health_faults(given, quantity):
        raise InputError(text)
    known = LIMITS.get(quantity, HealthLimits())
    return known._replace(
        **{
            key: offset_in_unit(value, quantity) if key in DIFFERENCES else value
            for key, value in given.items()
        }
    )


def health_faults(given: Mapping[str, float | str], quantity: str) -> Iterator[tuple[str, str]]:
    """Yield the key and a sentence for everything that cannot be asked of a quantity."""
    for key, value in given.items():
        if quantity in (NEVER_FLAT if key.startswith("flat") else NEVER):
            yield key, f"{key} is not asked of {quantity}, which may stand or leap; take it away"
        elif key == "wet_after" and quantity not in HUMIDITIES:
            yield key, f"wet_after is asked of humidity sensors, not of {quantity}; take it away"
        elif key in DIFFERENCES:
            yield from ((key, text) for text in _difference_faults(key, value, quantity))


def _difference_faults(key: str, value: float | str, quantity: str) -> Iterator[str]:
    try:
        if offset_in_unit(value, quantity) < 0:
            yield f"{key} is {value}; allowed is a difference above 0, or 0 to ask nothing"
    except InputError as error:
        yield str(error)
