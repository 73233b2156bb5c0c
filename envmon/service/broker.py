"""The embedded MQTT broker: rumqttd inside the iotcore wheel, bounded and on loopback.

What it promises, and what it does not (measured by ``tests/benchmarks/broker_choice.py``):

* Publish at QoS 1, persistent sessions, retained messages, last wills and shared subscriptions
  work; what a killed client had not acknowledged is delivered again, with a new message id and
  without the DUP flag.
* Everything lives in memory: when the broker's process ends, sessions, retained messages and
  queues are gone. A shop that lasts runs Mosquitto (``fixtures/mosquitto/envmon.conf``).
* Each topic filter keeps a log of at most ``segment_bytes × segment_count``, consumed or not; a
  session that stays away for longer than that silently misses the oldest messages. With the
  limits here and payloads of 60 bytes it keeps the newest 250 000 and costs 70 MiB a filter.
* MQTT 3.1.1 is spoken on ``port``. MQTT 5 clients are turned away there; they are served only
  when ``mqtt5_port`` is given, and on that port only. Both ports share topics.
* A keep-alive of 0 is refused, and an unknown, repeated or out-of-order PUBACK ends the
  connection: acknowledge each message once, in the order it came, on the connection it came by.
"""

from __future__ import annotations

import ipaddress
import logging
import queue
import signal
import socket
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from iotcore import IotCoreBroker

from envmon.errors import BrokerError, EnvmonError, ServiceError

LOOPBACK = "127.0.0.1"
_POLL_S = 0.02


@dataclass(frozen=True, slots=True)
class BrokerLimits:
    """What bounds the broker's memory.

    Attributes:
        max_payload_bytes: Largest packet accepted [B]; a larger one ends the connection.
        segment_bytes: Size of one piece of a topic filter's log [B], at least 1024.
        segment_count: Pieces kept per topic filter; the oldest is dropped for a new one.
        max_connections: Clients at a time.
        max_inflight_count: Unacknowledged messages on their way to one client.
    """

    max_payload_bytes: int = 256 * 1024
    segment_bytes: int = 1024 * 1024
    segment_count: int = 16
    max_connections: int = 200
    max_inflight_count: int = 100

    def __post_init__(self) -> None:
        for name, lowest in (
            ("max_payload_bytes", 1024),
            ("segment_bytes", 1024),
            ("segment_count", 1),
            ("max_connections", 1),
            ("max_inflight_count", 1),
        ):
            value = getattr(self, name)
            if value < lowest:
                raise ServiceError(
                    f"broker limit {name} is {value}; at least {lowest} is allowed: raise it"
                )


DEFAULT_LIMITS = BrokerLimits()


def broker_toml(
    port: int,
    *,
    host: str = LOOPBACK,
    mqtt5_port: int | None = None,
    limits: BrokerLimits = DEFAULT_LIMITS,
) -> str:
    """Return the rumqttd configuration for these listeners and limits.

    Args:
        port: MQTT 3.1.1 listener.
        host: Address of both listeners.
        mqtt5_port: MQTT 5 listener; None for none.
        limits: Memory bounds.

    Returns:
        TOML text, as rumqttd 0.20 reads it.
    """
    router = (
        "id = 0\n[router]\nid = 0\n"
        f"max_connections = {limits.max_connections}\n"
        "max_outgoing_packet_count = 200\n"
        f"max_segment_size = {limits.segment_bytes}\n"
        f"max_segment_count = {limits.segment_count}\n"
    )
    listeners = [("v4", port)] + ([] if mqtt5_port is None else [("v5", mqtt5_port)])
    return router + "".join(_listener_toml(name, host, at, limits) for name, at in listeners)


def _listener_toml(name: str, host: str, port: int, limits: BrokerLimits) -> str:
    address = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    return (
        f'[{name}.1]\nname = "{name}-1"\nlisten = "{address}"\nnext_connection_delay_ms = 1\n'
        f"[{name}.1.connections]\nconnection_timeout_ms = 60000\n"
        f"max_payload_size = {limits.max_payload_bytes}\n"
        f"max_inflight_count = {limits.max_inflight_count}\n"
        "dynamic_filters = true\n"
    )


