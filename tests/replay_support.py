"""A shop that lived for some hours: a real watch, hand-fed, with everything that goes wrong."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from envmon.service.replay.command import Answer, Question, replay
from envmon.service.replay.feed import FOUND
from envmon.service.replay.timeline import FITNESS
from envmon.service.replay.walk import stands
from envmon.store.archive import Archive, Rules
from envmon.store.sqlite import SqliteStore
from tests.guard_support import SHOP, START_US
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.facts import Event

SERIES = [
    ("hall/air-a", "temp", 20.0), ("hall/air-a", "rh", 55.0), ("hall/air-b", "temp", 20.0),
    ("hall/panel", "temp", 17.0), ("hall/bucket", "temp", 36.0),
]  # fmt: skip
STAGES = ["polish", "decontamination", "coating", "wash", None]


class Life:
    """A watch that is fed, restarted and lied to about the time.

    Args:
        folder: Where shop file and data go.
        seed: Of the weather and of what people do.
    """

    def __init__(self, folder: Path, seed: int = 1) -> None:
        self.shop_file = folder / "shop.toml"
        self.data = folder / "data"
        self.text = SHOP
        self.shop_file.write_text(SHOP, encoding="utf-8")
        self.random = random.Random(seed)
        self.values = [value for _, _, value in SERIES]
        self.at_s = 0.0
        self.hand = HandWatch(self.data)
        self.stood: list[tuple[int, int, dict[tuple[str, str], str]]] = []
        """(how often the clock was set back, time [µs], how each stage stood)"""

    def turn(self, *messages: tuple[str, bytes]) -> None:
        self.hand.turn(self.at_s, *messages)
        state = self.hand.watch.state
        self.stood.append((self.hand.watch._set_back, state.now_us, dict(stands(state))))

    def say(self, stage: str | None, bay: str = "one") -> None:
        kind = "stage_ended" if stage is None else "stage_started"
        self.hand.store.ask(kind, bay, {"stage": stage}, self.hand.clock.at_us)

    def live(self, seconds: float, *, every_s: float = 20.0, silent: str = "") -> None:
        """Let time pass: values wander, some readings come late, without time, or never."""
        until_s = self.at_s + seconds
        while self.at_s < until_s:
            self.at_s = round(self.at_s + every_s * self.random.choice([0.5, 1.0, 1.5]), 1)
            messages = []
            for place, (topic, name, middle) in enumerate(SERIES):
                pull = 0.02 * (middle - self.values[place])
                self.values[place] += pull + self.random.gauss(0, 1.2)
                fate = self.random.random()
                if topic == silent or fate < 0.1:
                    continue
                lag = (
                    None if fate < 0.3 else 400.0 if fate < 0.35 else -500.0 if fate < 0.37 else 0.1
                )
                value = 200.0 if fate > 0.99 else round(self.values[place], 3)
                messages.append(
                    (topic, senml(name, value, None if lag is None else self.at_s - lag))
                )
            if self.random.random() < 0.02:
                self.say(self.random.choice(STAGES), self.random.choice(["one", "two"]))
            self.turn(*messages, *messages[:1] * (self.random.random() < 0.1))

    def restart(self, *, killed: bool, text: str | None = None, after_s: float = 100.0) -> None:
        """Start the watch again, killed or not, with the same shop file or another."""
        if killed:
            self.hand.store.close()
        else:
            self.hand.watch.finish()
        if text is not None:
            self.text = text
            self.shop_file.write_text(text, encoding="utf-8")
        self.at_s += after_s
        clock_us = START_US + round(self.at_s * 1_000_000)
        self.hand = HandWatch(self.data, self.text, clock_us)

    def set_back(self, seconds: float) -> None:
        self.at_s -= seconds
        self.turn()

    def chain(self) -> list[Event]:
        return list(self.hand.store.events())

    def found(self, from_s: float, to_s: float) -> list[Event]:
        """Return what the guard wrote into the chain between two times."""
        from_us, to_us = us(from_s), us(to_s)
        return [e for e in self.chain() if e.kind in FOUND and from_us <= e.at_us < to_us]

    def ask(self, from_s: float, to_s: float, other: Path | None = None) -> Answer:
        return replay(Question(self.shop_file, iso(from_s), iso(to_s), other))

    def archive(self) -> int:
        """Move every day of it into Parquet; return how many readings moved."""
        store = SqliteStore(self.data)
        archive = Archive(store, self.data, "harbour_row")
        try:
            return archive.archive_closed(START_US + 40 * 86_400_000_000, Rules())
        finally:
            archive.close()
            store.close()


def us(at_s: float) -> int:
    return START_US + round(at_s * 1_000_000)


def iso(at_s: float) -> str:
    from datetime import UTC, datetime, timedelta

    return (datetime.fromtimestamp(START_US / 1e6, UTC) + timedelta(seconds=at_s)).isoformat()


def fitness_at(answer: Answer, key: tuple[str, str], at_us: int) -> str:
    """Return how a replay says a stage stood at a time."""
    assert answer.own is not None
    _, codes = answer.own.timelines[key].cut([at_us, at_us + 1])
    return str(FITNESS[int(codes[0])])
