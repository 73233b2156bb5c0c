"""What the notice process sees by itself: whether the watch lives; and the calls outside."""

from __future__ import annotations

import logging
import threading
import urllib.request
from typing import TYPE_CHECKING

from envmon.facts import Event
from envmon.guard.alarm_acts import ACKNOWLEDGED, CLEARED, RAISED
from envmon.guard.alarm_kinds import CURING
from envmon.notice.rounds import WATCH, WATCH_ALARM, WATCH_SAID

if TYPE_CHECKING:
    from envmon.notice.state import NoticeState

log = logging.getLogger("envmon.notice")

DOWN_S = 60.0
"""A snapshot of the guard that has not moved for so long means the watch is down [s, real time]."""
_PING_TIMEOUT_S = 10.0


class WatchSense:
    """Notices that the guard's snapshot no longer moves; the watch writes one every ten seconds.

    Args:
        now_s: Monotonic time [s].
        down_s: How long it may stand still [s].
    """

    def __init__(self, now_s: float, down_s: float = DOWN_S) -> None:
        self._down_s = down_s
        self._moved_s = now_s
        self._last: int | None = None
        self._heard = False
        self.why = ""

    def update(self, snapshot_us: int | None, now_s: float, why: str = "") -> None:
        """Take in the snapshot's time as it is now.

        Args:
            snapshot_us: Time of the snapshot [µs]; None when there is none, or it cannot be read.
            now_s: Monotonic time [s].
            why: Why it cannot be read.
        """
        self.why = why
        if snapshot_us is None or snapshot_us == self._last:
            return
        # The first one seen may be an old one of a watch that is long gone.
        self._heard = self._last is not None
        self._last, self._moved_s = snapshot_us, now_s

    def is_down(self, now_s: float) -> bool:
        """Return whether it has stood still for too long."""
        return now_s - self._moved_s >= self._down_s

    def is_well(self, now_s: float) -> bool:
        """Return whether it was seen to move, and not long ago."""
        return self._heard and not self.is_down(now_s)

    def events(
        self, state: NoticeState, now_s: float, now_us: int, acked_by: str | None = None
    ) -> list[Event]:
        """Return the raising, acknowledging or clearing of the watch's alarm that is due, if any.

        Args:
            state: What stands.
            now_s: Monotonic time [s].
            now_us: The shop's time [µs].
            acked_by: Who acknowledged it by the link of a message; None for nobody.
        """
        standing = state.standing.get(WATCH_ALARM)
        stands = standing is not None
        if self.is_down(now_s) and not stands:
            return [self._raised(state, now_us)]
        if stands and self.is_well(now_s):
            return [Event(0, now_us, CLEARED, "", {"alarm": WATCH_ALARM, "what": WATCH}, "")]
        if standing is not None and acked_by is not None and not standing.acked:
            log.info("%s acknowledged that the watch is down", acked_by)
            data = {"alarm": WATCH_ALARM, "by": acked_by, "via": "link"}
            return [Event(0, now_us, ACKNOWLEDGED, "", data, "")]
        return []

    def _raised(self, state: NoticeState, now_us: int) -> Event:
        curing = any(stage in CURING for stage in state.stages.values())
        data = {**WATCH_SAID, **({"priority": "high"} if curing else {})}
        log.error("the watch is down or cannot write%s", f": {self.why}" if self.why else "")
        return Event(0, now_us, RAISED, "", data, "")


class Ping:
    """Calls an outside address while the watch is well; it complains when the calls stop.

    Args:
        address: The address; it is never logged.
        every_s: Time between two calls [s, real time].
    """

    def __init__(self, address: str, every_s: float) -> None:
        self._address, self._every_s = address, every_s
        self._next_s = 0.0
        self._calling: threading.Thread | None = None
        self._failed = False

    def turn(self, now_s: float, *, well: bool) -> None:
        """Call when it is time and all is well; never waits for the answer."""
        if not well or self.is_calling or now_s < self._next_s:
            return
        self._next_s = now_s + self._every_s
        self._calling = threading.Thread(target=self._call, name="notice-ping", daemon=True)
        self._calling.start()

    @property
    def is_calling(self) -> bool:
        """Whether a call is under way."""
        return self._calling is not None and self._calling.is_alive()

    def _call(self) -> None:
        try:
            with urllib.request.urlopen(self._address, timeout=_PING_TIMEOUT_S):  # noqa: S310 - checked
                failed = False
        except Exception as error:  # noqa: BLE001 - the words of some hold the address
            failed = True
            if not self._failed:
                log.warning("the outside address does not answer (%s)", type(error).__name__)
        if self._failed and not failed:
            log.info("the outside address answers again")
        self._failed = failed
