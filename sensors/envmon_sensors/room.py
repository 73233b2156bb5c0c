"""One bay, step by step: heat and water moving between air, structure, surfaces and vehicle.

Explicit Euler steps of at most 5 s (the fastest path, an open door, has about 60 s). Heat of
evaporation is constant, the heat carried by vapour itself and the heat of melting frost are left
out; water film on floor and gully is as warm as the structure. None of this is the guard's room
model: that one has fewer bodies and knows nothing of films, sweat or sorption.

Sources: convection and radiation coefficients, infiltration and sorption are textbook
magnitudes (common practice). Door flow: buoyancy exchange through one large opening,
Q = Cd/3 · A · sqrt(g · H · ΔT/T) with Cd = 0.6 (Brown and Solvason 1962, from memory).
Evaporation: Lewis relation, Le = 0.86 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from envmon_sensors.stores import (
    AIR_DENSITY_KG_M3,
    AIR_HEAT_J_KG_K,
    EVAPORATION_HEAT_J_KG,
    WATER_HEAT_J_KG_K,
    Bay,
    BayControls,
    BayState,
    Flows,
)
from envmon_sensors.vapour import (
    GAS_CONSTANT_VAPOUR,
    KELVIN,
    film_saturation_pa,
    rel_hum_pct,
    saturation_over_water_pa,
    vapour_mass_kg,
    vapour_pressure_pa,
)

CONVECTION_W_M2K = 4.5
RADIATION_W_M2K = 5.0
BLOWER_FACTOR = 2.5
WET_FULL_KG_M2 = 0.15
VEHICLE_HOLDS_KG_M2 = 0.25
FLOOR_HOLDS_KG_M2 = 0.5
DROPLETS_M2_PER_KG_S = 110.0
LANDING_SHARE = 0.6
SORPTION_S = 7200.0
FOG_S = 15.0
THERMOSTAT_S = 45.0
PERSON_W = 120.0
PERSON_KG_S = 2.5e-5
BLOWER_W = 1800.0


@dataclass(frozen=True, slots=True)
class AirFlow:
    """Air coming in and the same mass going out.

    Attributes:
        account: Where it comes from.
        kg_s: Dry air each way [kg/s].
        temp_c: Its temperature [°C].
        load_kg_kg: Vapour it carries [kg/kg].
    """

    account: str
    kg_s: float
    temp_c: float
    load_kg_kg: float


def bay_vapour_pa(bay: Bay, state: BayState) -> float:
    """Return the vapour pressure in a bay [Pa]."""
    return vapour_pressure_pa(state.vapour_kg, bay.volume_m3, state.air_c)


def bay_rel_hum_pct(bay: Bay, state: BayState) -> float:
    """Return the relative humidity in a bay over liquid water [%]."""
    return rel_hum_pct(bay_vapour_pa(bay, state), state.air_c)


def transfer_kg_s_m2_pa(convection_w_m2k: float, temp_c: float) -> float:
    """Return the mass transfer coefficient that belongs to a convection coefficient.

    Args:
        convection_w_m2k: Convection between surface and air [W/(m²·K)].
        temp_c: Air temperature [°C].

    Returns:
        Vapour per area and pressure difference [kg/(s·m²·Pa)].
    """
    lewis = math.pow(0.86, 2 / 3)
    gas = GAS_CONSTANT_VAPOUR * (temp_c + KELVIN)
    return convection_w_m2k / (AIR_DENSITY_KG_M3 * AIR_HEAT_J_KG_K * gas * lewis)


def outdoor_air_m3_s(bay: Bay, state: BayState, controls: BayControls, outdoor_c: float) -> float:
    """Return the outdoor air a bay takes in through cracks, fan and open door [m³/s]."""
    difference_k = abs(state.air_c - outdoor_c)
    flow = bay.volume_m3 * (0.10 + 0.004 * difference_k) / 3600
    if state.fan_on:
        flow += bay.fan_m3_s
    if controls.door_open:
        buoyancy = 9.81 * bay.door_height_m * difference_k / (KELVIN + outdoor_c)
        flow += 0.6 / 3 * bay.door_m2 * math.sqrt(buoyancy)
    return flow


def update_switches(bay: Bay, state: BayState, controls: BayControls, step_s: float) -> None:
    """Let thermostat (±0.4 K) and hygrostat (−4 %RH) switch heater and fan."""
    state.thermostat_c += (state.air_c - state.thermostat_c) * step_s / THERMOSTAT_S
    if state.thermostat_c < controls.setpoint_c - 0.4:
        state.heater_on = True
    elif state.thermostat_c > controls.setpoint_c + 0.4:
        state.heater_on = False
    humidity = bay_rel_hum_pct(bay, state)
    if controls.fan_above_pct is None or humidity < controls.fan_above_pct - 4:
        state.fan_on = False
    elif humidity > controls.fan_above_pct:
        state.fan_on = True


def add_air_flow(flows: Flows, air_c: float, stream: AirFlow, bay_load_kg_kg: float) -> None:
    """Add the heat and vapour that an equal exchange of air brings in."""
    vapour_kg_s = stream.kg_s * (stream.load_kg_kg - bay_load_kg_kg)
    warmth_w = stream.kg_s * AIR_HEAT_J_KG_K * (stream.temp_c - air_c)
    flows.move_heat(stream.account, "air", warmth_w)
    flows.move_water(stream.account, "vapour", vapour_kg_s)
    flows.move_heat(stream.account, "latent", vapour_kg_s * EVAPORATION_HEAT_J_KG)


def add_fabric(flows: Flows, bay: Bay, state: BayState, outdoor_c: float) -> None:
    """Add losses through the fabric, and sweat on cold glazing that runs to the floor."""
    inside_w = CONVECTION_W_M2K * bay.structure_m2 * (state.air_c - state.structure_c)
    flows.move_heat("air", "structure", inside_w)
    flows.move_heat("structure", "fabric", bay.fabric_w_k * (state.structure_c - outdoor_c))
    loss_w = bay.glazing_w_k * (state.air_c - outdoor_c)
    flows.move_heat("air", "glazing", loss_w)
    face_c = state.air_c - loss_w / bay.glazing_m2 / (CONVECTION_W_M2K + RADIATION_W_M2K)
    excess_pa = bay_vapour_pa(bay, state) - film_saturation_pa(face_c)
    transfer = transfer_kg_s_m2_pa(CONVECTION_W_M2K, state.air_c)
    flows.evaporate("floor", "air", -transfer * bay.glazing_m2 * max(0.0, excess_pa))


def add_gains(flows: Flows, bay: Bay, state: BayState, controls: BayControls) -> None:
    """Add heater, people and blower."""
    if state.heater_on:
        flows.move_heat("heater", "air", bay.heater_w)
    flows.move_heat("people", "air", PERSON_W * controls.people)
    flows.move_water("people", "vapour", PERSON_KG_S * controls.people)
    flows.move_heat("people", "latent", PERSON_KG_S * controls.people * EVAPORATION_HEAT_J_KG)
    if controls.blower:
        flows.move_heat("blower", "air", BLOWER_W)


def add_vehicle(flows: Flows, bay: Bay, state: BayState, controls: BayControls) -> None:
    """Add the warming of panels and core, and the water that settles on or leaves the panels."""
    vehicle = state.vehicle
    if vehicle is None:
        return
    convection = CONVECTION_W_M2K * (BLOWER_FACTOR if controls.blower else 1.0)
    area = vehicle.panel_m2
    flows.move_heat("air", "panel", convection * area * (state.air_c - state.panel_c))
    radiation_w = RADIATION_W_M2K * area * (state.structure_c - state.panel_c)
    flows.move_heat("structure", "panel", radiation_w)
    flows.move_heat("panel", "core", vehicle.tie_w_m2k * area * (state.panel_c - state.core_c))
    flows.move_heat("air", "core", vehicle.core_w_k * (state.air_c - state.core_c))
    drive_pa = film_saturation_pa(state.panel_c) - bay_vapour_pa(bay, state)
    wet = 1.0 if drive_pa < 0 else min(1.0, state.film_kg / (WET_FULL_KG_M2 * area))
    transfer = transfer_kg_s_m2_pa(convection, state.air_c)
    flows.evaporate("film", "panel", transfer * area * wet * drive_pa)


def add_floor_water(flows: Flows, bay: Bay, state: BayState) -> None:
    """Add evaporation from wet floor and gully, and what wood and towels take up."""
    drive_pa = film_saturation_pa(state.structure_c) - bay_vapour_pa(bay, state)
    transfer = transfer_kg_s_m2_pa(CONVECTION_W_M2K, state.air_c)
    wet_m2 = bay.floor_m2 * min(1.0, state.floor_kg / (WET_FULL_KG_M2 * bay.floor_m2))
    if drive_pa < 0:
        wet_m2 = bay.floor_m2
    flows.evaporate("floor", "structure", transfer * wet_m2 * drive_pa)
    flows.evaporate("gully", "structure", transfer * bay.gully_m2 * drive_pa)
    settled_kg = bay.sorption_kg * min(1.0, bay_rel_hum_pct(bay, state) / 100)
    flows.evaporate("sorbed", "air", (state.sorbed_kg - settled_kg) / SORPTION_S)


def add_fog(flows: Flows, bay: Bay, state: BayState) -> None:
    """Let vapour above saturation turn to fog that settles on the floor, warming the air."""
    limit_pa = saturation_over_water_pa(state.air_c)
    excess_kg = state.vapour_kg - vapour_mass_kg(limit_pa, bay.volume_m3, state.air_c)
    flows.evaporate("floor", "air", -max(0.0, excess_kg) / FOG_S)


def add_spray(flows: Flows, bay: Bay, state: BayState, controls: BayControls) -> None:
    """Add water in use: droplets evaporate in flight, the rest lands warm and runs down.

    Droplets have cooled halfway to the air; what evaporates takes its heat from the water,
    which comes from outside the bay.
    """
    spray = controls.spray
    if spray is None:
        return
    flight_c = (spray.temp_c + state.air_c) / 2
    drive_pa = saturation_over_water_pa(flight_c) - bay_vapour_pa(bay, state)
    transfer = transfer_kg_s_m2_pa(3 * CONVECTION_W_M2K, state.air_c)
    droplets_m2 = DROPLETS_M2_PER_KG_S * spray.flow_kg_s
    mist_kg_s = min(transfer * droplets_m2 * max(0.0, drive_pa), 0.2 * spray.flow_kg_s)
    flows.move_water("spray", "vapour", mist_kg_s)
    flows.move_heat("spray", "latent", mist_kg_s * EVAPORATION_HEAT_J_KG)
    landing_kg_s = spray.flow_kg_s - mist_kg_s
    on_vehicle = LANDING_SHARE if state.vehicle is not None else 0.0
    for share, film, body, body_c in (
        (on_vehicle, "film", "panel", state.panel_c),
        (1 - on_vehicle, "floor", "structure", state.structure_c),
    ):
        landing_w = share * landing_kg_s * WATER_HEAT_J_KG_K * (flight_c - body_c)
        flows.move_water("spray", film, share * landing_kg_s)
        flows.move_heat("spray", body, 0.5 * landing_w)


def add_runoff(flows: Flows, bay: Bay, state: BayState, controls: BayControls) -> None:
    """Let water above what a surface holds run off, and towels and squeegee take the rest."""
    area = state.vehicle.panel_m2 if state.vehicle is not None else 0.0
    surplus_kg = max(0.0, state.film_kg - VEHICLE_HOLDS_KG_M2 * area)
    flows.move_water("film", "floor", surplus_kg / 20)
    surplus_kg = max(0.0, state.floor_kg - FLOOR_HOLDS_KG_M2 * bay.floor_m2)
    flows.move_water("floor", "drain", surplus_kg / 20)
    flows.move_water("film", "towel", min(controls.wipe_kg_s, state.film_kg / 60))
    flows.move_water("floor", "drain", min(2 * controls.wipe_kg_s, state.floor_kg / 600))


def apply_flows(flows: Flows, bay: Bay, state: BayState, step_s: float) -> None:
    """Move a bay's stores on by one step.

    Films cannot go below 0: every flow out of a film is scaled by the film that is there, and
    a step is much shorter than the time in which a film is gone.
    """
    state.air_c += flows.heat["air"] * step_s / bay.air_j_k
    state.structure_c += flows.heat["structure"] * step_s / bay.structure_j_k
    state.vapour_kg += flows.water["vapour"] * step_s
    state.floor_kg += flows.water["floor"] * step_s
    state.film_kg += flows.water["film"] * step_s
    state.sorbed_kg += flows.water["sorbed"] * step_s
    if state.vehicle is None:
        state.panel_c = state.core_c = state.structure_c
        return
    state.panel_c += flows.heat["panel"] * step_s / state.vehicle.panel_j_k
    state.core_c += flows.heat["core"] * step_s / state.vehicle.core_j_k


def bay_flows(bay: Bay, state: BayState, controls: BayControls, outdoor_c: float) -> Flows:
    """Return all flows of one bay except those that its air exchanges bring."""
    flows = Flows()
    add_fabric(flows, bay, state, outdoor_c)
    add_gains(flows, bay, state, controls)
    add_vehicle(flows, bay, state, controls)
    add_floor_water(flows, bay, state)
    add_fog(flows, bay, state)
    add_spray(flows, bay, state, controls)
    add_runoff(flows, bay, state, controls)
    return flows
