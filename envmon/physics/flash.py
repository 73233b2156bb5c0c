"""Flash: when a coated panel is due for levelling, the sheet's range corrected for conditions.

The sheet gives a range at one temperature. A colder panel evaporates its carrier more slowly, so
the window comes later and is longer by the same factor. A clock is a help: the sheen is the judge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError
from envmon.physics.carriers import carrier_of, evaporation_ratio
from envmon.physics.ranges import AIR_TEMP, REL_HUM
from envmon.physics.surface import SURFACE_TEMP
from envmon.units import QUANTITIES, format_value

if TYPE_CHECKING:
    from envmon.physics.ranges import Limit
    from envmon.units import UnitSystem

GUESS_BEYOND_K = 10.0
"""So far from the sheet's temperature the correction itself is a guess (common practice)."""
_UNLIKE_PCT = 10.0
"""Humidity so far from the sheet's is worth a word when the sheet does not say what it does."""
_SAME_S = 0.5


class FlashSheet(NamedTuple):
    """What a product's sheet says of the flash.

    Attributes:
        from_s: Shortest time from applying to levelling [s].
        to_s: Longest [s].
        at_c: At this temperature [°C].
        carrier: What evaporates, one of ``carriers.CARRIERS``.
        rh_at_pct: At this humidity [%].
        per_10_rh: By which part the flash changes for each 10 % more humidity, −0.1 for a tenth
            shorter; None when the sheet says nothing of it.
        whose: Whose word the range is, as the words call it.
    """

    from_s: float
    to_s: float
    at_c: float = 20.0
    carrier: str = "2-propanol"
    rh_at_pct: float = 45.0
    per_10_rh: float | None = None
    whose: str = "the sheet"


class FlashWindow(NamedTuple):
    """When a panel is due.

    Attributes:
        from_s: Levelling is due from so long after applying [s].
        to_s: And at the latest then [s].
        sheet_from_s: What the sheet says at its own temperature [s].
        sheet_to_s: The same, its end [s].
        factor: Window over the sheet's: above 1 it flashes later.
        why: In words, what it was corrected for and what not.
        outside_sheet: In words, that it leaves the sheet's range; empty while it does not.
    """

    from_s: float
    to_s: float
    sheet_from_s: float
    sheet_to_s: float
    factor: float
    why: tuple[str, ...]
    outside_sheet: str


def flash_window(
    sheet: FlashSheet,
    panel_c: float | None,
    air_c: float | None,
    rel_hum_pct: float | None,
    units: UnitSystem = "metric",
) -> FlashWindow:
    """Return when a panel is due, corrected for temperature and, if the sheet says so, humidity.

    What is None, NaN or no possible reading counts as not known, and the words say so. Outside
    the temperatures the carrier's vapour pressure is known for, nothing is corrected.

    Args:
        sheet: What the product's sheet says.
        panel_c: Panel temperature [°C], or None; the air's stands in for it.
        air_c: Air temperature [°C], or None.
        rel_hum_pct: Relative humidity [%], or None.
        units: Units of the temperatures in the words.

    Raises:
        InputError: The sheet has no such carrier, range or temperature.

    Source: evaporation through a still film (``carriers.evaporation_ratio``); humidity by the
    sheet alone, compounded: two steps of a tenth shorter are 0.81.
    """
    _check(sheet)
    warmth = _Warmth(sheet, _known(panel_c, SURFACE_TEMP), _known(air_c, AIR_TEMP), units)
    slower, why = warmth.slower()
    damp, damp_why = _humidity(sheet, _known(rel_hum_pct, REL_HUM))
    factor = slower * damp
    window = (sheet.from_s * factor, sheet.to_s * factor)
    outside = "; ".join((*_leaves(sheet, *window), *warmth.far()))
    return FlashWindow(*window, sheet.from_s, sheet.to_s, factor, (why, *damp_why), outside)