def ensure_loopback(host: str) -> None:
    """Refuse an address other machines could reach.

    Raises:
        ServiceError: ``host`` is no loopback IP address.
    """
    try:
        loopback = ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise ServiceError(
            f"the embedded broker cannot listen on {host!r}: it knows no passwords, so only a "
            "loopback address such as 127.0.0.1 is allowed; for other machines use Mosquitto "
            "with fixtures/mosquitto/envmon.conf"
        )


def ensure_port_free(host: str, port: int) -> None:
    """Refuse a port that cannot be bound now.

    Raises:
        ServiceError: ``port`` is out of range, taken, or not ours to bind.
    """
    if not 1 <= port <= 65535:
        raise ServiceError(f"broker port is {port}; 1 to 65535 is allowed: choose another")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise ServiceError(
                f"broker port {port} on {host} cannot be used ({error.strerror}): stop what "
                "listens there (perhaps a broker already runs) or choose another port"
            ) from error


def serve(
    port: int,
    *,
    host: str = LOOPBACK,
    mqtt5_port: int | None = None,
    limits: BrokerLimits = DEFAULT_LIMITS,
) -> None:
    """Run the broker in this process until SIGTERM or SIGINT arrives.

    Only for the main thread of a process of its own: rumqttd has no way to stop, its listeners
    go when the process does. Afterwards nothing of sessions, queues or retained messages remains.

    Args:
        port: MQTT 3.1.1 listener.
        host: Loopback address of the listeners.
        mqtt5_port: MQTT 5 listener; None for none.
        limits: Memory bounds.

    Raises:
        ServiceError: The address is not loopback, or a port is taken; nothing was started.
        BrokerError: The broker ended by itself.
    """
    ensure_loopback(host)
    if mqtt5_port == port:
        raise ServiceError(f"MQTT 5 cannot share port {port} with MQTT 3.1.1: choose another")
    for wanted in (port, *([] if mqtt5_port is None else [mqtt5_port])):
        ensure_port_free(host, wanted)
    outcome: queue.SimpleQueue[EnvmonError | None] = queue.SimpleQueue()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: outcome.put(None))
    config = broker_toml(port, host=host, mqtt5_port=mqtt5_port, limits=limits)
    threading.Thread(target=_run, args=(config, outcome), name="broker", daemon=True).start()
    error = outcome.get()
    if error is not None:
        raise error


def _run(config: str, outcome: queue.SimpleQueue[EnvmonError | None]) -> None:
    # rumqttd logs each routed packet as an error span; only a crash is news.
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    try:
        with tempfile.TemporaryDirectory(prefix="envmon-broker-") as folder:
            file = Path(folder, "rumqttd.toml")
            file.write_text(config, encoding="utf-8")
            broker = IotCoreBroker(config_path=str(file))
        broker.run_forever()
    except Exception as error:  # noqa: BLE001  foreign errors end here, whatever they are
        outcome.put(BrokerError(f"the embedded broker failed: {error}; start it again"))
    else:
        outcome.put(BrokerError("the embedded broker ended by itself; start it again"))


def wait_until_listening(host: str, port: int, timeout_s: float) -> None:
    """Return as soon as a TCP connection to ``host:port`` is accepted.

    Args:
        host: Address to connect to.
        port: Port to connect to.
        timeout_s: How long to try [s], 0 or more; 0 tries once.

    Raises:
        BrokerError: Nothing accepted in time.
    """
    deadline = time.monotonic() + timeout_s
    while True:
        try:
            socket.create_connection((host, port), timeout=max(timeout_s, _POLL_S)).close()
        except OSError as error:
            if time.monotonic() >= deadline:
                raise BrokerError(
                    f"no broker listens on {host}:{port} after {timeout_s} s: start it, or "
                    "correct host and port"
                ) from error
            time.sleep(_POLL_S)
        else:
            return
