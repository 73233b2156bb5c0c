"""The demo day: what a stranger must see happen, read off the model without MQTT."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import pytest

from envmon.clock import DAY_US
from envmon_sensors.room import bay_rel_hum_pct, bay_vapour_pa
from envmon_sensors.scenario import DEMO_DAY, demo_start_us, local_us
from envmon_sensors.simulation import simulation_from
from envmon_sensors.vapour import condensing_below_c

SEEDS = (1, 2, 3)


@dataclass(frozen=True, slots=True)
class Moment:
    air_c: float
    rel_hum_pct: float
    panel_c: float
    dew_point_c: float
    outdoor_c: float
    vehicle: str | None


@cache
def day(seed: int) -> dict[str, dict[int, Moment]]:
    """Return each bay's moments of the demo day, one per half minute [µs]."""
    simulation = simulation_from(seed, demo_start_us())
    moments: dict[str, dict[int, Moment]] = {"north": {}, "south": {}}
    while simulation.at_us < demo_start_us() + DAY_US:
        simulation.step()
        if simulation.at_us % 30_000_000:
            continue
        for name, state in simulation.hall.states.items():
            bay = simulation.hall.bays[name]
            moments[name][simulation.at_us] = Moment(
                state.air_c,
                bay_rel_hum_pct(bay, state),
                state.panel_c,
                condensing_below_c(bay_vapour_pa(bay, state)),
                simulation.outside.temp_c,
                state.vehicle.name if state.vehicle else None,
            )
    return moments


def between(seed: int, bay: str, start: str, end: str) -> list[Moment]:
    first, last = local_us(DEMO_DAY, start), local_us(DEMO_DAY, end)
    found = [moment for at_us, moment in day(seed)[bay].items() if first <= at_us < last]
    assert found
    return found


def in_window(moment: Moment) -> bool:
    """Coating window of common practice: 18–24 °C, 35–60 %RH, panel 15–25 °C, 3 K margin."""
    return (
        18 <= moment.air_c <= 24
        and 35 <= moment.rel_hum_pct <= 60
        and 15 <= moment.panel_c <= 25
        and moment.panel_c - moment.dew_point_c >= 3
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_outdoors_is_a_cold_winter_day(seed: int) -> None:
    temps = [moment.outdoor_c for moment in between(seed, "north", "06:00", "24:00")]
    assert min(temps) > -12
    assert max(temps) < -8


@pytest.mark.parametrize("seed", SEEDS)
def test_the_heated_bay_starts_dry(seed: int) -> None:
    first = between(seed, "north", "06:00", "06:02")[0]
    assert 20 <= first.rel_hum_pct <= 40
    assert 18 <= first.air_c <= 22


@pytest.mark.parametrize("seed", SEEDS)
def test_camper_van_comes_in_frozen_and_below_the_dew_point(seed: int) -> None:
    inside = [m for m in between(seed, "north", "06:00", "06:30") if m.vehicle == "camper van"]
    assert inside[0].panel_c < 0
    before = between(seed, "north", "06:00", "06:04")[-1]
    assert inside[0].panel_c < before.dew_point_c - 5
    assert min(moment.panel_c - moment.dew_point_c for moment in inside) < 0
    assert min(moment.air_c for moment in inside) < 5  # the door cost the heat


@pytest.mark.parametrize("seed", SEEDS)
def test_panel_is_warm_enough_to_foam_before_the_wash(seed: int) -> None:
    assert between(seed, "north", "06:46", "06:48")[-1].panel_c >= 10


@pytest.mark.parametrize("seed", SEEDS)
def test_wash_loads_the_air_and_wets_the_panel(seed: int) -> None:
    wash = between(seed, "north", "06:50", "07:30")
    assert max(moment.rel_hum_pct for moment in wash) > 80
    assert min(moment.panel_c - moment.dew_point_c for moment in wash) < 0


@pytest.mark.parametrize("seed", SEEDS)
def test_air_is_still_too_wet_at_half_past_eight_and_fit_by_half_past_nine(seed: int) -> None:
    assert min(m.rel_hum_pct for m in between(seed, "north", "08:00", "08:30")) > 60
    assert max(m.rel_hum_pct for m in between(seed, "north", "09:30", "10:30")) < 60


@pytest.mark.parametrize("seed", SEEDS)
def test_coating_starts_in_its_window(seed: int) -> None:
    assert all(in_window(moment) for moment in between(seed, "north", "10:00", "11:00"))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_neighbour_s_wash_drives_the_coating_out_and_it_comes_back(seed: int) -> None:
    coating = between(seed, "north", "11:00", "12:00")
    outside = [moment for moment in coating if not in_window(moment)]
    assert 2 * 5 <= len(outside) <= 2 * 35  # half-minute moments: 5 to 35 minutes
    assert all(moment.rel_hum_pct > 60 for moment in outside)
    assert all(in_window(moment) for moment in between(seed, "north", "11:50", "12:00"))
    neighbour = between(seed, "south", "10:50", "11:30")
    assert max(moment.rel_hum_pct for moment in neighbour) > 80


@pytest.mark.parametrize("seed", SEEDS)
def test_cure_stays_in_its_window_through_the_night(seed: int) -> None:
    """Early and full cure of common practice: 15–25 °C, 30–65 %RH, 3 K margin."""
    for moment in between(seed, "north", "12:00", "29:20"):
        assert 15 <= moment.air_c <= 25
        assert 30 <= moment.rel_hum_pct <= 65
        assert moment.panel_c - moment.dew_point_c >= 3


@pytest.mark.parametrize("seed", SEEDS)
def test_south_has_a_rhythm_of_its_own(seed: int) -> None:
    seen = [moment.vehicle for moment in between(seed, "south", "06:00", "20:00")]
    order = [name for i, name in enumerate(seen) if i == 0 or name != seen[i - 1]]
    assert order == [None, "motorcycle", None, "small boat on a trailer", None]


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_leaves_the_physically_possible(seed: int) -> None:
    for bay in ("north", "south"):
        for moment in between(seed, bay, "06:00", "30:00"):
            assert moment.outdoor_c - 0.5 < moment.air_c < 26
            assert 0 < moment.rel_hum_pct <= 100.5


def test_seeds_give_different_days() -> None:
    at_us = local_us(DEMO_DAY, "08:00")
    assert len({day(seed)["north"][at_us].rel_hum_pct for seed in SEEDS}) == len(SEEDS)
