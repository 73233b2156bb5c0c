"""The forecast of the outdoors as it is kept, held against the shop's own sensor, and in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US, iso_from_us
from envmon.intake.forecast import believed
from envmon.outlook.hidden import TYPICAL_OUTDOOR_C
from envmon.outlook.weather import Seen, Weather, weather_from
from envmon.service.outlook.live import OutdoorSaid
from envmon.units import QUANTITIES, format_value

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from envmon.facts import Foretold
    from envmon.outlook.frame import BayFrame
    from envmon.store.base import Store
    from envmon.units import UnitSystem

OFF_SAID_K = 0.5
"""A forecast that was off by less than this is said to be right."""
LATELY_MIN = 30
"""The outdoors count as seen when they were within so many minutes."""
USUAL = "outdoors as now, with the day's usual course"
GUESSED = "outdoors not known, {} is taken"


def weather_of(store: Store, frames: Mapping[str, BayFrame], now_us: int) -> Weather:
    """Return what is taken of the outdoors ahead.

    Args:
        store: Where the forecast is kept.
        frames: Bay -> its rows up to now; the first that knows the outdoors is asked.
        now_us: Time now [µs].

    Raises:
        StoreError: The live file cannot be read.
    """
    told = store.foretold()
    if not told:
        return Weather()
    frame = next((one for one in frames.values() if one.has("outdoor_temp_c")), None)
    seen = None if frame is None else Seen(frame.start_us, frame["outdoor_temp_c"])
    return weather_taken(told, seen, now_us)


def weather_taken(told: Sequence[Foretold], seen: Seen | None, now_us: int) -> Weather:
    """Return what is taken of the outdoors ahead, without what cannot be so.

    What is left out is as if nobody had told it; ``why`` says so also where the rest is used.

    Args:
        told: Every forecast that is kept.
        seen: What the shop's own sensor said up to now; None where there is none.
        now_us: Time now [µs].
    """
    sane = believed(told, _lately_c(seen, now_us), now_us)
    found = weather_from(sane.told, seen, now_us)
    if not sane.why:
        return found
    if found.until_us is None and not found.off_k:
        return Weather(heard_us=sane.heard_us, why=f"the forecast is left out: {sane.why}")
    return found._replace(why=f"{found.why}, and {sane.why}" if found.why else sane.why)


def _lately_c(seen: Seen | None, now_us: int) -> float | None:
    """Return the outdoors as last seen within ``LATELY_MIN`` [°C]; None where nobody knows."""
    if seen is None:
        return None
    size = min(len(seen.outdoor_c), max(0, (now_us - seen.start_us) // MINUTE_US + 1))
    known = seen.outdoor_c[max(0, size - LATELY_MIN) : size]
    known = known[np.isfinite(known)]
    return float(known[-1]) if len(known) else None


def weather_said(
    weather: Weather, now_us: int, units: UnitSystem, *, seen: bool = True
) -> OutdoorSaid:
    """Return which outdoors were taken, for a person.

    Args:
        weather: What was taken.
        now_us: Time now [µs].
        units: What the text is written in.
        seen: Whether the shop's own sensor outdoors was heard in the last hours.
    """
    heard = None if weather.heard_us is None else iso_from_us(weather.heard_us)
    if weather.heard_us is None or weather.until_us is None:
        why = f"; {weather.why}" if weather.why else "; no forecast"
        if not seen:
            taken = format_value(TYPICAL_OUTDOOR_C, QUANTITIES["outdoor_temp_c"], units)
            return OutdoorSaid("guess", GUESSED.format(taken) + why, heard, None, None)
        return OutdoorSaid("usual", USUAL + why, heard, None, weather.off_k)
    hours = (weather.until_us - now_us) / HOUR_US
    text = (
        f"outdoors by the forecast of {_age(now_us - weather.heard_us)}, "
        f"which goes on for {max(1, round(hours))} h"
    )
    if weather.off_k is not None and abs(weather.off_k) >= OFF_SAID_K:
        off = format_value(abs(weather.off_k), QUANTITIES["dew_margin_k"], units)
        text += f"; lately it was {off} {'warmer' if weather.off_k > 0 else 'colder'} here"
    if weather.why:
        text += f"; after that it is left out, since {weather.why}: outdoors take the usual course"
    return OutdoorSaid("forecast", text, heard, iso_from_us(weather.until_us), weather.off_k)


def _age(age_us: int) -> str:
    minutes = max(0, age_us) / MINUTE_US
    if minutes < 10:
        return "just now"
    return f"{5 * round(minutes / 5):.0f} min ago" if minutes < 57 else f"{minutes / 60:.0f} h ago"
