"""How real sensors bend the truth: lag, offset, noise, drift and steps of the converter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True, slots=True)
class Element:
    """How one channel differs from the truth.

    Attributes:
        lag_s: Time constant of the housing [s].
        noise: Standard deviation of a sample.
        offset: Largest fixed offset; a unit's own is drawn evenly within it.
        quantum: Step of the converter.
        low: Lowest value it can send.
        high: Highest value it can send.
        drift: Offset reached after a long time.
        drift_s: Time constant of the drift [s].
    """

    lag_s: float
    noise: float
    offset: float
    quantum: float
    low: float
    high: float
    drift: float = 0.0
    drift_s: float = 15 * 3600.0


# 16-bit digital humidity sensor: T = −45 + 175·n/65535 °C, RH = 100·n/65535 % (data sheets of
# such parts, from memory); the housing's lag is much longer than the chip's.
AIR_TEMP = Element(40.0, 0.02, 0.15, 175 / 65535, -45.0, 130.0)
AIR_HUM = Element(20.0, 0.12, 1.2, 100 / 65535, 0.0, 100.0)
AIR_HUM_DRIFTING = Element(20.0, 0.12, 1.2, 100 / 65535, 0.0, 100.0, drift=15.0)
OUTDOOR_TEMP = Element(120.0, 0.03, 0.2, 175 / 65535, -45.0, 130.0)
OUTDOOR_HUM = Element(120.0, 0.2, 1.5, 100 / 65535, 0.0, 100.0)
PRESSURE = Element(1.0, 3.0, 60.0, 1.0, 30_000.0, 125_000.0)
INFRA_RED = Element(0.5, 0.08, 0.3, 0.02, -70.0, 380.0)
WATER_TEMP = Element(8.0, 0.05, 0.3, 0.0625, -55.0, 125.0)
SOLIDS = Element(5.0, 0.25, 0.5, 1.0, 0.0, 5000.0)


class Channel:
    """One measured quantity of a node, with the state its errors need."""

    def __init__(self, element: Element, draw: np.random.Generator) -> None:
        self._element = element
        self._draw = draw
        self._offset = float(draw.uniform(-element.offset, element.offset))
        self._felt: float | None = None
        self._age_s = 0.0

    def update(self, truth: float, step_s: float) -> None:
        """Let the sensing element follow the truth for a step [s]."""
        self._age_s += step_s
        if self._felt is None:
            self._felt = truth
        else:
            share = 1 - math.exp(-step_s / self._element.lag_s)
            self._felt += share * (truth - self._felt)

    def read(self) -> float:
        """Return one sample as the converter gives it; ``update`` must have been called.

        A converter ends at its range: that is the sensor's behaviour, not a repair of ours.
        """
        if self._felt is None:
            raise RuntimeError("channel was read before its first update; call update() first")
        element = self._element
        drift = element.drift * (1 - math.exp(-self._age_s / element.drift_s))
        value = self._felt + self._offset + drift + element.noise * float(self._draw.normal())
        value = min(max(value, element.low), element.high)
        steps = round((value - element.low) / element.quantum)
        return round(element.low + steps * element.quantum, 2)
