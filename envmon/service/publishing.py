"""What the watch publishes: the state of every bay, and every alarm that is not normal."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import msgspec

from envmon.guard.describe import describe, shop_alarms
from envmon.guard.lifecycle import ANNUNCIATED

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from envmon.facts import Reading
    from envmon.guard.live import AlarmState
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import Finding, GuardState
    from envmon.intake.link import BrokerLink

ALARMS_TOPIC = "envmon/watch/alarms"
EVERY_S = 1.0
GAP_S = 0.03
"""Real seconds between two states of one bay, so that a flood does not fill the network."""


def alarm_topic(bay: str, alarm_id: str) -> str:
    """Return the topic an alarm stands on while it is shown; the shop's own is ``watch``."""
    return f"envmon/{bay or 'watch'}/alarm/{alarm_id}"


class Publisher:
    """Says what the guard knows, at once when it is news and else once a second.

    Args:
        plan: The compiled shop file.
        link: Connection to the broker.
    """

    def __init__(self, plan: GuardPlan, link: BrokerLink) -> None:
        self._plan, self._link = plan, link
        self._said_at: dict[str, float] = {}
        self._dirty: set[str] = set(plan.bays)
        self._alarms_at = 0.0
        self._shown: set[str] = set()
        """Topics of the alarms that stand now, or are latched."""

    def wait_s(self, timeout_s: float) -> float:
        """Return how long to wait for news at most [s]: less while a state is held back."""
        return min(timeout_s, GAP_S) if self._dirty else timeout_s

    def note(self, bays: Iterable[str]) -> None:
        """Note that there is news of bays, the shop's included."""
        bays = set(bays)
        self._dirty |= bays & self._plan.bays.keys()
        if bays:
            self._alarms_at = 0.0

    def note_heard(self, readings: Collection[Reading]) -> None:
        """Note that there are new readings."""
        for series in {reading[:2] for reading in readings}:
            users = self._plan.series.get(series, ("", ()))[1]
            self._dirty.update(bay for bay in users if bay in self._plan.bays)

    def note_found(self, findings: Iterable[Finding]) -> None:
        """Note that the guard found something."""
        self.note(finding.bay for finding in findings)

    def say_all(self) -> None:
        """Say everything anew: the broker is back, and may have kept nothing, or too much.

        Alarms that were cleared while it was away are taken back.
        """
        self._said_at.clear()
        self._alarms_at = 0.0
        self._shown = {
            alarm_topic(place.id, alarm_id)
            for place in self._plan.places.values()
            for alarm_id in place.alarms
        }

    def speak(self, state: GuardState) -> None:
        """Publish what is due."""
        now = time.monotonic()
        for bay_id in self._plan.bays:
            age_s = now - self._said_at.get(bay_id, 0.0)
            if age_s >= EVERY_S or (bay_id in self._dirty and age_s >= GAP_S):
                self._said_at[bay_id] = now
                self._dirty.discard(bay_id)
                live = describe(self._plan, state, bay_id)
                self._link.publish(f"envmon/{bay_id}/state", msgspec.json.encode(live))
        if now >= self._alarms_at:
            self._alarms_at = now + EVERY_S
            self._speak_of_alarms(state)

    def _speak_of_alarms(self, state: GuardState) -> None:
        known = shop_alarms(self._plan, state)
        self._link.publish(ALARMS_TOPIC, msgspec.json.encode(known))
        shown = {
            alarm_topic(alarm.bay, alarm.id): alarm
            for alarm in known.alarms
            if alarm.life in ANNUNCIATED and alarm.life != "RTNUN"
        }
        self._take_back(self._shown - shown.keys())
        self._show(shown)
        self._shown = set(shown)

    def _take_back(self, topics: Iterable[str]) -> None:
        # Unconfirmed: if the connection breaks, all of it is said anew on the next; and after a
        # start there are so many that confirmed ones would hold up what comes behind them.
        for topic in sorted(topics):
            self._link.publish(topic, b"")

    def _show(self, alarms: dict[str, AlarmState]) -> None:
        for topic, alarm in alarms.items():
            self._link.publish(topic, msgspec.json.encode(alarm), qos=1)
