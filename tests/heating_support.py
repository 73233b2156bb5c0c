"""A winter of the simulated shop by the minute, with what its heaters truly did.

The shop follows the calendar of ``year_calendar``, mishaps included. Air is what two sensors a bay
send every 5 s, as in the demo; run time is taken from the heat the hall books for each heater.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import DAY_US, MINUTE_US
from envmon_sensors.channel import AIR_TEMP, Channel
from envmon_sensors.hall import STEP_S, Hall
from envmon_sensors.scenario import BAYS, local_us
from envmon_sensors.weather import outdoor
from tests.year_calendar import mishaps_between, stays_between
from tests.year_readings import YearShop

if TYPE_CHECKING:
    from datetime import date

    import numpy.typing as npt

    from envmon_sensors.stores import BayControls
    from envmon_sensors.weather import Outdoor

    Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class HeardHall(Hall):
    """The hall with two air sensors a bay that are read after each step."""

    channels: dict[str, list[Channel]] = field(default_factory=dict)
    heard: dict[str, list[float]] = field(default_factory=lambda: {bay: [] for bay in BAYS})
    doors: dict[str, int] = field(default_factory=lambda: dict.fromkeys(BAYS, 0))

    def step(
        self, controls: dict[str, BayControls], outside: Outdoor, step_s: float = STEP_S
    ) -> None:
        """Move on by a step and read the sensors."""
        Hall.step(self, controls, outside, step_s)
        for bay, channels in self.channels.items():
            for channel in channels:
                channel.update(self.states[bay].air_c, step_s)
            self.heard[bay].append(float(np.median([channel.read() for channel in channels])))
            self.doors[bay] += controls[bay].door_open


class BayTruth(NamedTuple):
    """A bay by the minute, each (n,).

    Attributes:
        air_c: Mean of what its sensors sent [°C].
        run: Share of the minute in which the heater truly gave heat.
        door: Share of the minute with the door open.
        says_on: What the thermostat asked for at the minute's end, heat or none.
    """

    air_c: Floats
    run: Floats
    door: Floats
    says_on: Floats


class Truth(NamedTuple):
    """A winter: first minute [µs], outdoor temperature [°C] and the bays."""

    start_us: int
    outdoor_c: Floats
    bays: dict[str, BayTruth]


def truth_of(seed: int, first: date, days: int, offset_k: float = 0.0) -> Truth:
    """Return days of the simulated shop, the first one local.

    Args:
        seed: Any whole number; the same one gives the same days.
        first: The first day.
        days: How many.
        offset_k: Shift of the weather's temperature [K].
    """
    start_us = local_us(first, "00:00")
    draw = np.random.default_rng([seed, 21])
    hall = HeardHall(channels={bay: [Channel(AIR_TEMP, draw) for _ in range(2)] for bay in BAYS})
    shop = YearShop(
        seed, start_us - DAY_US, outdoor(start_us - DAY_US, offset_k), hall=hall,
        stays=stays_between(seed, first, days), mishaps=mishaps_between(seed, first, days),
        offset_k=offset_k,
    )  # fmt: skip
    while shop.at_us < start_us:
        shop.minute()
    rows = [_minute(shop, hall) for _ in range(days * DAY_US // MINUTE_US)]
    bays = {bay: BayTruth(*np.array([row[1][bay] for row in rows], float).T) for bay in BAYS}
    return Truth(start_us, np.array([row[0] for row in rows]), bays)


def _minute(shop: YearShop, hall: HeardHall) -> tuple[float, dict[str, tuple[float, ...]]]:
    before = {bay: hall.accounts[bay].heat_j["heater"] for bay in BAYS}
    for bay in BAYS:
        hall.heard[bay].clear()
        hall.doors[bay] = 0
    shop.minute()
    of: dict[str, tuple[float, ...]] = {}
    for bay in BAYS:
        gave_j = hall.accounts[bay].heat_j["heater"] - before[bay]
        full_j = 60 * (hall.bays[bay].heater_w or 1.0)
        of[bay] = (
            float(np.mean(hall.heard[bay])), gave_j / full_j,
            hall.doors[bay] * STEP_S / 60, float(hall.states[bay].heater_on),
        )  # fmt: skip
    return shop.outside.temp_c, of
