"""The demo's person as a process: opens jobs, works their steps and panels as somebody would.

The simulated shop tells on ``demo/stages`` and ``demo/visits`` what its script has in each bay;
this process asks for it through the same door the boards use, and reads the watch's answer in
the event chain before it asks for the next thing.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.clock import SECOND_US, Clock, clock_from_text
from envmon.intake.link import BrokerLink
from envmon.job.events import JOB_ACT, REFUSED
from envmon.job.fold import fold
from envmon.job.model import Book
from envmon.service.demo_person import Scene, Wish, next_wish
from envmon.shop.load import load_shop
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from envmon.shop.models import Shop
    from envmon.store.base import Store

STAGES_TOPIC = "demo/stages"
VISITS_TOPIC = "demo/visits"
ANSWER_S = 2.0
"""The watch answers within a fraction of this; after it the person asks again [s, real time]."""
TURN_S = 0.05
AGAIN_US = 120 * SECOND_US
"""After a refusal the person looks again so much later [µs]."""


class Hand:
    """The person in one bay: one thing asked for at a time.

    Attributes:
        scene: What the script has in the bay.
    """

    def __init__(self, bay: str, store: Store, shop: Shop) -> None:
        self.scene = Scene()
        self._bay, self._store, self._bench = bay, store, shop.bench
        self._told: str | None = None
        self._asked, self._asked_at = 0, 0.0
        self._again_us = 0
        self._refused: tuple[Wish, int] | None = None

    def take_answer(self, ask: int, at_us: int, *, refused: bool) -> None:
        """Note that the watch has answered a request of this bay."""
        if ask == self._asked:
            self._asked = 0
            self._again_us = at_us + AGAIN_US if refused else 0
            if not refused:
                self._refused = None

    def turn(self, book: Book, now_us: int) -> None:
        """Ask for the next thing, unless the last is not answered yet."""
        unanswered = self._asked and time.monotonic() < self._asked_at + ANSWER_S
        if unanswered or now_us < self._again_us:
            return
        job = book.in_bay(self._bay)
        waited_s = (now_us - self._refused[1]) / SECOND_US if self._refused else 0.0
        wish = next_wish(self.scene, job, now_us, self._bench, waited_s)
        if wish is not None:
            self._ask(wish, now_us)
        elif job is None:
            self._say_stage(now_us)

    def _ask(self, wish: Wish, now_us: int) -> None:
        plain = Wish(wish.kind, {k: v for k, v in wish.data.items() if k != "reason"})
        if self._refused is None or self._refused[0] != plain:
            self._refused = (plain, now_us)
        self._asked = self._store.ask(JOB_ACT, self._bay, wish.data, now_us)
        self._asked_at = time.monotonic()
        self._told = None

    def _say_stage(self, now_us: int) -> None:
        """Say the stage of a bay without a job, once."""
        stage, vehicle = self.scene
        if stage == self._told or (stage is not None and vehicle is None):
            return  # the same, or the script has not yet said what stands there
        kind = "stage_ended" if stage is None else "stage_started"
        self._store.ask(kind, self._bay, {} if stage is None else {"stage": stage}, now_us)
        self._told = stage


class Person:
    """All hands of the demo, and what they have read in the chain."""

    def __init__(self, shop: Shop, store: Store, clock: Clock) -> None:
        self._store, self._clock = store, clock
        self._book, self._seq = Book(), 0
        self.hands = {bay.id: Hand(bay.id, store, shop) for bay in shop.bay}

    def hear(self, topic: str, payload: bytes) -> None:
        """Take what the simulated shop says of all bays: their stages, or what stands in them."""
        for bay, said in json.loads(payload).items():
            hand = self.hands.get(bay)
            if hand is None:
                continue
            part = "stage" if topic == STAGES_TOPIC else "vehicle"
            hand.scene = hand.scene._replace(**{part: said})

    def turn(self) -> None:
        """Read what happened, and let every hand do what is next."""
        events = list(self._store.events(self._seq))
        if events:
            self._seq = events[-1].seq
            self._book = fold(self._book, events)
        for event in events:
            hand, ask = self.hands.get(event.bay), event.data.get("ask")
            if hand is not None and isinstance(ask, int):
                hand.take_answer(ask, event.at_us, refused=event.kind == REFUSED)
        for hand in self.hands.values():
            hand.turn(self._book, self._clock.now_us())


def main(argv: list[str] | None = None) -> int:
    """Run until SIGTERM; return the exit code."""
    parser = argparse.ArgumentParser(prog="envmon.service.demo_hand")
    parser.add_argument("shop_file", type=Path)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--clock")
    options = parser.parse_args(argv)
    stop: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: stop.append(got))
    store = SqliteStore(options.data)
    person = Person(load_shop(options.shop_file), store, clock_from_text(options.clock))
    link = BrokerLink("127.0.0.1", options.port, "demo-hand", [STAGES_TOPIC, VISITS_TOPIC])
    while not stop:
        messages = link.take(TURN_S)
        for message in messages:
            person.hear(message.topic, message.payload)
        link.acknowledge(messages)
        person.turn()
        if not messages and not link.up:
            time.sleep(TURN_S)
    link.close()
    store.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
