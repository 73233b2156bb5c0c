"""The node's loop: take what sources say, date and keep it, send it, tell how things stand."""

from __future__ import annotations

import json
import logging
import threading
from collections import deque
from functools import partial
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from envmon.errors import StoreError
from envmon_node.config import ButtonInfo, PulseInfo
from envmon_node.meter import Meter
from envmon_node.said import Measured, Pressed, Pulses, Said, Trouble
from envmon_node.sources import Ground, listen, poll, sensor_from

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.systemd import Watchdog
    from envmon_node.config import NodeFile
    from envmon_node.link import NodeLink
    from envmon_node.moment import Times
    from envmon_node.outbox import Outbox

log = logging.getLogger("envmon.node")

TURN_S = 0.05
TELL_US = 10_000_000
"""How things stand is told at most so often [µs]."""
HELD = 10_000
"""Measurements held in memory while the disk cannot be written."""
SILENT_US = 60_000_000
"""A sensor that has said nothing for so long, and three times its interval, hangs [µs]."""
DISK, CLOCK = "disk", "clock"


def start_sources(file: NodeFile, ground: Ground) -> None:
    """Start a thread for each sensor; one that hangs does not hold up the end."""
    for info in file.sensor:
        if isinstance(info, PulseInfo | ButtonInfo):
            work = partial(listen, info, ground)
        else:
            every_s = info.every or file.node.every
            work = partial(poll, info.called, sensor_from(info), every_s, ground)
        threading.Thread(target=work, name=info.called, daemon=True).start()


class Node:
    """One machine with its sensors.

    Args:
        file: The node file.
        outbox: Where what is said waits for the broker.
        link: The connection that empties it.
        times: The machine's times.
    """

    def __init__(self, file: NodeFile, outbox: Outbox, link: NodeLink, times: Times) -> None:
        self._file, self._outbox, self._link, self._times = file, outbox, link, times
        self._queue: SimpleQueue[Said] = SimpleQueue()
        self._held: deque[Measured | Pressed] = deque(maxlen=HELD)
        self._troubles: dict[str, str] = {}
        self._heard_us = {
            info.called: times.up_us()
            for info in file.sensor
            if not isinstance(info, PulseInfo | ButtonInfo)
        }
        self._told, self._told_us = "", -TELL_US
        self._meters = {
            info.called: Meter(
                info, outbox.count(info.called), round((info.every or file.node.every) * 1e6)
            )
            for info in file.sensor
            if isinstance(info, PulseInfo)
        }

    def say(self, said: Said) -> None:
        """Take what a source says; may be called from any thread."""
        self._queue.put(said)

    def run(
        self,
        stop: threading.Event,
        watchdog: Watchdog,
        start: Callable[[NodeFile, Ground], None] = start_sources,
    ) -> None:
        """Work until stopped; what waits stays on the disk.

        Args:
            stop: Set it from anywhere to end.
            watchdog: Told that the loop goes round.
            start: Starts the sources.
        """
        if self._outbox.set_aside:
            log.warning("the outbox was damaged; it is kept as %s", self._outbox.set_aside)
        start(self._file, Ground(self.say, self._times, stop))
        watchdog.ready(f"{len(self._file.sensor)} sensors")
        while not stop.is_set():
            self.turn()
            watchdog.look()
        watchdog.stopping()
        self._finish()

    def turn(self) -> None:
        """Do one round."""
        self._take()
        self._look_for_silence()
        self._trouble(CLOCK, self._clock_words())
        try:
            self._keep()
            self._outbox.tidy()
            self._link.turn(TURN_S)
        except StoreError as error:
            self._trouble(DISK, str(error))
        else:
            self._trouble(DISK, "")
        self._tell()

    def _take(self) -> None:
        while True:
            try:
                said = self._queue.get_nowait()
            except Empty:
                return
            if isinstance(said, Trouble):
                self._trouble(said.name, said.what)
                self._heard_us[said.name] = self._times.up_us()
            elif isinstance(said, Pulses):
                self._meters[said.name].update(said.new)
            else:
                self._held.append(said)

    def _keep(self, *, all_meters: bool = False) -> None:
        """Bring what is held, and the meters that are due, onto the disk as one transaction."""
        up_us = self._times.up_us()
        tell = [m for m in self._meters.values() if all_meters or m.must_tell(up_us)]
        keep = [m for m in self._meters.values() if m in tell or m.must_keep(up_us)]
        if not self._held and not keep:
            return
        with self._outbox.atomic():
            for said in self._held:
                self._keep_one(said)
            for meter in keep:
                self._outbox.set_count(meter.name, meter.count)
            for meter in tell:
                self._outbox.keep_measured(self._topic(meter.name), up_us, meter.values)
        self._held.clear()
        for meter in keep:
            meter.kept(up_us, told=meter in tell)

    def _keep_one(self, said: Measured | Pressed) -> None:
        topic = self._topic(said.name)
        if isinstance(said, Pressed):
            self._outbox.keep_press(said.name, topic, said.up_us, said.how)
        else:
            self._outbox.keep_measured(topic, said.up_us, said.values)

    def _topic(self, name: str) -> str:
        return f"{self._file.node.topic}/{name}"

    def _look_for_silence(self) -> None:
        up_us = self._times.up_us()
        for info in self._file.sensor:
            heard_us = self._heard_us.get(info.called)
            every_us = (info.every or self._file.node.every) * 1e6
            if heard_us is None or isinstance(info, PulseInfo | ButtonInfo):
                continue
            if up_us - heard_us > max(SILENT_US, 3 * every_us):
                self._trouble(info.called, "its driver hangs: no answer, and no error either")

    def _clock_words(self) -> str:
        doubt = self._times.doubt()
        return f"{doubt}; measurements wait for it, undated" if doubt else ""

    def _trouble(self, name: str, what: str) -> None:
        if self._troubles.get(name, "") == what:
            return
        if what:
            self._troubles[name] = what
            log.warning("%s: %s", name, what)
        else:
            del self._troubles[name]
            log.info("%s: well again", name)

    def _tell(self) -> None:
        """Publish how things stand when it has changed, and anew after each connection."""
        if not self._link.up:
            self._told = ""
            return
        up_us = self._times.up_us()
        if self._told and up_us - self._told_us < TELL_US:
            return
        gone = self._outbox.gone
        said = json.dumps({**gone._asdict(), "troubles": self._troubles})
        if said != self._told and self._link.tell(self._topic("node"), said.encode()):
            if any(gone):
                log.warning("given up so far: %s", gone)
            self._told, self._told_us = said, up_us

    def _finish(self) -> None:
        try:
            self._take()
            self._keep(all_meters=True)
            self._link.close()
        except StoreError as error:
            log.warning("%s", error)
