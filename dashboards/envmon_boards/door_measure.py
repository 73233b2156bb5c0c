"""How much one person may ask of the boards, so that nobody else waits for it.

Two measures: what is kept (each entry of the chain is there for ever) by number, and everything by
how much is answered at once, since an answer may take one of the server's few threads for seconds.
"""

from __future__ import annotations

import asyncio
import logging
import time
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from envmon.clock import MINUTE_US
from envmon.intake.allowance import Purse
from envmon.service.trouble_senses import DOOR_WORD, leave_word

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from envmon.clock import Clock
    from envmon_boards.door_porter import Visitor

log = logging.getLogger("envmon.door")

PER_MINUTE, SAVED = 60.0, 60.0
"""So much one log-in may have kept for as long as it likes, and at once; a hand needs a tenth."""
SCREENS = 2.0
"""A person may have so many times as much, over all log-ins."""
AT_ONCE = 12
"""So much of one person is answered at once, two browsers' worth; the rest waits its turn."""
QUIET_US = MINUTE_US
"""So long without a refusal, and the next one is told anew [µs]."""
WORD_EVERY_S = 2.0


class Measure:
    """What every person has left.

    Args:
        folder: Data folder; the watch finds there that somebody goes on asking too much.
        clock: What time it is, never the demo's.
    """

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._folder, self._clock = folder, clock
        self._of_session: Purse[str] = Purse(PER_MINUTE / 60, SAVED)
        self._of_person: Purse[str] = Purse(SCREENS * PER_MINUTE / 60, SCREENS * SAVED)
        self._refused_us: dict[str, int] = {}
        self._word_s = 0.0
        self._lines: dict[str, tuple[asyncio.Semaphore, int]] = {}

    def takes(self, visitor: Visitor) -> bool:
        """Return whether one more thing of a person may be kept, and count it.

        Screens without people are for this machine only, and who is at it needs no screen to do
        harm: there is no measure, which a demo at high speed would meet.

        Args:
            visitor: Who asks, with the right to.
        """
        if not visitor.name:
            return True
        now_us = self._clock.now_us()
        taken = self._of_session.take(visitor.token, 1, now_us) == 1
        if taken and self._of_person.take(visitor.name, 1, now_us) == 0:
            self._of_session.undo()
            taken = False
        for purse in (self._of_session, self._of_person):
            purse.kept()
            purse.forget_full(now_us)
        if not taken:
            self._note(visitor.name, now_us)
        return taken

    def _note(self, name: str, now_us: int) -> None:
        """Say once in the log who asks too much, and to the watch for as long as it goes on."""
        last_us = self._refused_us.get(name)
        if last_us is None or abs(now_us - last_us) > QUIET_US:
            log.warning("%s asks for more than %g things a minute; refused", name, PER_MINUTE)
        self._refused_us[name] = now_us
        if time.monotonic() - self._word_s < WORD_EVERY_S:
            return
        self._word_s = time.monotonic()
        try:
            leave_word(self._folder / DOOR_WORD, f"{name} asks the screens for far too much")
        except OSError as error:
            log.warning("cannot tell the watch: %s", error)

    @asynccontextmanager
    async def turn(self, name: str) -> AsyncIterator[None]:
        """Wait until one of a person's few places is free, and hold it.

        Args:
            name: The person; empty for who is at this machine without a log-in.
        """
        line, users = self._lines.get(name) or (asyncio.Semaphore(AT_ONCE), 0)
        self._lines[name] = line, users + 1
        try:
            async with line:
                yield
        finally:
            line, users = self._lines.pop(name)
            if users > 1:
                self._lines[name] = line, users - 1
