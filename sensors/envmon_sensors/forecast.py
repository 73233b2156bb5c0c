"""A weather service for the simulated shop: the outdoors as somebody would foretell them.

It knows the weather to come and tells it wrongly: by what its own place differs from the shop's,
and by an error that grows with the lead as a random walk does. A day ahead that is off by 1.7 K
(standard deviation), which is what forecasts for a town are off by (common practice).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import HOUR_US
from envmon_node.senml import Sample, pack_from_samples
from envmon_sensors.scenario import OUTDOOR_OFFSET_K
from envmon_sensors.shop import Pack
from envmon_sensors.weather import outdoor

if TYPE_CHECKING:
    from collections.abc import Iterator

NODE, TOPIC = "outdoor/forecast", "shop/outdoor/forecast"
EVERY_H, AHEAD_H = 3, 36
PLACE_K, HOURLY_K = 1.0, 0.35
"""How far its place may differ, and how far an hour more leads astray (standard deviation) [K]."""


def forecast_c(seed: int, issued_us: int) -> list[float]:
    """Return what is foretold hour by hour from a time on, itself first [°C].

    Args:
        seed: The same seed and time foretell the same.
        issued_us: A whole hour [µs, UTC].
    """
    place_k = np.random.default_rng([seed]).uniform(-PLACE_K, PLACE_K)
    steps_k = np.random.default_rng([seed, issued_us // HOUR_US]).normal(0, HOURLY_K, AHEAD_H)
    off_k = place_k + np.concatenate(([0.0], np.cumsum(steps_k)))
    hours = range(AHEAD_H + 1)
    true_c = [outdoor(issued_us + hour * HOUR_US, OUTDOOR_OFFSET_K).temp_c for hour in hours]
    return [round(float(temp_c), 1) for temp_c in true_c + off_k]


class Forecaster:
    """Foretells every three hours.

    Args:
        seed: Seed of the shop.
    """

    def __init__(self, seed: int) -> None:
        self._seed, self._issued_us = seed, -1

    def due(self, at_us: int) -> Iterator[Pack]:
        """Yield the forecast in force at a time [µs], unless that was the last one yielded."""
        issued_us = at_us - at_us % (EVERY_H * HOUR_US)
        if issued_us == self._issued_us:
            return
        self._issued_us = issued_us
        told = [
            Sample(issued_us + hour * HOUR_US, (("temp", "Cel", temp_c),))
            for hour, temp_c in enumerate(forecast_c(self._seed, issued_us))
        ]
        yield Pack(NODE, TOPIC, pack_from_samples(f"{NODE}/", told))
