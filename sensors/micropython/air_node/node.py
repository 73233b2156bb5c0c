"""The node's loop: measure, date and keep it, send it, tell how things stand."""

import json

from air_node import store
from air_node.errors import SensorError
from air_node.link import Link
from air_node.ring import Measured, Ring
from air_node.settings import Settings
from air_node.sht3x import Sht3x
from air_node.times import Times

TYPE_CHECKING = False
if TYPE_CHECKING:
    from air_node.kinds import Machine

TURN_MS = 50
TELL_MS = 10_000
"""How things stand is told at most so often [ms]."""
ASK_TIME_MS = 10_000
AGAIN_TIME_MS = 6 * 3_600_000
"""A clock that was set is compared with the time server again after so long [ms]."""
LATE_MS = 60_000
"""A measurement that is so late is no progress: the watchdog is not fed [ms]."""
AWAKE_MS = 20_000
"""Longest time awake for one measurement, where the board sleeps in between [ms]."""
FAREWELL_TURNS = 60
LEAST_SLEEP_MS = 1_000


class Parts:
    """What a node is made of."""

    def __init__(self, machine: "Machine", times: Times, sensor: Sht3x) -> None:
        self.machine, self.times, self.sensor = machine, times, sensor


class Node:
    """One board with its sensor.

    Args:
        settings: What a person has set.
        parts: The board, its times and its sensor.
        ring: What waits for the broker.
        link: The connection that empties it.
    """

    def __init__(self, settings: Settings, parts: Parts, ring: Ring, link: Link) -> None:
        self._settings, self._ring, self._link = settings, ring, link
        self._machine, self._times, self._sensor = parts.machine, parts.times, parts.sensor
        self._every_ms = int(settings.number("every") * 1_000)
        self._flash_ms = int(settings.number("flash_every") * 1_000)
        now_ms = self._times.up_ms()
        self._next_ms = self._measured_ms = self._empty_ms = self._saved_ms = now_ms
        self._saved, self._asked_ms, self._battery_mv = ring.waiting > 0, -AGAIN_TIME_MS, 0
        self._troubles: dict[str, str] = {}
        self._told, self._told_ms = "", -TELL_MS
        self._date()

    def run(self) -> None:
        """Work for ever."""
        while True:
            self.turn()

    def run_once(self) -> None:
        """Measure, send what waits as far as that can be done soon, and sleep."""
        begin_ms = self._times.up_ms()
        self.turn()
        while self._busy() and self._times.up_ms() - begin_ms < AWAKE_MS:
            self.turn()
        self._link.close(b"asleep", FAREWELL_TURNS)
        now_ms = self._times.up_ms()
        keep = b"".join(bytes(piece) for piece in self._ring.pieces(now_ms, self._times.clock_ms()))
        self._machine.sleep(max(LEAST_SLEEP_MS, self._every_ms - (now_ms - begin_ms)), keep)

    def _busy(self) -> bool:
        return bool(self._ring.waiting) or not self._told or not self._link.idle

    def turn(self) -> None:
        """Do one round."""
        now_ms = self._times.up_ms()
        if now_ms >= self._next_ms:
            self._measure(now_ms)
        self._ask_time(now_ms)
        self._link.turn(TURN_MS, now_ms)
        self._trouble("broker", self._link.trouble)
        self._tell(now_ms)
        self._keep(now_ms)
        if now_ms - self._measured_ms <= self._every_ms + LATE_MS:
            self._machine.feed()

    def _measure(self, now_ms: int) -> None:
        self._measured_ms = now_ms
        # What was missed while the loop was held up is not made good in a rush.
        self._next_ms += self._every_ms * (1 + (now_ms - self._next_ms) // self._every_ms)
        battery_mv = self._machine.battery_mv()
        self._look_at_battery(battery_mv)
        try:
            raw = self._sensor.read()
        except SensorError as error:
            self._trouble("air", str(error))
            return
        self._trouble("air", "")
        self._ring.push(Measured(now_ms, raw, battery_mv, dated=False))
        self._date()

    def _look_at_battery(self, battery_mv: int | None) -> None:
        if battery_mv is None:
            return
        self._battery_mv = battery_mv
        low_mv = int(self._settings.number("battery.low") * 1_000)
        # A tenth of a volt up again, or the word would come and go with each measurement.
        if battery_mv < low_mv:
            self._trouble("battery", f"below {low_mv / 1_000:.2f} V; charge or change it")
        elif battery_mv > low_mv + 100:
            self._trouble("battery", "")

    def _ask_time(self, now_ms: int) -> None:
        again_ms = AGAIN_TIME_MS if self._times.known else ASK_TIME_MS
        if not self._link.reachable() or now_ms - self._asked_ms < again_ms:
            return
        self._asked_ms = now_ms
        try:
            self._machine.ask_time()
            self._times.look()
        except OSError:
            pass
        if self._times.known:
            self._trouble("clock", "")
            self._date()
        else:
            host = self._settings.text("time_host")
            self._trouble("clock", f"{host} does not tell the time; measurements wait, undated")

    def _date(self) -> None:
        if self._times.known:
            self._ring.date(self._times.date_ms(0))

    def _keep(self, now_ms: int) -> None:
        """Write what waits to the flash where it has waited long, and seldom."""
        if self._settings.yes("deep_sleep") or not self._settings.yes("flash"):
            return
        if not self._ring.waiting:
            self._empty_ms = now_ms
            if self._saved:
                self._saved = False
                store.remove()
        elif now_ms - max(self._empty_ms, self._saved_ms) >= self._flash_ms:
            self._saved_ms = now_ms
            try:
                store.save(self._ring, (now_ms, self._times.clock_ms()))
            except OSError as error:
                self._trouble("flash", f"cannot be written ({error})")
            else:
                self._saved = True
                self._trouble("flash", "")

    def _trouble(self, name: str, what: str) -> None:
        if self._troubles.get(name, "") == what:
            return
        if what:
            self._troubles[name] = what
        else:
            del self._troubles[name]
        print(f"{self._times.up_ms() // 1_000} s: {name}: {what or 'well again'}")

    def _tell(self, now_ms: int) -> None:
        """Publish how things stand when it has changed, and anew after each connection."""
        if not self._link.up:
            self._told = ""
            return
        if self._told and now_ms - self._told_ms < TELL_MS:
            return
        said = json.dumps(
            {
                "lost": self._ring.lost,
                "undated": self._ring.undated,
                "started_by": self._machine.started_by(),
                "troubles": self._troubles,
            }
        )
        topic = f"{self._settings.text('topic')}/node"
        if said != self._told and self._link.tell(topic, said.encode(), now_ms):
            self._told, self._told_ms = said, now_ms
