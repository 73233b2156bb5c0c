"""Meters and buttons on a GPIO line.

The lines are fake objects behind the thin edge ``gpio.GpiodLine``; the events are gpiod's own. The
kernel's simulated chips (gpio-sim, Documentation/admin-guide/gpio/gpio-sim.rst) could not be used:
the kernel this was written on has no GPIO at all (CONFIG_GPIOLIB is not set). That numbers of edges
go on while the queue is full is read from drivers/gpio/gpiolib-cdev.c (edge_irq_thread counts,
then linereq_put_event drops).
"""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, Any, Self

import pytest
from gpiod import EdgeEvent, _ext
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import PayloadError
from envmon_node.config import ButtonInfo, PulseInfo
from envmon_node.contacts import Gesture, How, PulseCount, Timing
from envmon_node.gpio import Change, GpiodLine, Line, Wire, open_line
from envmon_node.meter import KEEP_US, Meter
from envmon_node.said import Pressed, Pulses, Said, Trouble
from envmon_node.sources import Ground, listen, wire_of
from tests.mosquitto_support import wait_until
from tests.node_support import SetTimes

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import timedelta
    from pathlib import Path

MS = 1_000_000


def presses(edges: Sequence[tuple[float, bool]], timing: Timing, until_ms: float) -> list[How]:
    """What a button says for edges (ms, closed), looked at every 10 ms."""
    gesture, waiting = Gesture(timing), list(edges)
    said: list[How] = []
    for now_ms in range(0, int(until_ms) + 1, 10):
        while waiting and waiting[0][0] <= now_ms:
            at_ms, closed = waiting.pop(0)
            said += gesture.update(Change(round(at_ms * MS), closed, 0))
        said += gesture.look(now_ms * MS)
    return said


@pytest.mark.parametrize(
    ("edges", "timing", "said"),
    [
        ([(100, True), (180, False)], Timing(), ["press"]),
        ([(100, True), (180, False), (400, True), (480, False)], Timing(), ["double"]),
        ([(100, True), (180, False), (700, True), (780, False)], Timing(), ["press", "press"]),
        ([(100, True), (1500, False)], Timing(), ["hold"]),
        # A second press that is held is a double one, and no hold as well.
        ([(100, True), (180, False), (300, True), (2000, False)], Timing(), ["double"]),
        # Down when it begins: let go first.
        ([(100, False), (500, True), (560, False)], Timing(), ["press"]),
        # An edge that was lost: closed twice is one press.
        ([(100, True), (150, True), (200, False)], Timing(), ["press"]),
        ([(100, True), (180, False), (300, True), (380, False)], Timing(0), ["press", "press"]),
        ([(100, True), (1500, False)], Timing(0), ["hold"]),
        ([], Timing(), []),
    ],
)
def test_presses_are_told_apart(
    edges: list[tuple[float, bool]], timing: Timing, said: list[str]
) -> None:
    assert presses(edges, timing, 3_000) == said


def test_a_press_is_told_when_a_double_one_is_ruled_out_and_a_hold_while_down() -> None:
    gesture = Gesture(Timing(0.4, 0.8))
    assert not list(gesture.update(Change(0, closed=True, number=1)))
    assert gesture.wait_s(300 * MS) == pytest.approx(0.5)
    assert not list(gesture.update(Change(100 * MS, closed=False, number=2)))
    assert gesture.wait_s(200 * MS) == pytest.approx(0.3)
    assert not list(gesture.look(499 * MS))
    assert list(gesture.look(500 * MS)) == ["press"]
    assert gesture.wait_s(500 * MS) == 1.0
    assert not list(gesture.update(Change(600 * MS, closed=True, number=3)))
    assert list(gesture.look(1_400 * MS)) == ["hold"]


@given(st.lists(st.integers(30, 3_000), max_size=12), st.data())
def test_how_often_one_looks_does_not_change_what_was_pressed(
    lengths: list[int], data: st.DataObject
) -> None:
    """Edges alone, with looks in between, or only at the end: the same presses."""
    edges, at = [], 0
    for index, length in enumerate(lengths):
        at += length
        edges.append(Change(at * MS, closed=index % 2 == 0, number=index + 1))
    rare, often = Gesture(Timing()), Gesture(Timing())
    said_rare: list[How] = []
    said_often: list[How] = []
    last = 0
    for edge in edges:
        for _ in range(data.draw(st.integers(0, 2))):
            said_often += often.look(data.draw(st.integers(last, edge.at_ns)))
        said_rare += rare.update(edge)
        said_often += often.update(edge)
        last = edge.at_ns
    end = (at + 10_000) * MS
    said_rare += rare.look(end)
    said_often += often.look(end)
    assert sorted(said_often) == sorted(said_rare)
    assert said_often.count("hold") == said_rare.count("hold")


def test_pulses_that_the_kernels_queue_lost_are_counted() -> None:
    count = PulseCount()
    assert count.update([Change(0, closed=True, number=1), Change(1, closed=True, number=2)]) == 2
    assert count.update([]) == 0
    assert count.update([Change(2, closed=True, number=40)]) == 38


def pulse(text: str, **more: Any) -> PulseInfo:
    return PulseInfo(kind="pulse", line="GPIO17", pulse=text, **more)


