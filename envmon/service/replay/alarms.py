"""Alarms with their beginning and end, and which of two replays had them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import MINUTE_US
from envmon.guard.alarm_acts import CLEARED, RAISED
from envmon.guard.alarm_kinds import kind_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.guard.state import Finding, GuardState


class Alarm(NamedTuple):
    """One alarm.

    Attributes:
        bay: The bay.
        stage: Stage that was being worked; empty where none was.
        what: Kind of alarm.
        raised_us: When it was raised [µs]; may lie before the span asked about.
        cleared_us: When it was cleared [µs]; None when it was not by the end of the span.
        id: Name of the alarm.
    """

    bay: str
    stage: str
    what: str
    raised_us: int
    cleared_us: int | None = None
    id: str = ""

    def minutes(self, until_us: int) -> float:
        """Return how long it lasted [min], one not cleared up to ``until_us`` [µs]."""
        end_us = until_us if self.cleared_us is None else self.cleared_us
        return max(0, end_us - self.raised_us) / MINUTE_US

    def meets(self, other: Alarm) -> bool:
        """Return whether another alarm is about the same and lasts at some time with this one."""
        own_end = 2**62 if self.cleared_us is None else self.cleared_us
        its_end = 2**62 if other.cleared_us is None else other.cleared_us
        return (
            self[:3] == other[:3]
            and self.id == other.id
            and self.raised_us <= its_end
            and other.raised_us <= own_end
        )


class AlarmBook:
    """Keeps alarms while a replay goes on."""

    def __init__(self) -> None:
        self._active: dict[str, Alarm] = {}
        self._over: list[Alarm] = []

    def stand(self, state: GuardState, at_us: int) -> None:
        """Take over what a guard holds active: others end now, those not known yet are opened."""
        active = {
            alarm_id: Alarm(
                bay_id, alarm.stage or "", kind_of(alarm_id), alarm.raised_us, None, alarm_id
            )
            for bay_id, bay in state.bays.items()
            for alarm_id, alarm in bay.alarms.items()
            if alarm.active and alarm.raised_us is not None and alarm.life != "DSUPR"
        }
        for key in [key for key, alarm in self._active.items() if active.get(key) != alarm]:
            self._close(key, at_us)
        self._active.update(active)

    def take(self, findings: Iterable[Finding]) -> None:
        """Note what was found."""
        for at_us, kind, bay, data in findings:
            if kind == RAISED:
                self._close(data["alarm"], at_us)
                self._active[data["alarm"]] = Alarm(
                    bay, data["stage"] or "", data["what"], at_us, None, data["alarm"]
                )
            elif kind == CLEARED:
                self._close(data["alarm"], at_us)

    def end(self, at_us: int) -> None:
        """End every alarm: the clock they were held to was set back."""
        for key in list(self._active):
            self._close(key, at_us)

    def _close(self, key: str, at_us: int) -> None:
        alarm = self._active.pop(key, None)
        if alarm is not None:
            self._over.append(alarm._replace(cleared_us=at_us))

    def finish(self) -> None:
        """Keep what is still active as not cleared, and begin with an empty page."""
        self._over += self._active.values()
        self._active.clear()

    def alarms(self) -> list[Alarm]:
        """Return all of them in the order in which they were raised."""
        return sorted([*self._over, *self._active.values()], key=lambda a: (a.raised_us, a[:3]))


def only_in(first: Sequence[Alarm], second: Sequence[Alarm]) -> list[Alarm]:
    """Return the alarms of the first that have no counterpart at the same time in the second."""
    return [alarm for alarm in first if not any(alarm.meets(other) for other in second)]
