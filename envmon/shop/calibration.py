"""Calibration of a point's reading: one gain and one offset, in the quantity's own unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.units import QUANTITIES, Dimension, parse_value

if TYPE_CHECKING:
    from envmon.shop.models import Read

LOWEST_GAIN, HIGHEST_GAIN = 0.2, 5.0
"""A gain outside this is a wrong unit or a swapped pair, never a sensor (common practice)."""


def calibration(read: Read, quantity: str) -> tuple[float, float]:
    """Return gain and offset with true = gain * read + offset, in the quantity's unit.

    Args:
        read: How the quantity is taken from the payload.
        quantity: Name of the quantity, such as ``air_temp_c``.

    Raises:
        InputError: Unknown quantity, a unit that does not fit, or pairs that give no line.
    """
    if read.two_point is not None:
        return line_through(read.two_point, quantity)
    return read.gain, offset_in_unit(read.offset, quantity)


def offset_in_unit(offset: float | str, quantity: str) -> float:
    """Return an offset in the quantity's unit; it is a difference: 0.5 °F is 0.28 K.

    Raises:
        InputError: Unknown quantity or a unit that does not fit.
    """
    dimension = _dimension(quantity)
    if dimension == "temperature":
        dimension = "temperature_difference"
    return parse_value(offset, dimension, quantity)


def line_through(
    pairs: tuple[tuple[float | str, float | str], tuple[float | str, float | str]], quantity: str
) -> tuple[float, float]:
    """Return gain and offset of the line through two pairs [read, true].

    Args:
        pairs: Numbers in the quantity's unit, or text with a unit; temperatures are absolute.
        quantity: Name of the quantity.

    Raises:
        InputError: The two reads are equal, the gain is outside 0.2 to 5, or a unit is wrong.
    """
    dimension = _dimension(quantity)
    (read_a, true_a), (read_b, true_b) = (
        (parse_value(read, dimension, quantity), parse_value(true, dimension, quantity))
        for read, true in pairs
    )
    if read_a == read_b:
        raise InputError(
            f"both pairs of two_point read {read_a:g}; allowed are two different reads, "
            "far enough apart to draw a line"
        )
    gain = (true_b - true_a) / (read_b - read_a)
    if not LOWEST_GAIN <= gain <= HIGHEST_GAIN:
        raise InputError(
            f"two_point gives a gain of {gain:.3g}; allowed is {LOWEST_GAIN:g} to "
            f"{HIGHEST_GAIN:g}; write each pair as [read, true]"
        )
    return gain, true_a - gain * read_a


def _dimension(quantity: str) -> Dimension:
    if quantity not in QUANTITIES:
        raise InputError(f"quantity is {quantity!r}; allowed: {', '.join(QUANTITIES)}")
    return QUANTITIES[quantity].dimension
