"""A two-bay shop on boards: states made by the real guard, the real app on a real port."""

from __future__ import annotations

import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
import uvicorn

from envmon.clock import SECOND_US, ManualClock, iso_from_us, us_from_iso
from envmon.facts import Event, Flag, Reading
from envmon.guard.describe import describe
from envmon.guard.engine import fresh_state, step
from envmon.guard.plan import GuardPlan, plan_from_shop
from envmon.shop.load import check_text
from envmon_boards.api import Boards
from envmon_boards.app import build_app
from envmon_boards.feed import ALARMS_TOPIC, HEARTBEAT_TOPIC, LiveFeed
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from playwright.sync_api import Browser, Page

    from envmon.guard.live import BayState, ShopAlarms
    from envmon.shop.models import Shop

NOW_US = us_from_iso("2026-01-27T14:05:00-09:00")
CHROMIUM = Path("/usr/bin/chromium")
CHROMIUM_ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
TV = {"width": 1920, "height": 1080}
PHONE = {"width": 390, "height": 844}
PATIENCE_MS = 60_000

SHOP = """
[shop]
name = "Kelp Quay Vehicle Care"
site = "kelp_quay"
timezone = "America/Anchorage"
silence = "5 s"
boards_port = 8050

[broker]
port = 1883
{bays}
[[point]]
id = "{{1}}-all"
bay = "{{1}}"
topic = "shop/+/all"
stale_after = "3 min"
reads = {{ air_temp_c = {{ name = "t" }}, rel_hum_pct = {{ name = "h" }}, \
panel_temp_c = {{ name = "p" }}, water_temp_c = {{ name = "w" }}, \
dissolved_solids_ppm = {{ name = "s" }} }}
"""
NAMES = {"north": "North bay", "south": "South bay", "east": "East bay", "west": "West bay"}


@cache
def shop_text(bays: int = 2, north: str = "North bay", distance: str = "6 m") -> str:
    names = {**NAMES, "north": north}
    tables = [
        f'[[bay]]\nid = "{bay}"\nname = """{names[bay]}"""\nviewing_distance = "{distance}"\n'
        for bay in list(names)[:bays]
    ]
    return SHOP.format(bays="".join(tables))


def shop_from(text: str) -> Shop:
    shop, faults = check_text(text, "boards.toml")
    assert shop is not None, faults
    assert not faults
    return shop


@dataclass(frozen=True)
class Air:
    """What the sensors of a bay say; None is a sensor that says nothing."""

    air_temp_c: float | None = 20.4
    rel_hum_pct: float | None = 44.0
    panel_temp_c: float | None = 18.2
    water_temp_c: float | None = None
    dissolved_solids_ppm: float | None = None

    def readings(self, bay: str, at_us: int) -> list[Reading]:
        said = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return [
            Reading(f"{bay}-all", name, at_us, value, Flag.GOOD, at_us)
            for name, value in said.items()
            if value is not None
        ]


GOOD_AIR = Air()


def live_state(
    plan: GuardPlan,
    bay: str = "north",
    stage: str | None = "coating",
    story: Sequence[Air] = (GOOD_AIR,) * 10,
    at_us: int = NOW_US,
) -> BayState:
    """Return what the guard says after a story of readings, two minutes apart, up to a time."""
    began_us = at_us - len(story) * 120 * SECOND_US
    state = fresh_state(plan, began_us)
    if stage is not None:
        begun = Event(1, began_us, "stage_started", bay, {"stage": stage}, "")
        state, _ = step(plan, state, [], [begun], began_us)
    for place, air in enumerate(story, 1):
        then_us = began_us + place * 120 * SECOND_US
        state, _ = step(plan, state, air.readings(bay, then_us), [], then_us)
    return describe(plan, state, bay)


