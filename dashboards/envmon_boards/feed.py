"""The live feed: what the watch publishes, newest only, handed on to every screen.

A screen that reads slowly misses states in between, never the newest one, and holds up nobody.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
import time
from dataclasses import dataclass, field
from typing import Any

import msgspec

from envmon.guard.live import BayState, ShopAlarms
from envmon.job.live import BenchState
from envmon.service.outlook.live import OutlookState, agreed, verdicts_of

log = logging.getLogger("envmon.boards")

HEARTBEAT_TOPIC = "envmon/watch/heartbeat"
ALARMS_TOPIC = "envmon/watch/alarms"
NODES_TOPIC = "demo/nodes"


class Heartbeat(msgspec.Struct, frozen=True):
    """The watch's last word: ``up``, ``trouble`` or ``down``, and when on its clock.

    ``rejected`` is how many payloads were ever refused, ``last_reject`` why the last one was.
    """

    state: str
    at: str | None = None
    text: str = ""
    rejected: int | None = None
    last_reject: str = ""


_KINDS: dict[str, Any] = {
    HEARTBEAT_TOPIC: Heartbeat,
    ALARMS_TOPIC: ShopAlarms,
    NODES_TOPIC: list[dict[str, Any]],
}
"""What comes on a topic; anything else is about a bay."""
_OF_BAYS: dict[str, Any] = {"state": BayState, "job": BenchState, "outlook": OutlookState}
"""The end of a bay's topic -> what comes on it."""


def _about(topic: str) -> str:
    """Return what a bay's topic is about; its state where nobody knows better."""
    end = topic.rpartition("/")[2]
    return end if end in _OF_BAYS else "state"


@dataclass(frozen=True, slots=True)
class Kept:
    """The newest text on one topic.

    Attributes:
        text: JSON as it came.
        version: Rises with everything the feed takes in.
        at: When it came [s, monotonic]; None for one the broker had kept, of unknown age.
    """

    text: bytes
    version: int
    at: float | None

    def age_s(self, now: float) -> float | None:
        """Return its age [s]; None when the broker had kept it and nobody knows."""
        return None if self.at is None else round(now - self.at, 1)


