"""The shop's sensor nodes: what each measures, how often, and how it fails.

Each node samples on a grid of its own (interval, less a fixed phase below one second), so that the
same seed and start give the same bytes at any speed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from zlib import crc32

import numpy as np

from envmon_node.senml import Sample
from envmon_sensors.channel import (
    AIR_HUM,
    AIR_HUM_DRIFTING,
    AIR_TEMP,
    INFRA_RED,
    OUTDOOR_HUM,
    OUTDOOR_TEMP,
    PRESSURE,
    SOLIDS,
    WATER_TEMP,
    Channel,
    Element,
)
from envmon_sensors.hall import STEP_S
from envmon_sensors.room import bay_rel_hum_pct
from envmon_sensors.scenario import BAYS, local_day, local_us
from envmon_sensors.simulation import STEP_US, Simulation

EMISSIVITY = 0.95

Truth = Callable[[Simulation, str], float | bool]


@dataclass(frozen=True, slots=True)
class Measures:
    """One quantity of a node: SenML name and unit, the truth, and its element (None: exact)."""

    name: str
    unit: str
    truth: Truth
    element: Element | None


@dataclass(frozen=True, slots=True)
class NodeKind:
    """A node as it is built.

    Attributes:
        name: Such as ``north/air``; topic and SenML base name follow from it.
        bay: Bay, or ``outdoor``.
        interval_s: Time between samples, a multiple of 5 [s].
        measures: Its quantities.
        dead: Local times between which it is dead each day, or None.
    """

    name: str
    bay: str
    interval_s: int
    measures: tuple[Measures, ...]
    dead: tuple[str, str] | None = None

    @property
    def topic(self) -> str:
        """MQTT topic of its packs."""
        return f"shop/{self.name}"


def _air_c(simulation: Simulation, bay: str) -> float:
    return simulation.hall.states[bay].air_c


def _rel_hum(simulation: Simulation, bay: str) -> float:
    return bay_rel_hum_pct(simulation.hall.bays[bay], simulation.hall.states[bay])


def _seen_surface_c(simulation: Simulation, bay: str) -> float:
    """Return what an infra-red thermometer sees: mostly the panel, a little of the walls."""
    state = simulation.hall.states[bay]
    return EMISSIVITY * state.panel_c + (1 - EMISSIVITY) * state.structure_c


def _heater_on(simulation: Simulation, bay: str) -> bool:
    return simulation.hall.states[bay].heater_on


def _heater_w(simulation: Simulation, bay: str) -> float:
    return simulation.hall.bays[bay].heater_w if _heater_on(simulation, bay) else 0.0


def _door(simulation: Simulation, bay: str) -> bool:
    return simulation.controls[bay].door_open


def _water_c(simulation: Simulation, bay: str) -> float:
    """Return the hose's water temperature; standing water is as warm as the structure."""
    spray = simulation.controls[bay].spray
    return spray.temp_c if spray else simulation.hall.states[bay].structure_c


def _solids_ppm(simulation: Simulation, bay: str) -> float:
    """Return dissolved solids at the rinse tap; it stands full of mineral-free water."""
    spray = simulation.controls[bay].spray
    return spray.solids_ppm if spray else 4.0


def _bay_nodes(
    bay: str, second_humidity: Element, dead_air2: tuple[str, str] | None
) -> list[NodeKind]:
    temp = Measures("temp", "Cel", _air_c, AIR_TEMP)
    air = (temp, Measures("rh", "%RH", _rel_hum, AIR_HUM))
    air2 = (temp, Measures("rh", "%RH", _rel_hum, second_humidity))
    panel = (Measures("surface", "Cel", _seen_surface_c, INFRA_RED),)
    heater = (Measures("on", "", _heater_on, None), Measures("power", "W", _heater_w, None))
    water = (
        Measures("temp", "Cel", _water_c, WATER_TEMP),
        Measures("solids", "ppm", _solids_ppm, SOLIDS),
    )
    return [
        NodeKind(f"{bay}/air", bay, 5, air),
        NodeKind(f"{bay}/air2", bay, 5, air2, dead_air2),
        NodeKind(f"{bay}/panel", bay, 5, panel),
        NodeKind(f"{bay}/heater", bay, 10, heater),
        NodeKind(f"{bay}/door", bay, 10, (Measures("open", "", _door, None),)),
        NodeKind(f"{bay}/water", bay, 10, water),
    ]


def _outdoor_node() -> NodeKind:
    return NodeKind(
        "outdoor/air",
        "outdoor",
        10,
        (
            Measures("temp", "Cel", lambda shop, _: shop.outside.temp_c, OUTDOOR_TEMP),
            Measures("rh", "%RH", lambda shop, _: shop.outside.rel_hum_pct, OUTDOOR_HUM),
            Measures("pressure", "Pa", lambda shop, _: shop.outside.pressure_pa, PRESSURE),
        ),
    )


KINDS: tuple[NodeKind, ...] = (
    *_bay_nodes(BAYS[0], AIR_HUM, ("09:05", "09:35")),
    *_bay_nodes(BAYS[1], AIR_HUM_DRIFTING, None),
    _outdoor_node(),
)


class Node:
    """One sensor node living with the simulation; ``pulled`` is set by hand."""

    def __init__(self, kind: NodeKind, seed: int) -> None:
        self.kind = kind
        self.pulled = False
        draw = np.random.default_rng([seed, crc32(kind.name.encode())])
        self._phase_us = int(draw.integers(0, 1000)) * 1000
        self._channels = [
            Channel(measure.element, draw) if measure.element else None for measure in kind.measures
        ]

    def step(self, simulation: Simulation) -> Sample | None:
        """Follow the truth for one step; return a sample when one is due and the node lives.

        A dead or pulled node goes on feeling and drawing noise, so that its death changes
        nothing but its own silence.
        """
        truths = [measure.truth(simulation, self.kind.bay) for measure in self.kind.measures]
        for channel, truth in zip(self._channels, truths, strict=True):
            if channel is not None:
                channel.update(float(truth), STEP_S)
        if (simulation.at_us // STEP_US) % (self.kind.interval_s // STEP_S):
            return None
        values = tuple(
            (measure.name, measure.unit, channel.read() if channel else truth)
            for measure, channel, truth in zip(
                self.kind.measures, self._channels, truths, strict=True
            )
        )
        if self.silent(simulation.at_us):
            return None
        return Sample(simulation.at_us - self._phase_us, values)

    def silent(self, at_us: int) -> bool:
        """Return whether the node is pulled or dead at a time [µs]."""
        return self.pulled or self._is_dead(at_us)

    def _is_dead(self, at_us: int) -> bool:
        """Return whether the script has the node dead at a time [µs]."""
        if self.kind.dead is None:
            return False
        day = local_day(at_us)
        start, end = (local_us(day, clock) for clock in self.kind.dead)
        return start <= at_us < end


def samples_per_pack(interval_s: int, speed: float) -> int:
    """Return how many samples a node puts into one pack so that it sends at most 20 a second.

    Args:
        interval_s: Time between samples [s].
        speed: Clock seconds per real second.
    """
    return max(1, round(0.05 * speed / interval_s))


def nodes_from_seed(seed: int) -> list[Node]:
    """Return all nodes of the shop, each with its own offsets and noise."""
    return [Node(kind, seed) for kind in KINDS]
