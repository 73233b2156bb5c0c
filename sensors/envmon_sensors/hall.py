"""Two bays side by side that share air through a gap in the curtain between them.

The hall is stepped on a fixed 5 s grid, so a run depends on its start and its controls alone.
Whatever crosses a bay's border is added up per account and per bay.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from envmon_sensors.room import (
    AirFlow,
    add_air_flow,
    apply_flows,
    bay_flows,
    bay_vapour_pa,
    outdoor_air_m3_s,
    update_switches,
)
from envmon_sensors.stores import (
    AIR_DENSITY_KG_M3,
    Bay,
    BayControls,
    BayState,
    Vehicle,
)
from envmon_sensors.vapour import load_kg_kg

if TYPE_CHECKING:
    from envmon_sensors.weather import Outdoor

STEP_S = 5
INNER_HEAT = frozenset({"air", "structure", "panel", "core", "latent"})
INNER_WATER = frozenset({"vapour", "floor", "film", "sorbed"})

NORTH = Bay(
    name="north", volume_m3=240, floor_m2=34, air_j_k=480e3, structure_j_k=9.0e6, structure_m2=170,
    fabric_w_k=75, glazing_m2=14, glazing_w_k=26, heater_w=16e3, fan_m3_s=0.07, gully_m2=2.7,
    sorption_kg=3.0, door_m2=11.0, door_height_m=3.2,
)  # fmt: skip
SOUTH = Bay(
    name="south", volume_m3=200, floor_m2=28, air_j_k=400e3, structure_j_k=7.5e6, structure_m2=145,
    fabric_w_k=70, glazing_m2=12, glazing_w_k=22, heater_w=14e3, fan_m3_s=0.10, gully_m2=2.0,
    sorption_kg=2.5, door_m2=9.0, door_height_m=3.0,
)  # fmt: skip

CAMPER_VAN = Vehicle("camper van", 22.0, 62e3, 1.25e6, 4.5, 55.0, 4.0)
MOTORCYCLE = Vehicle("motorcycle", 1.6, 5e3, 95e3, 7.0, 12.0, 0.4)
BOAT = Vehicle("small boat on a trailer", 12.0, 110e3, 320e3, 4.0, 22.0, 2.0)


@dataclass(slots=True)
class Account:
    """What crossed a bay's border since the start, by account: heat [J] and water [kg]."""

    heat_j: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    water_kg: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))


@dataclass(slots=True)
class Hall:
    """The bays of the shop with their state.

    Attributes:
        bays: Fabric per bay.
        states: State per bay, same keys.
        gap_m3_s: Air that bays exchange through the curtain each way [m³/s].
        accounts: What crossed each bay's border; a positive entry came in.
    """

    bays: dict[str, Bay] = field(default_factory=lambda: {"north": NORTH, "south": SOUTH})
    states: dict[str, BayState] = field(
        default_factory=lambda: {"north": BayState(), "south": BayState()}
    )
    gap_m3_s: float = 0.115
    accounts: defaultdict[str, Account] = field(default_factory=lambda: defaultdict(Account))

    def step(
        self, controls: dict[str, BayControls], outside: Outdoor, step_s: float = STEP_S
    ) -> None:
        """Move all bays on by one step.

        Args:
            controls: What people do, per bay.
            outside: Weather outside.
            step_s: Length of the step, at most 5 [s].
        """
        loads = {
            name: load_kg_kg(bay_vapour_pa(bay, self.states[name]), outside.pressure_pa)
            for name, bay in self.bays.items()
        }
        temps = {name: state.air_c for name, state in self.states.items()}
        for name, bay in self.bays.items():
            state = self.states[name]
            update_switches(bay, state, controls[name], step_s)
            flows = bay_flows(bay, state, controls[name], outside.temp_c)
            for stream in self._streams(name, controls[name], outside, (loads, temps)):
                add_air_flow(flows, temps[name], stream, loads[name])
            apply_flows(flows, bay, state, step_s)
            account = self.accounts[name]
            _book(account.heat_j, flows.heat, INNER_HEAT, step_s)
            _book(account.water_kg, flows.water, INNER_WATER, step_s)

    def _streams(
        self,
        name: str,
        controls: BayControls,
        outside: Outdoor,
        before: tuple[dict[str, float], dict[str, float]],
    ) -> list[AirFlow]:
        """Return the air streams into a bay: from outside and from its neighbours."""
        loads, temps = before
        flow_m3_s = outdoor_air_m3_s(self.bays[name], self.states[name], controls, outside.temp_c)
        outside_load = load_kg_kg(outside.vapour_pressure_pa, outside.pressure_pa)
        streams = [AirFlow("outdoor", AIR_DENSITY_KG_M3 * flow_m3_s, outside.temp_c, outside_load)]
        gap_kg_s = AIR_DENSITY_KG_M3 * self.gap_m3_s
        streams += [
            AirFlow("neighbour", gap_kg_s, temps[other], loads[other])
            for other in self.bays
            if other != name
        ]
        return streams

    def bring_in(self, name: str, vehicle: Vehicle, temp_c: float) -> None:
        """Put a vehicle into a bay, as cold as the outdoors it comes from [°C]."""
        self.take_out(name)
        state = self.states[name]
        state.vehicle = vehicle
        state.panel_c = state.core_c = temp_c
        state.floor_kg += vehicle.slush_kg
        account = self.accounts[name]
        account.heat_j["vehicle"] += (vehicle.panel_j_k + vehicle.core_j_k) * temp_c
        account.water_kg["vehicle"] += vehicle.slush_kg

    def take_out(self, name: str) -> None:
        """Take the vehicle out of a bay, with the heat and water it holds; none is no error."""
        state = self.states[name]
        if state.vehicle is None:
            return
        account = self.accounts[name]
        account.heat_j["vehicle"] -= state.vehicle.panel_j_k * state.panel_c
        account.heat_j["vehicle"] -= state.vehicle.core_j_k * state.core_c
        account.water_kg["vehicle"] -= state.film_kg
        state.film_kg = 0.0
        state.vehicle = None
        state.panel_c = state.core_c = state.structure_c


def _book(
    book: defaultdict[str, float],
    flows: defaultdict[str, float],
    inner: frozenset[str],
    step_s: float,
) -> None:
    """Add what left the outer accounts during a step; an outer store's loss is the bay's gain."""
    for account, rate in flows.items():
        if account not in inner:
            book[account] -= rate * step_s
