"""Delivers what waits in the outbox: a thread for each try, so that no channel waits for another.

The outbox belongs to the thread that turns the desk; the others only send. A try that does not
come back in time counts as failed, and what it says later is still heard.
"""

from __future__ import annotations

import logging
import queue
import random
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple, Protocol

from envmon.errors import InputError
from envmon.notice.retry import outdated, wait_us
from envmon.service.notice.send import Outcome, Parcel, send

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from envmon.clock import Clock
    from envmon.notice.people import Book
    from envmon.notice.state import Message
    from envmon.service.notice.outbox import Delivery, Outbox

log = logging.getLogger("envmon.notice")

LIMIT_S = 30.0
"""A try that takes longer counts as failed [s, real time]."""
MOST_LOST = 3
"""So many tries of a channel may hang before no further one is begun."""
OUT_OF_TURN = 4
"""Of so many tries of a channel that fails, one goes to what is not the oldest."""
_WEIGHTS = {"high": "failure", "medium": "warning", "low": "info"}


class Addresses(Protocol):
    """Where the addresses of channels come from."""

    def address(self, channel: str) -> str:
        """Return the address of a channel, or raise ``InputError``."""
        ...


class _Try(NamedTuple):
    """One try under way."""

    number: int
    channel: str
    delivery: Delivery
    began_s: float


@dataclass
class _Channel:
    """What is known of a channel.

    Attributes:
        trying: The try under way, or None.
        fails: Failures one after another.
        paused_us: Nothing is tried before this [µs].
        lost: Tries that hang.
    """

    trying: _Try | None = None
    fails: int = 0
    paused_us: int = 0
    lost: int = 0


