"""What a source says to the node's loop."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

Values = tuple[tuple[str, str, float], ...]
"""Name, SenML unit and number of each quantity of one measurement."""


class Measured(NamedTuple):
    """A measurement: name of the sensor, when since boot [µs], and its values."""

    name: str
    up_us: int
    values: Values


class Pulses(NamedTuple):
    """So many new pulses of a meter."""

    name: str
    new: int


class Pressed(NamedTuple):
    """A press: name of the button, when since boot [µs], and press, double or hold."""

    name: str
    up_us: int
    how: str


class Trouble(NamedTuple):
    """What is wrong with a sensor now; empty when nothing is."""

    name: str
    what: str


Said = Measured | Pulses | Pressed | Trouble
Say = Callable[[Said], None]
