from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envmon.clock import HOUR_US
from envmon_sensors.hall import CAMPER_VAN, NORTH, Hall
from envmon_sensors.room import bay_rel_hum_pct, outdoor_air_m3_s
from envmon_sensors.scenario import DEMO_DAY, demo_start_us
from envmon_sensors.simulation import Simulation, simulation_from
from envmon_sensors.stores import (
    AIR_DENSITY_KG_M3,
    AIR_HEAT_J_KG_K,
    BayControls,
    BayState,
    stored_heat_j,
    stored_water_kg,
)
from envmon_sensors.weather import Outdoor


def balances(simulation: Simulation) -> dict[str, tuple[float, float]]:
    hall = simulation.hall
    return {
        name: (stored_heat_j(hall.bays[name], state), stored_water_kg(state))
        for name, state in hall.states.items()
    }


def test_a_day_s_heat_and_water_balance_close() -> None:
    simulation = simulation_from(1, demo_start_us())
    before = balances(simulation)
    end_us = simulation.at_us + 12 * HOUR_US
    while simulation.at_us < end_us:
        simulation.step()
    after = balances(simulation)
    for name, account in simulation.hall.accounts.items():
        heat_j, water_kg = (now - then for now, then in zip(after[name], before[name], strict=True))
        turnover_j = sum(abs(value) for value in account.heat_j.values())
        assert turnover_j > 1e8
        assert heat_j == pytest.approx(sum(account.heat_j.values()), abs=1e-9 * turnover_j)
        turnover_kg = sum(abs(value) for value in account.water_kg.values())
        assert turnover_kg > 100
        assert water_kg == pytest.approx(sum(account.water_kg.values()), abs=1e-9 * turnover_kg)


def test_what_one_bay_gives_the_other_gets() -> None:
    simulation = simulation_from(1, demo_start_us())
    for _ in range(720):
        simulation.step()
    north, south = (simulation.hall.accounts[name] for name in ("north", "south"))
    assert abs(north.water_kg["neighbour"]) > 0.001
    assert north.water_kg["neighbour"] == pytest.approx(-south.water_kg["neighbour"], rel=1e-9)
    assert north.heat_j["neighbour"] == pytest.approx(-south.heat_j["neighbour"], rel=1e-9)


def lone_hall(state: BayState) -> Hall:
    dry = replace(NORTH, gully_m2=0.0, sorption_kg=0.0)
    return Hall(bays={"north": dry}, states={"north": state})


def test_heater_power_meets_the_loss_worked_out_by_hand() -> None:
    """Steady state: mean heater power = (series of two conductances + glazing + air) · ΔT."""
    hall = lone_hall(BayState(structure_c=15.0, vapour_kg=0.4, sorbed_kg=0.0))
    outside = Outdoor(-10.0, 80.0, 101_325.0)
    controls = {"north": BayControls(setpoint_c=20.0)}
    hall.bays["north"] = replace(hall.bays["north"], structure_j_k=2e5)  # settles within hours
    temps: list[float] = []
    for step in range(4 * 17280 // 4):
        hall.step(controls, outside)
        if step == 8640:
            hall.accounts.clear()
        if step > 8640:
            temps.append(hall.states["north"].air_c)
    bay, state = hall.bays["north"], hall.states["north"]
    inside_w_k = 4.5 * bay.structure_m2
    fabric_w_k = inside_w_k * bay.fabric_w_k / (inside_w_k + bay.fabric_w_k)
    air_m3_s = outdoor_air_m3_s(bay, replace(state, air_c=20.0), controls["north"], -10.0)
    air_w_k = AIR_DENSITY_KG_M3 * AIR_HEAT_J_KG_K * air_m3_s
    expected_w = (fabric_w_k + bay.glazing_w_k + air_w_k) * (float(np.mean(temps)) + 10)
    heater_w = hall.accounts["north"].heat_j["heater"] / (len(temps) * 5)
    assert heater_w == pytest.approx(expected_w, rel=0.02)


def test_a_car_warms_as_the_two_body_equations_say() -> None:
    """Panel and core against the exact solution of the linear two-body problem."""
    hall = lone_hall(BayState(air_c=20, structure_c=20, vapour_kg=0.01, sorbed_kg=0.0))
    still = replace(
        NORTH, air_j_k=1e12, structure_j_k=1e12, gully_m2=0.0, sorption_kg=0.0, heater_w=0.0
    )
    hall.bays["north"] = still
    vehicle = replace(CAMPER_VAN, slush_kg=0.0)
    hall.bring_in("north", vehicle, -12.0)
    surface = (4.5 + 5.0) * vehicle.panel_m2
    tie = vehicle.tie_w_m2k * vehicle.panel_m2
    rates = np.array(
        [
            [-(surface + tie) / vehicle.panel_j_k, tie / vehicle.panel_j_k],
            [tie / vehicle.core_j_k, -(tie + vehicle.core_w_k) / vehicle.core_j_k],
        ]
    )
    values, vectors = np.linalg.eig(rates)
    start = np.linalg.solve(vectors, np.array([-32.0, -32.0]))
    outside = Outdoor(20.0, 0.1, 101_325.0)
    for step in range(1, 3 * 720 + 1):
        hall.step({"north": BayControls(setpoint_c=-40)}, outside)
        if step % 360 == 0:
            exact = 20 + vectors @ (start * np.exp(values * step * 5))
            state = hall.states["north"]
            assert state.panel_c == pytest.approx(exact[0], abs=0.1)
            assert state.core_c == pytest.approx(exact[1], abs=0.05)


def test_half_the_step_gives_the_same_wash() -> None:
    """Integration error: 5 s steps against 1 s steps over an hour with a wash."""
    results = []
    simulation = simulation_from(1, demo_start_us())
    controls = {
        name: replace(simulation.scenario.controls(name, simulation.at_us), setpoint_c=-40)
        for name in ("north", "south")
    }
    spray = simulation.scenario.spray("north", "rinse", DEMO_DAY)
    controls["north"] = replace(controls["north"], spray=spray)
    for step_s in (5.0, 1.0):
        hall = Hall()
        hall.bring_in("north", CAMPER_VAN, -10.0)
        for _ in range(round(3600 / step_s)):
            hall.step(controls, Outdoor(-10.0, 70.0, 101_325.0), step_s)
        state = hall.states["north"]
        results.append((state.air_c, state.panel_c, bay_rel_hum_pct(NORTH, state)))
    assert results[0] == pytest.approx(results[1], rel=0.01)


def test_wet_closed_bay_settles_at_saturation() -> None:
    """A closed bay with a wet floor ends at 100 %RH and no further."""
    closed = replace(
        NORTH, gully_m2=0, sorption_kg=0, fabric_w_k=0, glazing_w_k=0, heater_w=0, volume_m3=240
    )
    state = BayState(air_c=18, structure_c=18, floor_kg=10, sorbed_kg=0, vapour_kg=0.5)
    hall = Hall(bays={"north": closed}, states={"north": state})
    outside = Outdoor(18.0, 100.0, 101_325.0)
    for _ in range(2 * 17280):
        hall.step({"north": BayControls(setpoint_c=-40)}, outside)
    assert bay_rel_hum_pct(closed, state) == pytest.approx(100, abs=0.5)
    assert state.floor_kg > 5
