"""What ``envmon vapour`` and the vapour board ask: texts in, a work in a bay out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError
from envmon.physics.air import pressure_pa_from_altitude
from envmon.physics.carriers import carrier_of
from envmon.physics.solvent import (
    MIXING,
    OUTDOOR_TEMP,
    VOLUME,
    BayAir,
    Spread,
    Vapour,
    ensure_workable,
)
from envmon.physics.solvent_limits import limits_of
from envmon.sums.mix_answer import Question
from envmon.sums.mix_texts import celsius_from_text, litres_from_text, share_from_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.units import UnitSystem

_FOOT_M = 0.3048
_MASSES = {"g": 1e-3, "kg": 1.0, "oz": 0.028349523125, "lb": 0.45359237}
_TIMES = {"s": 1.0, "min": 60.0, "h": 3600.0}
_VOLUMES = {"m³": 1.0, "m3": 1.0, "ft³": _FOOT_M**3, "ft3": _FOOT_M**3, "cu ft": _FOOT_M**3}
_FLOWS = {"m³/h": 1.0, "m3/h": 1.0, "l/s": 3.6, "cfm": 60 * _FOOT_M**3}
_PER_HOUR = "/h"
_AMOUNTS = "60 ml, 2 fl oz, 50 g, 2 oz"
_AIRS = "3 (air changes an hour), 600 m3/h, 350 cfm"
_LENGTHS = {"m": 1.0, "ft": _FOOT_M}
_NUMBER_AND_UNIT = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*(\D[^\d]*3?[^\d]*)?")


class Work(NamedTuple):
    """A work with solvent, SI.

    Attributes:
        vapour: What evaporates and into what.
        outdoor_c: Outdoor temperature [°C], or None when nobody said.
    """

    vapour: Vapour
    outdoor_c: float | None


@dataclass(frozen=True)
class VapourQuestion(Question):
    """A work with solvent as a person writes it; a bare number is in the units in use.

    Attributes:
        carrier: The solvent.
        amount: Product used: ``60 ml``, ``2 fl oz``, ``50 g``.
        share: How much of the product is that solvent; all of it without one.
        over: How long spreading it takes: ``20 min``.
        volume: Air volume of the bay: ``200 m3``, ``7000 ft3``.
        air: Ventilation: air changes in an hour, or ``600 m3/h``, ``350 cfm``.
        mixing: Mixing factor, 1…10.
        temp: Air temperature of the bay; 20 °C without one.
        outdoor: Outdoor temperature; without one the heat is not worked out.
        altitude: Height above sea level.
    """

    carrier: str = "2-propanol"
    amount: str = ""
    share: str = ""
    over: str = ""
    volume: str = ""
    air: str = ""
    mixing: str = ""
    temp: str = ""
    outdoor: str = ""
    altitude: str = ""

    def work(self, units: UnitSystem) -> Work:
        """Return the work.

        Raises:
            InputError: A text cannot be read, is missing, or its value is out of range.
        """
        limits_of(self.carrier)
        spread = Spread(self.carrier, self._mass_kg(units), self._spread_s())
        air = self._bay_air(units)
        ensure_workable(spread, air)
        outdoor_c = celsius_from_text(self.outdoor, units) if self.outdoor.strip() else None
        if outdoor_c is not None:
            OUTDOOR_TEMP.check(outdoor_c)
        return Work(Vapour(spread, air), outdoor_c)

    def _mass_kg(self, units: UnitSystem) -> float:
        """Return the mass of the carrier: its share by mass, or by volume of a volume."""
        text = self.share.strip() or "100 %"
        share = share_from_text(f"{text} %" if _is_bare(text) else text, "share of the solvent")
        bare = "fl oz" if units == "us" else "ml"
        amount = f"{self.amount} {bare}" if _is_bare(self.amount) else self.amount
        value, unit = _split(amount, "amount", _AMOUNTS)
        if unit in _MASSES:
            return share * value * _MASSES[unit]
        try:
            volume_l = litres_from_text(amount, "amount")
        except InputError:
            raise InputError(
                f"amount is {amount.strip()!r}; allowed is such as {_AMOUNTS}"
            ) from None
        return share * volume_l * carrier_of(self.carrier).density_kg_l

    def _spread_s(self) -> float:
        return _measured(self.over, "time of spreading", _TIMES, "min", "20 min, 1 h")

    def _bay_air(self, units: UnitSystem) -> BayAir:
        us = units == "us"
        volume_m3 = _measured(
            self.volume, "volume of the bay", _VOLUMES, "ft³" if us else "m³", "200 m3, 7000 ft3"
        )
        VOLUME.check(volume_m3)
        rates = {_PER_HOUR: 1.0, **{unit: flow / volume_m3 for unit, flow in _FLOWS.items()}}
        changes = _measured(self.air, "ventilation", rates, _PER_HOUR, _AIRS)
        mixing = _measured(self.mixing or f"{MIXING}", "mixing factor", {"": 1.0}, "", "3")
        temp_c = celsius_from_text(self.temp, units) if self.temp.strip() else 20.0
        height = _measured(self.altitude or "0", "altitude", _LENGTHS, "ft" if us else "m", "300 m")
        pressure_pa = float(pressure_pa_from_altitude(height))
        return BayAir(volume_m3, changes, mixing, temp_c, pressure_pa)


def _is_bare(text: str) -> bool:
    match = _NUMBER_AND_UNIT.fullmatch(text.strip())
    return match is not None and match[2] is None


def _split(text: str, name: str, allowed: str) -> tuple[float, str]:
    """Return number and unit of a text."""
    match = _NUMBER_AND_UNIT.fullmatch(text.strip().lower())
    if match is None:
        said = f"is {text.strip()!r}" if text.strip() else "is missing"
        raise InputError(f"{name} {said}; allowed is a number with its unit, such as {allowed}")
    return float(match[1]), (match[2] or "").strip()


def _measured(text: str, name: str, units: Mapping[str, float], bare: str, allowed: str) -> float:
    """Return a value in the unit that has the factor 1.

    Args:
        text: What was written.
        name: What it is, for the message.
        units: Unit -> factor.
        bare: Unit of a bare number.
        allowed: Examples for the message.

    Raises:
        InputError: No number with one of these units.
    """
    value, unit = _split(text, name, allowed)
    factor = units.get(unit or bare)
    if factor is None:
        raise InputError(f"{name} is {text.strip()!r}; allowed is such as {allowed}")
    return value * factor