@pytest.mark.parametrize(
    ("text", "quantity", "per_pulse"),
    [
        ("1 Wh", "energy_kwh", 0.001),
        ("0.000125 kWh", "energy_kwh", 0.000125),
        ("3.6 MJ", "energy_kwh", 1.0),
        ("0.01 m3", "fuel_m3", 0.01),
        ("0.01m³", "fuel_m3", 0.01),
        ("10 l", "fuel_m3", 0.01),
    ],
)
def test_what_a_pulse_stands_for(text: str, quantity: str, per_pulse: float) -> None:
    info = pulse(text)
    assert info.quantity == quantity
    assert info.per_pulse == pytest.approx(per_pulse)


def test_a_meter_is_told_at_its_interval_and_kept_soon() -> None:
    meter = Meter(pulse("1 Wh", starts_at=4318.2), 1_000, 10_000_000)
    assert meter.must_tell(0)
    assert meter.values == (("energy_kwh", "kWh", 4319.2),)
    meter.kept(0, told=True)
    assert not meter.must_keep(KEEP_US)
    meter.update(5)
    assert not meter.must_keep(KEEP_US - 1)
    assert meter.must_keep(KEEP_US)
    assert not meter.must_tell(9_999_999)
    meter.kept(KEEP_US, told=False)
    assert meter.must_tell(10_000_000)
    assert meter.values == (("energy_kwh", "kWh", 4319.205),)


class Request:
    """What ``gpiod.request_lines`` returns, as far as it is used; fed by a test."""

    def __init__(self) -> None:
        self._come, self._events = threading.Event(), list[EdgeEvent]()
        self.broken = self.released = False
        self._lock = threading.Lock()

    def feed(self, *events: EdgeEvent) -> None:
        with self._lock:
            self._events += events
            self._come.set()

    def wait_edge_events(self, timeout: timedelta) -> bool:
        return self._come.wait(min(timeout.total_seconds(), 0.05)) or self.broken

    def read_edge_events(self) -> list[EdgeEvent]:
        if self.broken:
            raise OSError(19, "No such device")
        with self._lock:
            events, self._events = self._events, []
            self._come.clear()
            return events

    def release(self) -> None:
        self.released = True


def edge(number: int, *, rising: bool = True, at_ns: int | None = None) -> EdgeEvent:
    kind = _ext.EDGE_EVENT_TYPE_RISING if rising else _ext.EDGE_EVENT_TYPE_FALLING
    return EdgeEvent(kind, time.monotonic_ns() if at_ns is None else at_ns, 17, number, number)


class Listening:
    """A contact being listened to, on lines that a test feeds."""

    def __init__(self, info: PulseInfo | ButtonInfo, *lines: Request | None) -> None:
        self.said: list[Said] = []
        self.wires: list[Wire] = []
        self._lines, self._stop = list(lines), threading.Event()
        ground = Ground(self.said.append, SetTimes(), self._stop)
        self._thread = threading.Thread(target=listen, args=(info, ground, self._open))

    def _open(self, wire: Wire) -> Line:
        self.wires.append(wire)
        request: Any = self._lines.pop(0)
        if request is None:
            raise PayloadError("no line")
        return GpiodLine(request)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(30)
        assert not self._thread.is_alive()


def test_a_meters_line_is_listened_to(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("envmon_node.sources.AGAIN_S", 0.01)
    first, second = Request(), Request()
    with Listening(pulse("1 Wh"), None, first, second) as listening:
        first.feed(edge(1), edge(2))
        first.feed(edge(9))
        wait_until(
            lambda: sum(s.new for s in listening.said if isinstance(s, Pulses)) == 9, "nine pulses"
        )
        first.broken = True
        wait_until(lambda: len(listening.wires) == 3, "the line is opened again")
        assert first.released
        # A new request counts from one again.
        second.feed(edge(1))
        wait_until(
            lambda: sum(s.new for s in listening.said if isinstance(s, Pulses)) == 10, "the tenth"
        )
    troubles = [s.what for s in listening.said if isinstance(s, Trouble)]
    assert troubles[:2] == ["no line", ""]
    assert "cannot be read any more" in troubles[2]
    assert troubles[3] == ""
    wire = listening.wires[0]
    assert wire == Wire("GPIO17", None, "pull-up", active_low=True, debounce_ms=10.0, both=False)


def test_a_buttons_line_is_listened_to() -> None:
    info = ButtonInfo(kind="button", name="foot", line="GPIO27", double=0, hold=0.3)
    assert wire_of(info).both
    request = Request()
    with Listening(info, request) as listening:
        now = time.monotonic_ns()
        request.feed(edge(1, at_ns=now), edge(2, rising=False, at_ns=now + 80 * MS))
        wait_until(lambda: any(isinstance(s, Pressed) for s in listening.said), "a press")
        request.feed(edge(3))
        wait_until(
            lambda: [s.how for s in listening.said if isinstance(s, Pressed)] == ["press", "hold"],
            "a hold, while it is down",
        )


def test_a_machine_without_gpio_says_so(tmp_path: Path) -> None:
    with pytest.raises(PayloadError, match=r"no line GPIO17 on any GPIO chip; chips here: none"):
        open_line(wire_of(pulse("1 Wh")), tmp_path)
