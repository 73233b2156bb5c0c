"""Telling people as a process: ``python -m envmon.service.notice.process SHOP.toml``.

Apart from the watch, so that no server that hangs and no full outbox ever holds it up.
"""

from __future__ import annotations

import logging
import os
import sys
import time
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import MINUTE_US, clock_from_text
from envmon.errors import StoreDamagedError, StoreError
from envmon.notice.decide import SET_BACK_US, adopt, decide
from envmon.notice.people import book_from_shop
from envmon.notice.state import NoticeState
from envmon.notice.words import cut, local_time
from envmon.service.ending import exit_code_of, shop_process, stop_signals, take_lock
from envmon.service.notice.ack_link import GOOD_FOR_US, Ticket, ensure_key, link_of
from envmon.service.notice.chain import ChainReader
from envmon.service.notice.channels import Channels
from envmon.service.notice.desk import Desk
from envmon.service.notice.outbox import Kept, Outbox
from envmon.service.notice.senses import Ping, WatchSense
from envmon.service.trouble_senses import NOTICE_WORD, leave_word
from envmon.service.watch_process import data_folder
from envmon.shop.load import load_shop
from envmon.store.chain import GENESIS

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence
    from io import TextIOWrapper
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.facts import Event
    from envmon.notice.state import Message
    from envmon.shop.models import Shop

log = logging.getLogger("envmon.notice")

TURN_S = 0.2
LOOK_EVERY_S = 0.5
DISK_EVERY_S = 30.0
WORD_EVERY_S = 10.0
"""The watch hears so often that this process lives; six times as often as it has to."""
LATE_US = 5 * MINUTE_US
"""What could not be delivered for so long is said to the watch."""
_NEVER_READ = (0, "")
"""Place in a chain that was never read; no chain has it."""


class Notice:
    """Tells the people of one shop; lives in one thread.

    Args:
        shop: The shop file, checked.
        shop_path: Where it is.
        folder: Data folder.
        clock: What time it is.
    """

    def __init__(self, shop: Shop, shop_path: Path, folder: Path, clock: Clock) -> None:
        self._clock, self._folder = clock, folder
        self._book = book_from_shop(shop)
        self._base = shop.notice.link_base
        self._key = ensure_key(folder)
        self._outbox = Outbox(folder)
        self._kept = self._outbox.kept()
        self._chain = ChainReader(folder)
        self.watch = WatchSense(time.monotonic())
        self._ping = _ping_from(shop)
        self.desk = Desk(self._outbox, self._book, Channels(shop, shop_path), clock, self._link)
        self._look_s = self._disk_s = 0.0
        self._said: str | None = None
        self._said_s = 0.0
        self._trouble = ""
        self._acked_by: str | None = None

    @property
    def state(self) -> NoticeState:
        """What is remembered; empty before the chain was first read."""
        return self._kept.state if self._kept else NoticeState(self._clock.now_us())

    @property
    def outbox(self) -> Outbox:
        """What has been decided, and what became of it."""
        return self._outbox

    def turn(self) -> None:
        """Take in what happened, decide, deliver, and leave word."""
        try:
            now_s = time.monotonic()
            if now_s >= self._look_s:
                self._look_s = now_s + LOOK_EVERY_S
                self.look()
            self.desk.turn(self.state.standing)
            self._say()
            if not self._outbox.in_memory:
                self._tell_trouble("")
        except StoreDamagedError:
            raise
        except StoreError as error:
            self._tell_trouble(str(error))
            self._leave_the_disk()
        self._try_the_disk()
        if self._ping is not None:
            self._ping.turn(time.monotonic(), well=self.watch.is_well(time.monotonic()))

    def look(self) -> None:
        """Take in the chain and the time, and commit what they give."""
        now_s, now_us = time.monotonic(), self._clock.now_us()
        if self._kept is not None and now_us < self._kept.state.now_us - SET_BACK_US:
            self.desk.release()
        seq, digest = (self._kept.seq, self._kept.hash) if self._kept else _NEVER_READ
        try:
            look = self._chain.look(seq, digest)
        except StoreError as error:
            self.watch.update(None, now_s, str(error))
            if self._kept is not None or self.watch.is_down(now_s):
                self._commit((seq, digest), *self._decided([], now_s, now_us))
            return
        self.watch.update(look.snapshot_us, now_s)
        self._acked_by = look.acked_by
        if not look.same:
            self._adopt(look.events, now_s, now_us)
            return
        place = (look.events[-1].seq, look.events[-1].hash) if look.events else (seq, digest)
        self._commit(place, *self._decided(look.events, now_s, now_us))

    def _decided(
        self, events: Sequence[Event], now_s: float, now_us: int
    ) -> tuple[NoticeState, list[Message]]:
        state, messages = decide(self._book, self.state, events, now_us)
        own = self.watch.events(state, now_s, now_us, self._acked_by)
        if own:
            state, more = decide(self._book, state, own, now_us)
            messages += more
        return state, messages

    def _adopt(self, events: list[Event], now_s: float, now_us: int) -> None:
        """Take in a chain never seen, or another than before: a file renewed or restored."""
        while events:
            last = events[-1]
            more = self._chain.look(last.seq, last.hash)
            if not more.same:
                return  # replaced while it was read; the next look begins anew
            if not more.events:
                break
            events += more.events
        if self._kept is not None and self._kept[:2] != _NEVER_READ:
            log.warning(
                "the chain of events is another than before (renewed or restored): going on with "
                "what stands in it; alarms of the time in between may not have been told"
            )
        state, messages = adopt(self._book, self.state, events, now_us)
        place = (events[-1].seq, events[-1].hash) if events else (0, GENESIS)
        self._commit(place, state, messages)
        self._look_s = now_s

    def _commit(
        self, place: tuple[int, str], state: NoticeState, messages: Sequence[Message]
    ) -> None:
        """Keep what was decided; time alone, which changes nothing, is not worth a write."""
        kept = Kept(*place, state)
        if self._kept is not None and not messages and _same(self._kept, kept):
            self._kept = kept
            return
        self._outbox.commit(kept, messages, self._book)
        self._kept = kept
        for message in messages:
            log.info("telling %s: %s", message.person, message.line)

    def _link(self, message: Message) -> str:
        # An address of the machine itself would be dead on a phone.
        if not message.alarms or self._base is None:
            return ""
        until_us = self._clock.now_us() + GOOD_FOR_US
        return link_of(self._base, self._key, Ticket(message.person, until_us, message.alarms))

    def _say(self) -> None:
        """Leave word for the watch: when it changes, and as a sign of life."""
        text, now_s = self._word(), time.monotonic()
        if text == self._said and now_s < self._said_s + WORD_EVERY_S:
            return
        path = self._folder / NOTICE_WORD
        try:
            leave_word(path, text)
        except OSError as error:
            raise StoreError(f"cannot leave word in {path}: {error}; check the disk") from error
        self._said, self._said_s = text, now_s

    def _word(self) -> str:
        now_us = self._clock.now_us()
        late = [
            d
            for d in self._outbox.failing()
            if d.tried_us is not None and now_us - d.tried_us > LATE_US
        ]
        if not late:
            return ""
        channels = ", ".join(sorted({delivery.channel for delivery in late}))
        since = local_time(min(d.tried_us or 0 for d in late), now_us, self._book)
        count = f"{len(late)} message" + ("s do" if len(late) > 1 else " does")
        return cut(f"{count} not go out over {channels}, since {since}: {late[0].error}", 200)

    def _tell_trouble(self, text: str) -> None:
        if text != self._trouble:
            log.error(text) if text else log.info("the outbox can be written again")
        self._trouble = text

    def _leave_the_disk(self) -> None:
        if not self._outbox.in_memory:
            self._outbox.go_on_in_memory()
            log.warning("going on in memory; what is sent now may be sent twice after a restart")
            self._disk_s = time.monotonic() + DISK_EVERY_S

    def _try_the_disk(self) -> None:
        if self._outbox.in_memory and time.monotonic() >= self._disk_s:
            self._disk_s = time.monotonic() + DISK_EVERY_S
            if self._outbox.try_the_disk():
                log.info("the outbox is on the disk again")

    def close(self, timeout_s: float = 5.0) -> None:
        """Wait a moment for what is under way and release everything."""
        self.desk.finish(timeout_s)
        self._outbox.close()
        self._chain.close()


