"""The simulated shop on a real broker: the loop between the clock and the nodes' clients."""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from envmon.clock import SECOND_US, Clock
from envmon.errors import InputError, PayloadError
from envmon_sensors.control import (
    NODES_TOPIC,
    STAGES_TOPIC,
    VISITS_TOPIC,
    Steward,
    apply_command,
    command_from_payload,
    nodes_document,
    stages_document,
    visits_document,
)
from envmon_sensors.forecast import NODE as FORECASTER
from envmon_sensors.forecast import Forecaster
from envmon_sensors.mqtt import NodeClient
from envmon_sensors.shop import Pack, SimulatedShop

if TYPE_CHECKING:
    import threading

LOG = logging.getLogger(__name__)
TICK_S = 0.02
STRIDE_US = 300 * SECOND_US
FAREWELL_S = 10.0


@dataclass(frozen=True, slots=True)
class Settings:
    """How a run is made.

    Attributes:
        host: Broker host.
        port: Broker port.
        seed: Seed of the shop.
        until_us: Where the run ends by itself [µs, UTC]; None runs until stopped.
        from_us: Where the run begins [µs, UTC]; None begins at the clock's present time. Two
            runs with the same seed and beginning send the same readings.
    """

    host: str
    port: int
    seed: int
    until_us: int | None = None
    from_us: int | None = None


class Publisher:
    """Keeps a simulated shop at the clock's time and sends what its nodes measure.

    A run that falls behind catches up in strides of five simulated minutes and sends everything
    it missed with its own times; it never skips.
    """

    def __init__(self, settings: Settings, clock: Clock) -> None:
        address = (settings.host, settings.port)
        self._settings = settings
        self._clock = clock
        from_us = clock.now_us() if settings.from_us is None else settings.from_us
        self.shop = SimulatedShop(settings.seed, from_us, clock.speed)
        self._forecaster = Forecaster(settings.seed)
        names = [*self.shop.nodes, FORECASTER]
        self._clients = {name: NodeClient(name, address) for name in names}
        self._steward = Steward(address)

    def run(self, stop: threading.Event) -> int:
        """Publish until stopped or the end is reached.

        Args:
            stop: Set it from anywhere to end the run.

        Returns:
            Packs that were never acknowledged, or lost to a full buffer.
        """
        self._steward.announce(NODES_TOPIC, nodes_document(self.shop))
        self._steward.start()
        while not stop.is_set() and not self._tick():
            stop.wait(TICK_S)
        return self._finish()

    def _tick(self) -> bool:
        """Carry out orders, move on by at most a stride, send; return whether the end is near."""
        self._carry_out_orders()
        target_us = self._clock.now_us()
        until_us = self._settings.until_us
        if until_us is not None:
            target_us = min(target_us, until_us)
        reached_us = min(target_us, self.shop.simulation.at_us + STRIDE_US)
        for pack in (*self.shop.advance(reached_us), *self._forecaster.due(reached_us)):
            self._send(pack)
        self._push()
        self._steward.announce(VISITS_TOPIC, visits_document(self.shop))
        self._steward.announce(STAGES_TOPIC, stages_document(self.shop))
        return until_us is not None and reached_us >= until_us

    def _send(self, pack: Pack) -> None:
        self._clients[pack.node].send(pack.topic, pack.payload)

    def _push(self) -> None:
        for client in self._clients.values():
            client.push()

    def _carry_out_orders(self) -> None:
        for payload in self._steward.orders():
            try:
                apply_command(self.shop, command_from_payload(payload))
            except (InputError, PayloadError) as error:
                LOG.warning("order refused: %s", error)
                continue
            self._steward.announce(NODES_TOPIC, nodes_document(self.shop))

    def _finish(self) -> int:
        """Send what waits, as long as the broker takes it, and end all clients."""
        for pack in self.shop.flush():
            self._send(pack)
        deadline = time.monotonic() + FAREWELL_S
        while self._pending() and time.monotonic() < deadline:
            self._push()
            time.sleep(TICK_S)
        unsent = self._pending() + sum(client.lost for client in self._clients.values())
        for client in self._clients.values():
            client.stop()
        self._steward.stop()
        return unsent

    def _pending(self) -> int:
        return sum(client.pending for client in self._clients.values())
