"""When something was measured, also while the time of day is not known yet.

A board starts with a wrong clock. What it measures is marked with the time since power came on,
and dated when a time server has been asked. The counter of milliseconds wraps around, on many
boards every 12 days; here it is added up, so that it does not.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from air_node.kinds import Clock

FLOOR_MS = 1_704_067_200_000
"""2024-01-01: no board was built before; a clock that shows less is not set [ms since 1970]."""
EPOCH_2000_MS = 946_684_800_000
"""2000-01-01 [ms since 1970]."""


class Times:
    """A board's times. ``up_ms`` must be asked for at least once in three days.

    Args:
        clock: The board's clock.
        up_ms: How long the power was on before, when the board slept in between [ms].
    """

    def __init__(self, clock: "Clock", up_ms: int = 0) -> None:
        self._clock, self._up_ms = clock, up_ms
        self._ticks = clock.ticks_ms()
        self._start_ms = 0
        self.known = False
        self.look()

    def up_ms(self) -> int:
        """Return the time since power came on; it never goes back [ms]."""
        ticks = self._clock.ticks_ms()
        self._up_ms += self._clock.ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        return self._up_ms

    def clock_ms(self) -> int:
        """Return the board's time of day, right or wrong [ms since 1970]."""
        since = EPOCH_2000_MS if self._clock.epoch_year() == 2000 else 0
        return self._clock.time_ns() // 1_000_000 + since

    def look(self) -> bool:
        """Take the time of day from the board's clock if that was set; return whether it was."""
        clock_ms = self.clock_ms()
        if clock_ms < FLOOR_MS:
            return False
        self.known, self._start_ms = True, clock_ms - self.up_ms()
        return True

    def date_ms(self, up_ms: int) -> int:
        """Return the time of day at a time since power came on [ms since 1970].

        Only where the time of day is ``known``.
        """
        return self._start_ms + up_ms