@dataclass
class Desk:
    """Delivers; everything but the sending happens in ``turn``.

    Attributes:
        outbox: What waits.
        book: Whom to tell.
        addresses: Where the addresses come from.
        clock: What time it is.
        link: Returns the acknowledge link of a message, or nothing.
        limit_s: Longest time a try may take [s, real time].
    """

    outbox: Outbox
    book: Book
    addresses: Addresses
    clock: Clock
    link: Callable[[Message], str] = lambda _message: ""
    limit_s: float = LIMIT_S
    _channels: dict[str, _Channel] = field(default_factory=dict)
    _done: queue.SimpleQueue[tuple[_Try, Outcome]] = field(default_factory=queue.SimpleQueue)
    _numbers: int = 0
    _chance: random.Random = field(default_factory=random.Random)

    def turn(self, standing: Collection[str]) -> None:
        """Take in what came back, and begin what is due.

        Args:
            standing: Ids of the alarms that stand.

        Raises:
            StoreError: The outbox cannot be written; nothing is sent unnoted.
        """
        self._take_in()
        now_us = self.clock.now_us()
        for name in self.outbox.waiting_channels():
            channel = self._channels.setdefault(name, _Channel())
            self._look_after(name, channel)
            ready = channel.trying is None and channel.lost < MOST_LOST
            if ready and now_us >= channel.paused_us:
                self._begin_next(name, channel, standing, now_us)

    def release(self) -> None:
        """Hold nothing up over times that a clock set back has made wrong.

        Raises:
            StoreError: The outbox cannot be written.
        """
        self.outbox.release(self.clock.now_us())
        for channel in self._channels.values():
            channel.paused_us = 0

    @property
    def is_busy(self) -> bool:
        """Whether a try is under way."""
        return any(channel.trying is not None for channel in self._channels.values())

    def finish(self, timeout_s: float) -> None:
        """Wait a moment for what is under way; what does not come back may have got through."""
        deadline = time.monotonic() + timeout_s
        while self.is_busy and time.monotonic() < deadline:
            try:
                self._heard(*self._done.get(timeout=0.05))
            except queue.Empty:
                continue

    def _take_in(self) -> None:
        while True:
            try:
                self._heard(*self._done.get_nowait())
            except queue.Empty:
                return

    def _heard(self, tried: _Try, outcome: Outcome) -> None:
        channel = self._channels[tried.channel]
        in_time = channel.trying is tried
        if in_time:
            channel.trying = None
        else:
            channel.lost -= 1
        now_us = self.clock.now_us()
        if not outcome.error:
            self.outbox.sent(tried.delivery.id, now_us)
            self._works_again(tried.channel, channel, now_us)
        elif in_time:
            self._failed(tried, channel, outcome)

    def _works_again(self, name: str, channel: _Channel, now_us: int) -> None:
        if channel.fails:
            log.info("channel %s works again", name)
        if channel.fails > 1:
            self.outbox.hasten(name, now_us)
        channel.fails, channel.paused_us = 0, 0

    def _failed(self, tried: _Try, channel: _Channel, outcome: Outcome) -> None:
        channel.fails += 1
        if channel.fails == 1:
            log.warning("channel %s: %s; it is tried again", tried.channel, outcome.error)
        now_us, pace = self.clock.now_us(), self.clock.speed
        channel.paused_us = now_us + wait_us(channel.fails, pace, self._chance)
        due_us = now_us + wait_us(tried.delivery.tries + 1, pace, self._chance)
        self.outbox.failed(tried.delivery.id, due_us, outcome.error, unsure=outcome.unsure)

    def _look_after(self, name: str, channel: _Channel) -> None:
        """Give up waiting for a try that hangs; its thread is left to itself."""
        tried = channel.trying
        if tried is None or time.monotonic() - tried.began_s < self.limit_s:
            return
        channel.trying = None
        channel.lost += 1
        self._failed(tried, channel, Outcome(f"no answer within {self.limit_s:g} s", unsure=True))
        if channel.lost == MOST_LOST:
            log.warning("channel %s: %d tries hang; waiting for one of them", name, channel.lost)

    def _begin_next(
        self, name: str, channel: _Channel, standing: Collection[str], now_us: int
    ) -> None:
        # One message that a server will not take must not hold up all after it.
        in_turn = channel.fails % OUT_OF_TURN != OUT_OF_TURN - 1
        for delivery in self.outbox.due(name, now_us, in_turn=in_turn):
            message = delivery.message
            why = outdated(message, standing, now_us)
            if why:
                log.warning("given up, %s: to %s: %s", why, message.person, message.line)
                self.outbox.give_up(delivery.id, now_us, why)
                continue
            quiet_us = self._quiet_us(message, now_us)
            if quiet_us is not None:
                self.outbox.hold(delivery.id, quiet_us)
                continue
            over = not any(alarm in standing for alarm, _ in message.alarms)
            self._begin(name, channel, delivery, over=over and bool(message.alarms))
            return

    def _quiet_us(self, message: Message, now_us: int) -> int | None:
        """Return until when a message that is late would disturb [µs], or None."""
        person = self.book.person(message.person)
        if person is None or message.breaks_quiet:
            return None
        return person.quiet_end_us(now_us)

    def _begin(self, name: str, channel: _Channel, delivery: Delivery, *, over: bool) -> None:
        now_us = self.clock.now_us()
        try:
            address = self.addresses.address(name)
        except InputError as error:
            tried = _Try(0, name, delivery, 0.0)
            self.outbox.begin(delivery.id, now_us)
            self._failed(tried, channel, Outcome(str(error)))
            return
        self.outbox.begin(delivery.id, now_us)
        self._numbers += 1
        tried = _Try(self._numbers, name, delivery, time.monotonic())
        channel.trying = tried
        parcel = self._parcel(delivery)._replace(over=over)
        thread = threading.Thread(
            target=lambda: self._done.put((tried, send(address, parcel))),
            name=f"notice-{name}",
            daemon=True,
        )
        thread.start()

    def _parcel(self, delivery: Delivery) -> Parcel:
        message = delivery.message
        weight = "success" if message.clear else _WEIGHTS[message.priority]
        link = self.link(message)
        return Parcel(message.line, message.body, link, bool(delivery.unsure), weight)
