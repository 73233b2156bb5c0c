"""A thread for each sensor, so that one that hangs or takes its time holds up no other."""

from __future__ import annotations

import contextlib
import logging
import re
import time
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from envmon.errors import PayloadError
from envmon_node.chips import KernelChip
from envmon_node.config import ButtonInfo, ChipInfo, InfraRedInfo, PulseInfo, SerialInfo, W1Info
from envmon_node.contacts import Gesture, PulseCount, Timing
from envmon_node.gpio import Line, Wire, open_line
from envmon_node.infrared import InfraRed
from envmon_node.said import Measured, Pressed, Pulses, Say, Trouble, Values
from envmon_node.serial_line import SerialSensor, Talk
from envmon_node.w1 import W1Thermometer

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable

    from envmon_node.moment import Times

log = logging.getLogger("envmon.node")

AGAIN_S = 5.0
"""A line that could not be opened is tried again after so long."""
ROOT = Path("/")


class Sensor(Protocol):
    """What is read now and then."""

    def read(self) -> Values:
        """Return its values; ``PayloadError`` says what is wrong."""
        ...


Polled = W1Info | ChipInfo | InfraRedInfo | SerialInfo


def sensor_from(info: Polled, root: Path = ROOT) -> Sensor:
    """Return the sensor that a node file describes."""
    if isinstance(info, W1Info):
        return W1Thermometer(info.device, root)
    if isinstance(info, ChipInfo):
        return KernelChip(info.kind, info.device, info.chip, root)
    if isinstance(info, InfraRedInfo):
        return InfraRed(info.bus, info.address)
    ask = None if info.ask is None else info.ask.encode()
    return SerialSensor(
        Talk(info.port, info.baud, re.compile(info.pattern), info.units, ask, info.wait)
    )


def wire_of(info: PulseInfo | ButtonInfo) -> Wire:
    """Return how a contact of a node file is wired."""
    both = isinstance(info, ButtonInfo)
    return Wire(info.line, info.chip, info.bias, info.active_low, info.debounce_ms, both)


class Ground:
    """What all sources stand on: where they say what, until when, and the time since boot."""

    def __init__(self, say: Say, times: Times, stop: threading.Event) -> None:
        self.say, self.times, self.stop = say, times, stop


def poll(name: str, sensor: Sensor, every_s: float, ground: Ground) -> None:
    """Read a sensor again and again until stopped.

    Args:
        name: Its name.
        sensor: What is read.
        every_s: Time from one reading's beginning to the next [s].
        ground: Where it says what it finds.
    """
    due = time.monotonic()
    while not ground.stop.is_set():
        try:
            values = sensor.read()
        except PayloadError as error:
            ground.say(Trouble(name, str(error)))
        except Exception as error:
            # A driver's surprise must not end the thread: the sensor would be silent for good.
            log.exception("%s", name)
            ground.say(Trouble(name, f"unexpected: {error!r}"))
        else:
            ground.say(Measured(name, ground.times.up_us(), values))
            ground.say(Trouble(name, ""))
        due = max(due + every_s, time.monotonic())
        ground.stop.wait(due - time.monotonic())


class Ears(Protocol):
    """What listens to a line."""

    def hear(self, line: Line, ground: Ground) -> None:
        """Wait a moment for edges, take them in and say what they mean."""
        ...


class MeterEars:
    """Counts a meter's pulses."""

    def __init__(self, name: str) -> None:
        self._name, self._count = name, PulseCount()

    def hear(self, line: Line, ground: Ground) -> None:
        """Say how many pulses came."""
        count = self._count.update(line.changes(1.0))
        if count:
            ground.say(Pulses(self._name, count))


class ButtonEars:
    """Tells presses apart."""

    def __init__(self, name: str, timing: Timing) -> None:
        self._name, self._gesture = name, Gesture(timing)

    def hear(self, line: Line, ground: Ground) -> None:
        """Say each press that has ended."""
        changes = line.changes(self._gesture.wait_s(time.monotonic_ns()))
        hows = [how for change in changes for how in self._gesture.update(change)]
        if not changes:
            hows += self._gesture.look(time.monotonic_ns())
        for how in hows:
            ground.say(Pressed(self._name, ground.times.up_us(), how))


def ears_for(info: PulseInfo | ButtonInfo) -> Ears:
    """Return what listens to a contact of a node file; a new one for each opening of its line."""
    if isinstance(info, PulseInfo):
        return MeterEars(info.called)
    return ButtonEars(info.called, Timing(info.double, info.hold))


def listen(
    info: PulseInfo | ButtonInfo, ground: Ground, opened: Callable[[Wire], Line] = open_line
) -> None:
    """Listen to a line until stopped; open it again where it is lost.

    Args:
        info: The contact.
        ground: Where it says what it hears.
        opened: Opens a line.
    """
    while not ground.stop.is_set():
        try:
            line = opened(wire_of(info))
        except PayloadError as error:
            ground.say(Trouble(info.called, str(error)))
            ground.stop.wait(AGAIN_S)
            continue
        ground.say(Trouble(info.called, ""))
        with contextlib.closing(line):
            _follow(line, ears_for(info), info.called, ground)


def _follow(line: Line, ears: Ears, name: str, ground: Ground) -> None:
    try:
        while not ground.stop.is_set():
            ears.hear(line, ground)
    except PayloadError as error:
        ground.say(Trouble(name, str(error)))
        ground.stop.wait(AGAIN_S)