def _check(sheet: FlashSheet) -> None:
    if not 0 < sheet.from_s <= sheet.to_s < float("inf"):
        raise InputError(
            f"flash is {sheet.from_s:g} to {sheet.to_s:g} s; allowed is a shortest and a longest "
            "time, both above 0: read the sheet again"
        )
    carrier_of(sheet.carrier).temp_limit.check(sheet.at_c)
    REL_HUM.check(sheet.rh_at_pct)
    if sheet.per_10_rh is not None and not -0.5 <= sheet.per_10_rh <= 0.5:
        raise InputError(f"flash per 10 % humidity is {sheet.per_10_rh:g}; allowed is −0.5 to 0.5")


def _known(value: float | None, limit: Limit) -> float | None:
    """Return the value, or None where it is none a sensor can mean."""
    return value if value is not None and limit.low <= value <= limit.high else None


class _Warmth(NamedTuple):
    """The panel's temperature, or the air's in its stead."""

    sheet: FlashSheet
    panel_c: float | None
    air_c: float | None
    units: UnitSystem

    @property
    def surface_c(self) -> float | None:
        return self.air_c if self.panel_c is None else self.panel_c

    def slower(self) -> tuple[float, str]:
        """Return the factor on the times, and why."""
        surface, sheet = self.surface_c, self.sheet
        if surface is None:
            return 1.0, f"no temperature known: {sheet.whose}'s own range"
        what = "panel" if self.panel_c is not None else "no panel temperature; air"
        place = f"{what} {self._text(surface)}, {sheet.whose} is for {self._text(sheet.at_c)}"
        if not self.workable():
            return 1.0, f"{place}: not corrected"
        film = surface if self.air_c is None else (surface + self.air_c) / 2
        rate = evaporation_ratio(sheet.carrier, surface, film, sheet.at_c)
        return 1 / rate, f"{place}: {sheet.carrier} evaporates {rate:.2f} times as fast"

    def workable(self) -> bool:
        """Return whether the carrier's vapour pressure is known at this temperature."""
        return _known(self.surface_c, carrier_of(self.sheet.carrier).temp_limit) is not None

    def far(self) -> tuple[str, ...]:
        """Return in words that the temperature is too far off for a correction."""
        surface, at = self.surface_c, self.sheet.at_c
        if surface is None:
            return ()
        words = f"{self._text(surface)} is far from {self.sheet.whose}'s {self._text(at)}"
        if not self.workable():
            return (f"{words}: its times do not hold here, go by the sheen",)
        if abs(surface - at) > GUESS_BEYOND_K:
            return (f"{words}: the correction is a guess, go by the sheen",)
        return ()

    def _text(self, temp_c: float) -> str:
        return format_value(temp_c, QUANTITIES["panel_temp_c"], self.units)


def _humidity(sheet: FlashSheet, rel_hum_pct: float | None) -> tuple[float, tuple[str, ...]]:
    """Return the factor for humidity on the times, and why."""
    if rel_hum_pct is None:
        silent = sheet.per_10_rh is None
        return 1.0, () if silent else ("humidity not known: not corrected for it",)
    if sheet.per_10_rh is None:
        words = (
            f"humidity {rel_hum_pct:.0f} %: not counted, {sheet.whose} does not say what it does"
        )
        return 1.0, (words,) if abs(rel_hum_pct - sheet.rh_at_pct) >= _UNLIKE_PCT else ()
    factor = (1 + sheet.per_10_rh) ** ((rel_hum_pct - sheet.rh_at_pct) / 10)
    place = f"humidity {rel_hum_pct:.0f} %, {sheet.whose} is for {sheet.rh_at_pct:.0f} %"
    return factor, (f"{place}: times {factor:.2f} by {sheet.whose}",)


def _leaves(sheet: FlashSheet, from_s: float, to_s: float) -> tuple[str, ...]:
    """Return in words at which end the window leaves the sheet's range."""
    found = []
    if from_s < sheet.from_s - _SAME_S:
        found.append(f"from {_minutes(from_s)}, before {sheet.whose}'s {_minutes(sheet.from_s)}")
    if to_s > sheet.to_s + _SAME_S:
        found.append(f"until {_minutes(to_s)}, past {sheet.whose}'s {_minutes(sheet.to_s)}")
    return tuple(found)


def _minutes(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d} min"
