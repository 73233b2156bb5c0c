"""The shop as a whole: weather, script and hall moved on together, with hands that may interfere.

Steps lie on a fixed 5 s grid of absolute time. A new simulation first lives through the day
before its start, so that it begins in a state the building would really be in.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from envmon.clock import DAY_US, MINUTE_US, SECOND_US
from envmon.errors import InputError
from envmon_sensors.hall import STEP_S, Hall
from envmon_sensors.scenario import OUTDOOR_OFFSET_K, Scenario, local_day
from envmon_sensors.weather import Outdoor, outdoor

if TYPE_CHECKING:
    from envmon_sensors.stores import BayControls

STEP_US = STEP_S * SECOND_US
HAND_WASH_US = 10 * MINUTE_US


@dataclass(slots=True)
class Hands:
    """What somebody does by hand beside the script.

    Attributes:
        open_doors: Bays whose door is held open.
        wash_until_us: Bay -> end of a wash started by hand [µs].
    """

    open_doors: set[str] = field(default_factory=set)
    wash_until_us: dict[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class Simulation:
    """The simulated shop at a moment.

    Attributes:
        seed: Same seed and start give the same run.
        at_us: The moment, on the step grid [µs].
        outside: Weather at the moment.
        hall: Bays with their state.
        hands: What somebody does beside the script.
        controls: What was done in each bay during the last step.
    """

    seed: int
    at_us: int
    outside: Outdoor
    hall: Hall = field(default_factory=Hall)
    hands: Hands = field(default_factory=Hands)
    controls: dict[str, BayControls] = field(default_factory=dict)

    @property
    def scenario(self) -> Scenario:
        """The script this shop follows."""
        return Scenario(self.seed)

    def step(self) -> None:
        """Move on by one step of the grid."""
        self.at_us += STEP_US
        self.outside = outdoor(self.at_us, OUTDOOR_OFFSET_K)
        for name, state in self.hall.states.items():
            vehicle = self.scenario.vehicle(name, self.at_us)
            if vehicle is None and state.vehicle is not None:
                self.hall.take_out(name)
            elif vehicle is not None and vehicle is not state.vehicle:
                self.hall.bring_in(name, vehicle, self.outside.temp_c)
            self.controls[name] = self._with_hands(name)
        self.hall.step(self.controls, self.outside)

    def _with_hands(self, bay: str) -> BayControls:
        """Return the script's controls of a bay, changed by what is done by hand."""
        controls = self.scenario.controls(bay, self.at_us)
        if bay in self.hands.open_doors:
            controls = replace(controls, door_open=True)
        if self.hands.wash_until_us.get(bay, 0) > self.at_us:
            spray = self.scenario.spray(bay, "rinse", local_day(self.at_us))
            controls = replace(controls, spray=spray)
        return controls

    def set_door(self, bay: str, *, is_open: bool) -> None:
        """Hold a bay's door open by hand, or leave it to the script again.

        Raises:
            InputError: There is no such bay.
        """
        self._ensure_bay(bay)
        if is_open:
            self.hands.open_doors.add(bay)
        else:
            self.hands.open_doors.discard(bay)

    def set_wash(self, bay: str, *, running: bool) -> None:
        """Start a ten-minute wash by hand from the present moment, or stop it.

        Raises:
            InputError: There is no such bay.
        """
        self._ensure_bay(bay)
        self.hands.wash_until_us[bay] = self.at_us + HAND_WASH_US if running else 0

    def _ensure_bay(self, bay: str) -> None:
        if bay not in self.hall.states:
            raise InputError(f"bay is {bay!r}; allowed: {', '.join(self.hall.states)}")


def simulation_from(seed: int, start_us: int) -> Simulation:
    """Return a shop that has lived through the day before its start.

    Args:
        seed: Any whole number from 0.
        start_us: Where the run begins [µs, UTC]; taken down to the 5 s grid.
    """
    start_us -= start_us % STEP_US
    spin_up_us = start_us - DAY_US
    simulation = Simulation(seed, spin_up_us, outdoor(spin_up_us, OUTDOOR_OFFSET_K))
    while simulation.at_us < start_us:
        simulation.step()
    simulation.hall.accounts.clear()
    return simulation
