"""What a bay holds, what it is built of, and the flows that move heat and water between stores.

Every flow leaves one store and enters another, so whatever crosses the bay's border shows up in
an account of its own (``outdoor``, ``heater``, ``spray`` …). The tests weigh those accounts
against what the stores gained.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

EVAPORATION_HEAT_J_KG = 2.45e6
AIR_DENSITY_KG_M3 = 1.2
AIR_HEAT_J_KG_K = 1006.0
WATER_HEAT_J_KG_K = 4184.0


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A vehicle as two bodies: its thin outer panels and the mass behind them.

    Attributes:
        name: What it is called.
        panel_m2: Area of the panels [m²].
        panel_j_k: Heat capacity of the panels [J/K].
        core_j_k: Heat capacity of engine, floor, glass, wheels [J/K].
        tie_w_m2k: Conduction from the coldest panel to the core [W/(m²·K)].
        core_w_k: Heat the core takes directly from the air [W/K].
        slush_kg: Snow and slush it carries in [kg].
    """

    name: str
    panel_m2: float
    panel_j_k: float
    core_j_k: float
    tie_w_m2k: float
    core_w_k: float
    slush_kg: float


@dataclass(frozen=True, slots=True)
class Bay:
    """Size and fabric of a bay.

    Attributes:
        name: Bay name, as in topics.
        volume_m3: Air volume [m³].
        floor_m2: Floor that gets wet [m²].
        air_j_k: Heat capacity of the air and light things in it [J/K].
        structure_j_k: Heat capacity of slab and inner walls [J/K].
        structure_m2: Face of the structure towards the air [m²].
        fabric_w_k: Loss from the structure to the outside [W/K].
        glazing_m2: Window and door panels, cold inside, that may sweat [m²].
        glazing_w_k: Loss through them [W/K].
        heater_w: Heater output when on [W].
        fan_m3_s: Exhaust fan flow [m³/s].
        gully_m2: Drain channel with standing water that never dries [m²].
        sorption_kg: Water that wood, boards and towels take up from 0 to 100 %RH [kg].
        door_m2: Area of the vehicle door [m²].
        door_height_m: Its height [m].
    """

    name: str
    volume_m3: float
    floor_m2: float
    air_j_k: float
    structure_j_k: float
    structure_m2: float
    fabric_w_k: float
    glazing_m2: float
    glazing_w_k: float
    heater_w: float
    fan_m3_s: float
    gully_m2: float
    sorption_kg: float
    door_m2: float
    door_height_m: float


@dataclass(frozen=True, slots=True)
class Spray:
    """Water coming out of a lance or hose: flow [kg/s], temperature [°C], solids [ppm]."""

    flow_kg_s: float
    temp_c: float
    solids_ppm: float


@dataclass(frozen=True, slots=True)
class BayControls:
    """What people and switches do in a bay at a moment.

    Attributes:
        door_open: Whether the vehicle door is open.
        spray: The water in use, or None.
        fan_above_pct: The exhaust fan runs while humidity is above this; None leaves it off.
        blower: Whether the drying blower is in use.
        wipe_kg_s: Water taken out by towel and squeegee [kg/s].
        setpoint_c: Thermostat setting [°C].
        people: Persons at work.
    """

    door_open: bool = False
    spray: Spray | None = None
    fan_above_pct: float | None = None
    blower: bool = False
    wipe_kg_s: float = 0.0
    setpoint_c: float = 20.5
    people: int = 0


@dataclass(slots=True)
class BayState:
    """All that changes in a bay: temperatures [°C], masses of water [kg], switches.

    Attributes:
        air_c: Air temperature.
        structure_c: Slab and walls.
        panel_c: Coldest panel; follows the structure while no vehicle is in.
        core_c: Mass behind the panels.
        vapour_kg: Water vapour in the air.
        floor_kg: Water film on the floor.
        film_kg: Water on the vehicle.
        sorbed_kg: Water held by wood, boards and towels.
        thermostat_c: What the thermostat has noticed so far.
        heater_on: Whether the heater burns.
        fan_on: Whether the exhaust fan runs.
        vehicle: What stands in the bay.
    """

    air_c: float = 19.0
    structure_c: float = 17.0
    panel_c: float = 17.0
    core_c: float = 17.0
    vapour_kg: float = 1.2
    floor_kg: float = 0.0
    film_kg: float = 0.0
    sorbed_kg: float = 1.2
    thermostat_c: float = 19.0
    heater_on: bool = False
    fan_on: bool = False
    vehicle: Vehicle | None = None


@dataclass(slots=True)
class Flows:
    """Rates of one step: heat [W] and water [kg/s], by store or account."""

    heat: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    water: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))

    def move_heat(self, source: str, target: str, power_w: float) -> None:
        """Let heat leave one store and enter another [W]."""
        self.heat[source] -= power_w
        self.heat[target] += power_w

    def move_water(self, source: str, target: str, rate_kg_s: float) -> None:
        """Let water leave one store and enter another [kg/s]."""
        self.water[source] -= rate_kg_s
        self.water[target] += rate_kg_s

    def evaporate(self, source: str, heat_from: str, rate_kg_s: float) -> None:
        """Turn water into vapour at the cost of a store's heat; negative condenses [kg/s]."""
        self.move_water(source, "vapour", rate_kg_s)
        self.move_heat(heat_from, "latent", rate_kg_s * EVAPORATION_HEAT_J_KG)


def stored_heat_j(bay: Bay, state: BayState) -> float:
    """Return the heat a bay and its vehicle hold, counted from 0 °C and liquid water [J]."""
    heat = bay.air_j_k * state.air_c + bay.structure_j_k * state.structure_c
    heat += EVAPORATION_HEAT_J_KG * state.vapour_kg
    if state.vehicle is not None:
        heat += state.vehicle.panel_j_k * state.panel_c + state.vehicle.core_j_k * state.core_c
    return heat


def stored_water_kg(state: BayState) -> float:
    """Return all water a bay holds, wherever it sits [kg]."""
    return state.vapour_kg + state.floor_kg + state.film_kg + state.sorbed_kg
