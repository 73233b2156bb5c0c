"""A real watch behind the boards: what it publishes goes straight into the boards' feed."""

from __future__ import annotations

import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from envmon.clock import SECOND_US, ManualClock
from envmon.service.watch import Watch
from envmon.store.sqlite import SqliteStore
from tests.bench_support import bench_stand
from tests.boards_support import GOOD_AIR, NOW_US
from tests.mosquitto_support import wait_until
from tests.watch_support import HandLink

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.boards_support import Stand


class FeedLink(HandLink):
    """The link's in-memory twin whose other end is the boards' feed."""

    def __init__(self, stand: Stand) -> None:
        super().__init__()
        self._stand = stand

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = True) -> bool:
        done = super().publish(topic, payload, qos=qos, retain=retain)
        if payload and topic.startswith("envmon/") and "/alarm/" not in topic:
            self._stand.feed.take(topic, payload)
        return done


class Bench:
    """Boards and a watch that turns in a thread of its own, on one clock moved by hand.

    Attributes:
        stand: The boards.
        clock: What time it is for both.
    """

    def __init__(self, stand: Stand) -> None:
        assert isinstance(stand.boards.clock, ManualClock)
        self.stand, self.clock = stand, stand.boards.clock
        self._end, self._pause = threading.Event(), threading.Event()
        self._idle = threading.Event()

    @property
    def url(self) -> str:
        return self.stand.url

    def later(self, seconds: float) -> None:
        """Move the clock on; the air stays good meanwhile."""
        self.clock.at_us += round(seconds * SECOND_US)

    def pause(self, *, on: bool = True) -> None:
        """Let the watch stand still, or go on."""
        if not on:
            self._pause.clear()
            return
        self._idle.clear()
        self._pause.set()
        wait_until(self._idle.is_set, "the watch to stand still")

    def events(self, kind: str) -> list[dict[str, Any]]:
        store = SqliteStore(self.stand.boards.folder)
        try:
            return [event.data for event in store.events_of(kind)]
        finally:
            store.close()

    def _turn(self) -> None:
        link = FeedLink(self.stand)
        store = SqliteStore(self.stand.boards.folder)
        watch = Watch(self.stand.boards.shop, store, link, self.clock)
        told_us = 0
        while not self._end.wait(0.005):
            if self._pause.is_set():
                self._idle.set()
                continue
            if self.clock.now_us() - told_us >= 30 * SECOND_US:
                told_us = self.clock.now_us()
                for bay in self.stand.boards.shop.bay:
                    link.put(f"shop/{bay.id}/all", _air(told_us))
            watch.turn(0)
        watch.finish()

    @contextmanager
    def running(self) -> Iterator[Bench]:
        """Serve the boards and turn the watch until the block ends."""
        self.stand.mute()  # the watch speaks for itself
        with self.stand.serving():
            thread = threading.Thread(target=self._turn)
            thread.start()
            try:
                wait_until(lambda: set(self.stand.feed.jobs) == {"north", "south"}, "the jobs")
                yield self
            finally:
                self._end.set()
                thread.join(20)
                assert not thread.is_alive()


def _air(at_us: int) -> bytes:
    said = {"t": GOOD_AIR.air_temp_c, "h": GOOD_AIR.rel_hum_pct, "p": GOOD_AIR.panel_temp_c}
    records = [f'{{"n":"{name}","v":{value},"t":{at_us / 1e6}}}' for name, value in said.items()]
    return f"[{','.join(records)}]".encode()


def bench_of(folder: Path) -> Bench:
    """Return boards and a watch of a two-bay shop with procedures."""
    stand = bench_stand(folder)
    assert stand.boards.clock.now_us() == NOW_US
    return Bench(stand)
