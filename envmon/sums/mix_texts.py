"""Amounts as a person writes and reads them: ``1:10``, ``2 %``, ``5 fl oz``, ``500 ml``."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.physics.mixing import ensure_share, share_from_water_parts, water_parts_from_share
from envmon.units import QUANTITIES, format_value, parse_value

if TYPE_CHECKING:
    from envmon.units import UnitSystem

US_GALLON_L = 3.785411784
"""231 cubic inches by definition (NIST Handbook 44, appendix C, from memory)."""
US_FL_OZ_L = US_GALLON_L / 128
_LITRES = {
    "ml": 1e-3, "cl": 1e-2, "dl": 0.1, "l": 1.0,
    "fl oz": US_FL_OZ_L, "floz": US_FL_OZ_L, "pt": US_GALLON_L / 8, "qt": US_GALLON_L / 4,
    "gal": US_GALLON_L,
}  # fmt: skip
_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
_VOLUME = re.compile(rf"{_NUMBER}\s*([a-z][a-z ]*)")
_RATIO = re.compile(rf"{_NUMBER}\s*:\s*{_NUMBER}")
_PERCENT = re.compile(rf"{_NUMBER}\s*%")
_MOST_FL_OZ = 64.0
"""From here on gallons are easier to pour."""


def litres_from_text(text: str, name: str) -> float:
    """Return a volume [l] from text such as ``500 ml``, ``5 l``, ``16 fl oz`` or ``4 gal`` (US).

    Args:
        text: What was written.
        name: What it is, for the message.

    Raises:
        InputError: No number with a unit of volume.
    """
    match = _VOLUME.fullmatch(" ".join(text.lower().split()))
    if match is None or match[2] not in _LITRES:
        raise InputError(
            f"{name} is {text!r}; allowed is a number with its unit: 500 ml, 5 l, 16 fl oz, 4 gal "
            "(US)"
        )
    return float(match[1]) * _LITRES[match[2]]


def share_from_text(text: str, name: str) -> float:
    """Return a share from text such as ``1:10`` (parts to parts of water) or ``2 %``.

    Args:
        text: What was written.
        name: What it is, for the message.

    Raises:
        InputError: Neither of them, or a share that nobody could pour.
    """
    ratio, percent = _RATIO.fullmatch(text.strip()), _PERCENT.fullmatch(text.strip())
    if ratio is not None and float(ratio[1]) > 0:
        return share_from_water_parts(float(ratio[2]) / float(ratio[1]))
    if percent is None:
        raise InputError(f"{name} is {text!r}; allowed is a ratio such as 1:10, or a share: 2 %")
    share = float(percent[1]) / 100
    ensure_share(share, name)
    return share


def number_from_text(text: str, name: str) -> float:
    """Return a plain number that is 0 or more.

    Raises:
        InputError: It is none.
    """
    if not re.fullmatch(_NUMBER, text.strip()):
        raise InputError(f"{name} is {text!r}; allowed is a number such as 9, 0 or more")
    return float(text)


def parts_from_text(text: str, name: str) -> float:
    """Return n of text such as ``1:9``, or of the plain number ``9``.

    Raises:
        InputError: Neither of them.
    """
    ratio = _RATIO.fullmatch(text.strip())
    if ratio is None or float(ratio[1]) == 0:
        return number_from_text(text, name)
    return float(ratio[2]) / float(ratio[1])


def celsius_from_text(text: str, units: UnitSystem) -> float:
    """Return a temperature [°C] from ``40``, in the units in use, or from ``104 °F``.

    Raises:
        InputError: It is none.
    """
    unit = "°F" if units == "us" else "°C"
    bare = re.fullmatch(rf"[+-]?{_NUMBER}", text.strip())
    return parse_value(f"{text} {unit}" if bare else text, "temperature")


def celsius_text(temp_c: float, units: UnitSystem) -> str:
    """Return a temperature as a person reads it."""
    return format_value(temp_c, QUANTITIES["water_temp_c"], units)


def volume_text(volume_l: float, units: UnitSystem) -> str:
    """Return a volume to pour, in three digits: ``91 ml``, ``1.25 l``, ``3.07 fl oz``."""
    if units == "us":
        fl_oz = volume_l / US_FL_OZ_L
        if fl_oz < _MOST_FL_OZ:
            return f"{digits(fl_oz)} fl oz"
        return f"{digits(volume_l / US_GALLON_L)} gal"
    return f"{digits(1000 * volume_l)} ml" if volume_l < 0.9995 else f"{digits(volume_l)} l"


def both_texts(volume_l: float, units: UnitSystem) -> str:
    """Return a volume in the units in use, and in the others behind it."""
    other: UnitSystem = "metric" if units == "us" else "us"
    return f"{volume_text(volume_l, units)} ({volume_text(volume_l, other)})"


def ratio_text(share: float) -> str:
    """Return a share as a ratio: ``1:10``."""
    return f"1:{digits(water_parts_from_share(share), 4)}"


def percent_text(share: float) -> str:
    """Return a share in percent: ``9.09 %``."""
    return f"{digits(100 * share)} %"


def digits(number: float, count: int = 3) -> str:
    """Return a number with so many digits that count, or all those before the point."""
    if number == 0:
        return "0"
    places = max(count - 1 - math.floor(math.log10(abs(float(f"{number:.{count}g}")))), 0)
    text = f"{number:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