def _same(one: Kept, other: Kept) -> bool:
    """Return whether two differ in the time alone."""
    if one[:2] != other[:2]:
        return False
    return msgspec.structs.replace(one.state, now_us=other.state.now_us) == other.state


def _ping_from(shop: Shop) -> Ping | None:
    name = shop.notice.ping_url_env
    if name is None:
        return None
    address = os.environ.get(name, "")
    if not address.startswith(("http://", "https://")):
        log.error("%s holds no http address; nobody outside hears when the watch stops", name)
        return None
    return Ping(address, shop.notice.ping_every)


def lock_notice(folder: Path) -> TextIOWrapper:
    """Take the outbox of a folder for this process until it ends.

    Raises:
        ServiceError: Another one has it, or the folder cannot be written.
    """
    taken = f"another notice process works in {folder}; stop it first"
    return take_lock(folder / "notice.lock", taken, "check the folder")


def tell_as_asked(options: argparse.Namespace) -> None:
    """Read the shop file and tell its people until SIGTERM or SIGINT.

    Raises:
        EnvmonError: The shop file has faults, or the folder cannot be used.
    """
    stop = stop_signals()
    shop = load_shop(options.shop)
    folder = data_folder(shop, options.shop, options.data)
    lock = lock_notice(folder)
    notice = Notice(shop, options.shop, folder, clock_from_text(options.clock))
    try:
        while not stop.is_set():
            notice.turn()
            stop.wait(TURN_S)
    finally:
        notice.close()
        lock.close()


def main(argv: list[str] | None = None) -> int:
    """Tell people; return the exit code."""
    options = shop_process("envmon.service.notice.process").parse_args(argv)
    return exit_code_of("envmon notice", lambda: tell_as_asked(options))


if __name__ == "__main__":
    sys.exit(main())
