"""Which states the moist-air formulas hold for, and how numbers and arrays run through them."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

RH_SENSOR_ERROR_PCT = 3.0
"""So far above 100 % a humidity sensor in saturated air may read."""

BLOCK = 16_384
"""States worked on at a time: the intermediate arrays stay in the processor's cache."""

_NUMBER = (int, float, np.number)


class Limit(NamedTuple):
    """What is allowed of one input.

    Attributes:
        name: What it is.
        unit: Its unit.
        low: Lowest allowed.
        high: Highest allowed.
        allowed: The same in words.
        mend: What to do about a value that is not allowed.
    """

    name: str
    unit: str
    low: float
    high: float
    allowed: str
    mend: str = "check the sensor and its unit"

    def check(self, value: float) -> None:
        """Raise InputError for a value that is not allowed, NaN among them."""
        if not self.low <= value <= self.high:
            said = f"{value:.6g} {self.unit}".rstrip()
            raise InputError(f"{self.name} is {said}; allowed is {self.allowed}: {self.mend}")


AIR_TEMP = Limit("temperature", "°C", -60.0, 80.0, "−60 to 80 °C")
ICE_TEMP = Limit("temperature over ice", "°C", -60.0, 0.01, "−60 to 0.01 °C (ice melts above)")
REL_HUM = Limit(
    "relative humidity",
    "%",
    sys.float_info.min,
    100.0 + RH_SENSOR_ERROR_PCT,
    f"above 0 to 100 % (and up to {100 + RH_SENSOR_ERROR_PCT:g} % as a sensor's error)",
)
PRESSURE = Limit("air pressure", "Pa", 60_000.0, 110_000.0, "60 000 to 110 000 Pa")
RATIO = Limit("humidity ratio", "kg/kg", 0.0, 3.0, "0 to 3 kg/kg")
ALTITUDE = Limit("altitude", "m", -500.0, 4000.0, "−500 to 4000 m")
POINT = Limit("dew point", "°C", -150.0, 81.0, "−150 to 81 °C")


def is_number(value: ArrayLike) -> bool:
    """Return whether a value is one number rather than an array."""
    return isinstance(value, _NUMBER)


def evaluate(
    kernel: Callable[..., Any],
    limits: tuple[Limit, ...],
    values: tuple[ArrayLike, ...],
    extra: tuple[Any, ...] = (),
    outputs: int = 1,
) -> Any:
    """Run a formula over numbers or arrays, only where it is allowed.

    Args:
        kernel: Takes the values, then ``extra``, then ``math`` or ``numpy``.
        limits: What is allowed of each value.
        values: Numbers, or arrays that broadcast.
        extra: Further arguments, such as the phase.
        outputs: How many values the kernel returns.

    Returns:
        What the kernel returns for numbers; else a float64 array of the broadcast shape, or a
        tuple of them, with NaN where a state is not allowed.

    Raises:
        InputError: All values are numbers, and one is not allowed.
    """
    for value in values:
        if not isinstance(value, _NUMBER):
            return _over_arrays(kernel, limits, values, extra, outputs)
    numbers = [float(value) for value in values]  # type: ignore[arg-type]
    for limit, number in zip(limits, numbers, strict=True):
        if not limit.low <= number <= limit.high:
            limit.check(number)
    return kernel(*numbers, *extra, math)


def _over_arrays(
    kernel: Callable[..., Any],
    limits: tuple[Limit, ...],
    values: tuple[ArrayLike, ...],
    extra: tuple[Any, ...],
    outputs: int,
) -> Any:
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in values))
    flat = [array.reshape(-1) for array in arrays]
    found = np.empty((outputs, flat[0].size))
    with np.errstate(invalid="ignore", divide="ignore", over="ignore", under="ignore"):
        for start in range(0, flat[0].size, BLOCK):
            part = slice(start, start + BLOCK)
            block = _masked(limits, [array[part] for array in flat])
            found[:, part] = kernel(*block, *extra, np)
    fields = tuple(field.reshape(arrays[0].shape) for field in found)
    return fields[0] if outputs == 1 else fields


def _masked(limits: tuple[Limit, ...], block: list[Any]) -> list[Any]:
    """Return the block with a whole state NaN where one of its values is not allowed."""
    good = np.ones(block[0].shape, dtype=bool)
    for limit, value in zip(limits, block, strict=True):
        good &= (value >= limit.low) & (value <= limit.high)
    return block if good.all() else [np.where(good, value, np.nan) for value in block]
