"""The simulated shop with its nodes, without MQTT: time in, SenML packs out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from envmon_node.senml import Sample, pack_from_samples
from envmon_sensors.nodes import Node, nodes_from_seed, samples_per_pack
from envmon_sensors.simulation import STEP_US, Simulation, simulation_from

if TYPE_CHECKING:
    from collections.abc import Iterator


@dataclass(frozen=True, slots=True)
class Pack:
    """What a node sends: its name, the topic and the SenML text."""

    node: str
    topic: str
    payload: bytes


class SimulatedShop:
    """Moves the shop on and yields what its nodes send.

    Args:
        seed: Same seed, start and speed give the same packs.
        start_us: Where the run begins [µs, UTC].
        speed: Clock seconds per real second; a fast run puts several samples into a pack.
    """

    def __init__(self, seed: int, start_us: int, speed: float = 1.0) -> None:
        self.simulation: Simulation = simulation_from(seed, start_us)
        self.nodes: dict[str, Node] = {node.kind.name: node for node in nodes_from_seed(seed)}
        self._waiting: dict[str, list[Sample]] = {name: [] for name in self.nodes}
        self._speed = speed

    def advance(self, to_us: int) -> Iterator[Pack]:
        """Yield the packs of all steps up to a time, in order of time.

        Args:
            to_us: Time to move on to [µs, UTC]; one that has passed yields nothing.
        """
        while self.simulation.at_us + STEP_US <= to_us:
            self.simulation.step()
            for node in self.nodes.values():
                yield from self._sent_by(node)

    def flush(self) -> Iterator[Pack]:
        """Yield packs of the samples that still wait for more to share a pack with."""
        for node in self.nodes.values():
            if self._waiting[node.kind.name]:
                yield self._pack(node)

    def _sent_by(self, node: Node) -> Iterator[Pack]:
        """Yield the node's pack when enough samples wait for one, or the node fell silent."""
        waiting = self._waiting[node.kind.name]
        sample = node.step(self.simulation)
        if sample is not None:
            waiting.append(sample)
        wanted = samples_per_pack(node.kind.interval_s, self._speed)
        if waiting and (len(waiting) >= wanted or node.silent(self.simulation.at_us)):
            yield self._pack(node)

    def _pack(self, node: Node) -> Pack:
        """Return the waiting samples of a node as one pack and forget them."""
        waiting = self._waiting[node.kind.name]
        payload = pack_from_samples(f"{node.kind.name}/", waiting)
        waiting.clear()
        return Pack(node.kind.name, node.kind.topic, payload)
