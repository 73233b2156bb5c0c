"""Buttons over MQTT: each press counted once, told from old ones, and made into an act.

A button that numbers its presses is never heard twice, however often a message is delivered. One
that does not is trusted to have been pressed once when a second press comes too soon.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple

import msgspec

from envmon.clock import SECOND_US
from envmon.errors import PayloadError
from envmon.intake.allowance import Purse

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.clock import Clock
    from envmon.intake.link import Message
    from envmon.shop.models import Shop
    from envmon.shop.work import Button
    from envmon.store.base import Store

log = logging.getLogger("envmon.watch")

SNAPSHOT = "buttons"
"""Name of the snapshot that holds which presses were heard."""
SOON_S = 0.6
"""Without a number a second press this soon is the same one: a contact that bounces, a message
delivered again [s, real time]."""
AWAY_S = 30.0
"""Presses that the broker kept for longer than this are of another moment [s, real time]."""
ARRIVING_S = 2.0
"""So long after a connection what the broker had kept may still come [s, real time]."""
REMEMBERED = 32
"""Numbers of presses remembered for each button."""
PRESSES_PER_S, PRESSES_SAVED = 0.5, 30.0
"""A button counts so often for good, and so often at once: what it does stands in the chain."""

How = Literal["press", "double", "hold"]
_RETAINED = (
    "a press that the broker had kept (retained) is not taken, nobody knows how old it is; "
    "publish without retain"
)
_TOO_OFTEN = "the button is pressed more often than anybody does; look whether it is stuck"
_FORM = 'allowed is press, double or hold, or {"button": "press", "n": 17} with a rising n'


class Press(NamedTuple):
    """A press that counts.

    Attributes:
        button: The button.
        how: Short, twice, or long.
        number: Number the button gave it, or None.
        late: The broker had kept it while the watch was away: it is refused, and said.
    """

    button: Button
    how: How
    number: int | None
    late: bool = False

    @property
    def wanted(self) -> Literal["next", "undo", "nothing"]:
        """What the shop file says it does."""
        wanted: Literal["next", "undo", "nothing"] = getattr(self.button, self.how)
        return wanted


class Heard(msgspec.Struct, frozen=True):
    """What is remembered of a button: when it was heard last [µs], and its last numbers."""

    at_us: int
    numbers: tuple[int, ...] = ()


class Buttons:
    """Tells presses from other messages, and new ones from those heard before.

    Args:
        shop: The shop file, checked.
        store: Where it is kept which presses were heard.
        clock: What time it is.
        last_us: When the watch last listened [µs].
    """

    def __init__(self, shop: Shop, store: Store, clock: Clock, last_us: int) -> None:
        self._by_topic = {button.topic: button for button in shop.button}
        self._store, self._second_us = store, round(SECOND_US * max(1.0, clock.speed))
        self._heard = _remembered(store) if shop.button else {}
        self._committed = self._heard
        self._listened_us, self._connection, self._late_until_us = last_us, -1, 0
        self._purse: Purse[str] = Purse(PRESSES_PER_S, PRESSES_SAVED)

    def sift(
        self, messages: Sequence[Message], now_us: int
    ) -> tuple[Sequence[Message], list[Press], list[tuple[Message, str]]]:
        """Take the buttons' messages out.

        Args:
            messages: What has come.
            now_us: Time now [µs].

        Returns:
            The others, the presses that count, and what is refused with its reason.
        """
        if not self._by_topic:
            return messages, [], []
        others, presses, refused = [], [], []
        for message in messages:
            button = self._by_topic.get(message.topic)
            if button is None:
                others.append(message)
                continue
            try:
                press = self._press(button, message, now_us)
            except PayloadError as error:
                refused.append((message, str(error)))
            else:
                presses += [press] if press else []
        return others, presses, refused

    def _press(self, button: Button, message: Message, now_us: int) -> Press | None:
        """Return the press a message tells of; None for one heard before."""
        if message.retained:
            raise PayloadError(_RETAINED)
        how, number = parse_press(message.payload)
        late = self._is_late(message, now_us)
        heard = self._heard.get(button.id)
        if heard is not None and self._is_again(heard, number, now_us):
            log.info("button %s: the same press again", button.id)
            return None
        if not self._purse.take(button.id, 1, now_us):
            raise PayloadError(_TOO_OFTEN)
        numbers = _longer(heard, number)
        self._heard = {**self._heard, button.id: Heard(now_us, numbers)}
        return Press(button, how, number, late)

    def _is_again(self, heard: Heard, number: int | None, now_us: int) -> bool:
        if number is None:
            return 0 <= now_us - heard.at_us < SOON_S * self._second_us
        return number in heard.numbers and not _is_restart(heard, number)

    def _is_late(self, message: Message, now_us: int) -> bool:
        """Return whether the broker may have kept a press while the watch was away for long."""
        if message.connection != self._connection:
            away_us = now_us - self._listened_us
            if away_us > AWAY_S * self._second_us:
                self._late_until_us = now_us + round(ARRIVING_S * self._second_us)
            self._connection = message.connection
        return now_us < self._late_until_us

    def listened(self, now_us: int, *, up: bool) -> None:
        """Note that the watch has taken in what there was, at ``now_us`` [µs]."""
        if up:
            self._listened_us = now_us

    def save(self, now_us: int) -> None:
        """Write what was heard into the transaction that is open."""
        if self._heard is not self._committed:
            self._store.save_snapshot(SNAPSHOT, now_us, msgspec.json.encode(self._heard))

    def kept(self) -> None:
        """Note that the transaction was committed."""
        self._committed = self._heard
        self._purse.kept()

    def undo(self) -> None:
        """Note that the transaction was undone: the same messages are tried again."""
        self._heard, self._connection = self._committed, -1
        self._purse.undo()


def _remembered(store: Store) -> dict[str, Heard]:
    try:
        text = store.snapshot(SNAPSHOT)
        return msgspec.json.decode(text, type=dict[str, Heard]) if text else {}
    except msgspec.MsgspecError as error:
        log.warning("cannot read which presses were heard (%s); beginning anew", error)
        return {}


def _is_restart(heard: Heard, number: int) -> bool:
    """Return whether a button counts anew: it says 0 or 1 after having come further than 2."""
    return number in {0, 1} and heard.numbers[-1] > 2


def _longer(heard: Heard | None, number: int | None) -> tuple[int, ...]:
    before = heard.numbers if heard is not None else ()
    if number is None:
        return before
    if heard is not None and before and _is_restart(heard, number):
        before = ()
    return (*before, number)[-REMEMBERED:]


def parse_press(payload: bytes) -> tuple[How, int | None]:
    """Return how a button was pressed and the number of the press, or None.

    Args:
        payload: ``press``, ``double`` or ``hold``; or JSON such as
            ``{"button": "press", "n": 17}``.

    Raises:
        PayloadError: It is neither.
    """
    word = payload[:200].strip()
    try:
        if word.startswith(b"{"):
            said = msgspec.json.decode(word, type=_Said)
        else:
            said = msgspec.convert({"button": word.decode()}, _Said)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise PayloadError(f"payload is {word[:40]!r}; {_FORM}") from error
    return said.button, said.n


class _Said(msgspec.Struct, frozen=True):
    button: How
    n: Annotated[int, msgspec.Meta(ge=0, lt=2**53)] | None = None
