"""The demo's hands: unplug a node, open a door, start a wash, over MQTT.

``demo/pull`` takes one JSON object: ``{"node": "north/air", "out": true}``,
``{"bay": "north", "door": true}`` or ``{"bay": "north", "wash": true}``; false undoes.
``demo/nodes`` is retained and lists the nodes: name, topic, bay, what they measure, pulled.
``demo/stages`` is retained and says what the person in the script works on in each bay,
``demo/visits``, retained too, what stands in each.
"""

from __future__ import annotations

import json
from collections import deque
from typing import TYPE_CHECKING, Any

import msgspec
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from envmon.errors import InputError, PayloadError

if TYPE_CHECKING:
    from envmon_sensors.shop import SimulatedShop

PULL_TOPIC = "demo/pull"
NODES_TOPIC = "demo/nodes"
STAGES_TOPIC = "demo/stages"
VISITS_TOPIC = "demo/visits"


class Command(msgspec.Struct, forbid_unknown_fields=True):
    """One order from ``demo/pull``."""

    node: str | None = None
    out: bool | None = None
    bay: str | None = None
    door: bool | None = None
    wash: bool | None = None


def command_from_payload(payload: bytes) -> Command:
    """Return the order in a payload.

    Raises:
        PayloadError: It is none of the three forms.
    """
    try:
        command = msgspec.json.decode(payload, type=Command)
    except msgspec.MsgspecError as error:
        raise PayloadError(f"{PULL_TOPIC}: {error}; send for example {_EXAMPLE}") from error
    pulls = command.node is not None and command.out is not None
    acts = command.bay is not None and (command.door is not None or command.wash is not None)
    if pulls == acts:
        raise PayloadError(f"{PULL_TOPIC}: {payload!r} is no order; send for example {_EXAMPLE}")
    return command


_EXAMPLE = '{"node":"north/air","out":true} or {"bay":"north","door":true}'


def apply_command(shop: SimulatedShop, command: Command) -> None:
    """Carry an order out.

    Raises:
        InputError: There is no such node or bay.
    """
    if command.node is not None:
        if command.node not in shop.nodes:
            raise InputError(f"node is {command.node!r}; allowed: {', '.join(shop.nodes)}")
        shop.nodes[command.node].pulled = bool(command.out)
    if command.bay is not None and command.door is not None:
        shop.simulation.set_door(command.bay, is_open=command.door)
    if command.bay is not None and command.wash is not None:
        shop.simulation.set_wash(command.bay, running=command.wash)


def nodes_document(shop: SimulatedShop) -> bytes:
    """Return the list of nodes as JSON text."""
    rows = [
        {
            "node": name,
            "topic": node.kind.topic,
            "bay": node.kind.bay,
            "interval_s": node.kind.interval_s,
            "measures": [{"n": m.name, "u": m.unit} for m in node.kind.measures],
            "pulled": node.pulled,
        }
        for name, node in shop.nodes.items()
    ]
    return json.dumps(rows, separators=(",", ":")).encode()


def stages_document(shop: SimulatedShop) -> bytes:
    """Return what the person in the script works on in each bay, as JSON text."""
    at_us = shop.simulation.at_us
    scenario = shop.simulation.scenario
    return json.dumps(
        {bay: scenario.stage(bay, at_us) for bay in shop.simulation.controls}
    ).encode()


def visits_document(shop: SimulatedShop) -> bytes:
    """Return what stands in each bay, as JSON text: bay -> name of the vehicle, or null."""
    states = shop.simulation.hall.states
    return json.dumps(
        {bay: state.vehicle.name if state.vehicle else None for bay, state in states.items()}
    ).encode()


class Steward:
    """The client that takes orders and says which nodes there are.

    Orders are kept for the main thread, which carries them out between two steps.

    Args:
        address: Host and port of the broker.
    """

    def __init__(self, address: tuple[str, int]) -> None:
        self._orders: deque[bytes] = deque()
        self._documents = {NODES_TOPIC: b"[]"}
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="demo-steward")
        self._client.reconnect_delay_set(min_delay=1, max_delay=10)
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message
        self._client.connect_async(*address, keepalive=30)

    def start(self) -> None:
        """Connect, and connect again whenever the broker is lost."""
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect and end the client's thread."""
        self._client.disconnect()
        self._client.loop_stop()

    def orders(self) -> list[bytes]:
        """Return the orders that came since the last call, oldest first."""
        return [self._orders.popleft() for _ in range(len(self._orders))]

    def announce(self, topic: str, document: bytes) -> None:
        """Publish a retained document, and again after each reconnect; once while unchanged."""
        if self._documents.get(topic) == document:
            return
        self._documents[topic] = document
        if self._client.is_connected():
            self._client.publish(topic, document, qos=1, retain=True)

    def _on_connect(self, client: Client, *_: Any) -> None:
        client.subscribe(PULL_TOPIC, qos=1)
        for topic, document in list(self._documents.items()):
            client.publish(topic, document, qos=1, retain=True)

    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        self._orders.append(bytes(message.payload))
