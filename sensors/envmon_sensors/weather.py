"""Outdoor weather at any moment, from a typical year of a cold coast.

The year repeats by hour of year (a leap year's last day shows 1 January again). Values between
hours are interpolated on a line. A scenario may shift the whole temperature curve by
``offset_k``, openly, to make the day it wants; relative humidity is then kept and the water in
the air falls with the temperature.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from importlib.resources import files

from envmon.clock import HOUR_US, us_from_datetime
from envmon_sensors.vapour import (
    rel_hum_pct,
    saturation_over_ice_pa,
    saturation_over_water_pa,
)

HOURS_IN_YEAR = 8760
STATION_HOURS_BEHIND_UTC = 9


@dataclass(frozen=True, slots=True)
class Outdoor:
    """Weather outside.

    Attributes:
        temp_c: Dry bulb [°C].
        rel_hum_pct: Relative humidity over liquid water [%].
        pressure_pa: Air pressure [Pa].
    """

    temp_c: float
    rel_hum_pct: float
    pressure_pa: float

    @property
    def vapour_pressure_pa(self) -> float:
        """Vapour pressure [Pa]."""
        return self.rel_hum_pct / 100 * saturation_over_water_pa(self.temp_c)


def over_water_pct(temp_c: float, file_pct: float) -> float:
    """Return humidity over liquid water from the file's, which is over ice below 0 °C [%]."""
    if temp_c >= 0:
        return file_pct
    return rel_hum_pct(file_pct / 100 * saturation_over_ice_pa(temp_c), temp_c)


@lru_cache(maxsize=1)
def weather_year() -> tuple[tuple[float, float, float], ...]:
    """Return 8760 hours of dry bulb [°C], humidity as in the file [%] and pressure [Pa].

    Entry 0 is the hour ending at 01:00 on 1 January, local standard time of the station.
    """
    text = files("envmon_sensors").joinpath("data/weather_year.csv").read_text(encoding="utf-8")
    rows = csv.reader(text.splitlines()[2:])
    return tuple((float(row[1]), float(row[2]), float(row[3])) for row in rows)


def hour_of_year(at_us: int) -> float:
    """Return hours since the station's 1 January 00:00, standard time, 0…8784 [h]."""
    station_us = at_us - STATION_HOURS_BEHIND_UTC * HOUR_US
    year = datetime.fromtimestamp(station_us / 1e6, UTC).year
    return (station_us - us_from_datetime(datetime(year, 1, 1, tzinfo=UTC))) / HOUR_US


def outdoor(at_us: int, offset_k: float = 0.0) -> Outdoor:
    """Return the weather outside at a time.

    Args:
        at_us: Time [µs, UTC]; any year.
        offset_k: Shift of the dry bulb, stated by the scenario [K].
    """
    hour = hour_of_year(at_us)
    before = int(hour)
    share = hour - before
    year = weather_year()
    temp_0, hum_0, pressure_0 = year[(before - 1) % HOURS_IN_YEAR]
    temp_1, hum_1, pressure_1 = year[before % HOURS_IN_YEAR]
    temp_c = temp_0 + share * (temp_1 - temp_0)
    file_pct = hum_0 + share * (hum_1 - hum_0)
    return Outdoor(
        temp_c + offset_k,
        over_water_pct(temp_c, file_pct),
        pressure_0 + share * (pressure_1 - pressure_0),
    )