@dataclass
class Stand:
    """Boards with a live feed that says again every half second what it was given last.

    Attributes:
        boards: What the app works with.
        port: Where it is served.
    """

    boards: Boards
    port: int = field(default_factory=free_port)
    _states: dict[str, BayState] = field(default_factory=dict)
    _alarms: ShopAlarms | None = None
    _also: dict[str, bytes] = field(default_factory=dict)
    _mute: threading.Event = field(default_factory=threading.Event)
    _end: threading.Event = field(default_factory=threading.Event)
    # Held while something is said: what was said before must not come after what is said now.
    _turn: threading.RLock = field(default_factory=threading.RLock)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def feed(self) -> LiveFeed:
        return self.boards.feed

    @property
    def plan(self) -> GuardPlan:
        return self.boards.plan

    def say(self, *states: BayState) -> None:
        """Publish states now, and again until something else is said of the bay."""
        with self._turn:
            self._states |= {state.bay: state for state in states}
            self._send()

    def say_alarms(self, alarms: ShopAlarms) -> None:
        """Publish the shop's alarms now, and again until something else is said of them."""
        with self._turn:
            self._alarms = alarms
            self._send()

    def say_also(self, texts: dict[str, bytes]) -> None:
        """Publish texts by topic now, and again until something else is said on the topic."""
        with self._turn:
            self._also |= texts
            self._send()

    def forget(self, bay: str) -> None:
        """Say nothing of a bay any more."""
        with self._turn:
            del self._states[bay]

    def fresh(self) -> None:
        """Forget all that was said and heard, for the next test on the same server."""
        with self._turn:
            self._states, self._also, self._alarms = {}, {}, None
            for heard in (self.feed.bays, self.feed.jobs, self.feed.outlooks):
                heard.clear()
            self.feed.alarms = None
            self.feed.set_broker(up=True)
            self.mute(on=False)

    def say_kept(self, state: BayState) -> None:
        """Hand over a state as the broker does that had kept it."""
        self.feed.take(f"envmon/{state.bay}/state", msgspec.json.encode(state), live=False)

    def beat(self, state: str, text: str) -> None:
        """Let the watch say how it is, and nothing after that."""
        beat = {"state": state, "at": None, "text": text}
        with self._turn:
            self._mute.set()
            self.feed.take(HEARTBEAT_TOPIC, msgspec.json.encode(beat))

    def age_s(self, bay: str) -> float:
        """Return how long ago a bay was spoken of [s]."""
        age = self.feed.bays[bay].age_s(time.monotonic())
        assert age is not None
        return age

    def mute(self, *, on: bool = True) -> None:
        """Let the watch fall silent, or speak again."""
        with self._turn:
            if on:
                self._mute.set()
            else:
                self._mute.clear()
                self._send()

    def _send(self) -> None:
        now = iso_from_us(self.boards.clock.now_us())
        beat = {"state": "up", "at": now, "text": ""}
        self.feed.take(HEARTBEAT_TOPIC, msgspec.json.encode(beat))
        for bay, state in self._states.items():
            self.feed.take(f"envmon/{bay}/state", msgspec.json.encode(state))
        for topic, text in self._also.items():
            self.feed.take(topic, text)
        if self._alarms is not None:
            self.feed.take(ALARMS_TOPIC, msgspec.json.encode(self._alarms))

    def _repeat(self) -> None:
        while not self._end.wait(0.5):
            with self._turn:
                if not self._mute.is_set():
                    self._send()

    @contextmanager
    def serving(self) -> Iterator[Stand]:
        """Serve the app in a thread until the block ends."""
        self.feed.set_broker(up=True)
        config = uvicorn.Config(
            build_app(self.boards), port=self.port, log_level="error",
            timeout_graceful_shutdown=1, ws="none",
        )  # fmt: skip
        server = uvicorn.Server(config)
        threads = [threading.Thread(target=run) for run in (server.run, self._repeat)]
        for thread in threads:
            thread.start()
        try:
            wait_until(lambda: server.started, "the boards")
            yield self
        finally:
            server.should_exit = True
            self._end.set()
            for thread in threads:
                thread.join(60)
            assert not any(thread.is_alive() for thread in threads)


def stand_of(folder: Path, text: str | None = None) -> Stand:
    shop = shop_from(text or shop_text())
    plan = plan_from_shop(shop)
    return Stand(Boards(shop, plan, LiveFeed(), folder, ManualClock(NOW_US)))


@contextmanager
def page_of(
    browser: Browser, address: str, size: Any = None, scheme: Any = "dark", *, clock: bool = False
) -> Iterator[Page]:
    """Open an address as a screen of its own; any error in the page's scripts fails the test.

    Args:
        browser: Chromium.
        address: What to open.
        size: Width and height [px]; the wall's when not given.
        scheme: Whether the room prefers dark or light.
        clock: The page's clock can be moved on.
    """
    viewport: Any = size or TV
    context = browser.new_context(viewport=viewport, color_scheme=scheme, bypass_csp=True)
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    if clock:
        page.clock.install()
    page.goto(address)
    try:
        yield page
    finally:
        context.close()
    assert not errors, errors


def card(bay: str, name: str) -> str:
    """Return the selector of an element of a bay's card."""
    return f'[data-bay="{bay}"] [data-f="{name}"]'


def number(bay: str, quantity: str) -> str:
    return f'[data-bay="{bay}"] [data-q="{quantity}"] [data-f="number"]'


def wait_text(page: Page, selector: str, text: str, timeout_ms: float = PATIENCE_MS) -> None:
    """Wait until an element says exactly this."""
    script = "([s, t]) => document.querySelector(s)?.textContent === t"
    page.wait_for_function(script, arg=[selector, text], timeout=timeout_ms)