@dataclass
class LiveFeed:
    """Newest of each bay, the shop's alarms, the heartbeat, and which screens to tell.

    Thread-safe: ``take`` and ``set_broker`` are called from the MQTT thread (or a test), the
    rest from the web server's loop.
    """

    bays: dict[str, Kept] = field(default_factory=dict)
    jobs: dict[str, Kept] = field(default_factory=dict)
    outlooks: dict[str, Kept] = field(default_factory=dict)
    heartbeat: Kept | None = None
    alarms: Kept | None = None
    nodes: bytes = b"[]"
    broker_up: bool = False
    known: frozenset[str] | None = None
    """Bays of the shop; what is said of others is not kept. None keeps what is said of any."""
    _version: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _screens: set[Screen] = field(default_factory=set)

    @property
    def screen_count(self) -> int:
        """How many screens listen now."""
        return len(self._screens)

    def take(self, topic: str, payload: bytes, *, live: bool = True) -> None:
        """Keep what came on a topic and wake the screens; what cannot be read is left out.

        Args:
            topic: Topic it came on.
            payload: JSON text.
            live: It was sent just now; False for one the broker had kept.
        """
        if topic not in _KINDS and not self._is_known(topic):
            return
        kind = _KINDS.get(topic, _OF_BAYS[_about(topic)])
        try:
            msgspec.json.decode(payload, type=kind)
        except (msgspec.MsgspecError, ValueError, RecursionError) as error:
            log.warning("left out, %s: %s", topic, error)
            return
        with self._lock:
            self._version += 1
            kept = Kept(payload, self._version, time.monotonic() if live else None)
            if topic == HEARTBEAT_TOPIC:
                self.heartbeat = kept
            elif topic == ALARMS_TOPIC:
                self.alarms = kept
            elif topic == NODES_TOPIC:
                self.nodes = payload
            else:
                places = {"job": self.jobs, "outlook": self.outlooks}.get(_about(topic), self.bays)
                places[topic.split("/")[1]] = kept
                self._agree(topic.split("/")[1])
        self._wake()

    def topics(self) -> list[str]:
        """Return the topics to listen to."""
        bays = ("+",) if self.known is None else sorted(self.known)
        return [*_KINDS, *(f"envmon/{bay}/{end}" for bay in bays for end in _OF_BAYS)]

    def _is_known(self, topic: str) -> bool:
        """Return whether a topic is about a bay of the shop."""
        levels = topic.split("/")
        return len(levels) == 3 and (self.known is None or levels[1] in self.known)

    def _agree(self, bay: str) -> None:
        """Let what is foreseen of a bay say nothing against the verdicts that came with or since.

        An outlook is half a minute old when the next one comes; a verdict turns in between.
        """
        kept, seen = self.outlooks.get(bay), self.bays.get(bay)
        if kept is None or seen is None:
            return
        told = msgspec.json.decode(kept.text, type=OutlookState)
        state = msgspec.json.decode(seen.text, type=BayState)
        now = agreed(told, verdicts_of(state), worked=state.stage is not None)
        if now != told:
            self.outlooks[bay] = Kept(msgspec.json.encode(now), self._version, kept.at)

    def set_broker(self, *, up: bool) -> None:
        """Note whether the broker is there and wake the screens."""
        self.broker_up = up
        self._wake()

    def _wake(self) -> None:
        with self._lock:
            screens = list(self._screens)
        for screen in screens:
            screen.wake()

    def open_screen(self) -> Screen:
        """Return a screen that is told of everything from now on; close it in the end."""
        screen = Screen(self, asyncio.get_running_loop())
        with self._lock:
            self._screens.add(screen)
        return screen

    def close_screen(self, screen: Screen) -> None:
        """Forget a screen."""
        with self._lock:
            self._screens.discard(screen)

    def watch_text(self) -> dict[str, Any]:
        """Return the watch's last word and how old it is [s]."""
        beat = self.heartbeat
        if beat is None:
            return {"state": "unheard", "at": None, "text": "", "age_s": None}
        said = msgspec.to_builtins(msgspec.json.decode(beat.text, type=Heartbeat))
        return {**said, "age_s": beat.age_s(time.monotonic())}

    def alarms_text(self) -> tuple[ShopAlarms, float | None] | None:
        """Return the shop's alarms and how old they are [s]; None when nothing was heard."""
        kept = self.alarms
        if kept is None:
            return None
        return msgspec.json.decode(kept.text, type=ShopAlarms), kept.age_s(time.monotonic())

    def bench_of(self, bay: str) -> tuple[BenchState, float | None] | None:
        """Return a bay's job and how old that is [s]; None when nothing was heard."""
        kept = self.jobs.get(bay)
        if kept is None:
            return None
        return msgspec.json.decode(kept.text, type=BenchState), kept.age_s(time.monotonic())

    def outlook_of(self, bay: str) -> tuple[OutlookState, float | None] | None:
        """Return what is foreseen of a bay and how old that is [s]; None when nothing was heard."""
        kept = self.outlooks.get(bay)
        if kept is None:
            return None
        return msgspec.json.decode(kept.text, type=OutlookState), kept.age_s(time.monotonic())

    def snapshot(self, after: int = 0) -> tuple[int, dict[str, Any]]:
        """Return the version now and a document for a screen that has seen ``after``.

        States, jobs, outlooks and alarms unchanged since then are left out; their ages are always
        there. They are raw JSON: encode the document with msgspec.
        """
        with self._lock:
            version, now = self._version, time.monotonic()
            bays, jobs, alarms = dict(self.bays), dict(self.jobs), self.alarms
            outlooks = dict(self.outlooks)
        document: dict[str, Any] = {
            "broker": self.broker_up,
            "watch": self.watch_text(),
            "ages_s": {bay: kept.age_s(now) for bay, kept in bays.items()},
            "bays": {b: msgspec.Raw(k.text) for b, k in bays.items() if k.version > after},
            "job_ages_s": {bay: kept.age_s(now) for bay, kept in jobs.items()},
            "jobs": {b: msgspec.Raw(k.text) for b, k in jobs.items() if k.version > after},
            "outlook_ages_s": {bay: kept.age_s(now) for bay, kept in outlooks.items()},
            "outlooks": {b: msgspec.Raw(k.text) for b, k in outlooks.items() if k.version > after},
            "alarms_age_s": alarms.age_s(now) if alarms else None,
        }
        if alarms and alarms.version > after:
            document["alarms"] = msgspec.Raw(alarms.text)
        return version, document


class Screen:
    """One browser that listens."""

    def __init__(self, feed: LiveFeed, loop: asyncio.AbstractEventLoop) -> None:
        self._feed, self._loop = feed, loop
        self._news = asyncio.Event()
        self._news.set()
        self._seen = 0

    def wake(self) -> None:
        """Tell the screen that there is news; from any thread."""
        # The loop may end between asking and telling; then nobody is left to be told.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._news.set)

    async def next(self, timeout_s: float) -> dict[str, Any]:
        """Return the next document: at once when there is news, else after ``timeout_s``."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._news.wait(), timeout_s)
        self._news.clear()
        self._seen, document = self._feed.snapshot(self._seen)
        return document
