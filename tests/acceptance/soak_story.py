"""What the soak lets happen in the air: a quiet shop, and conditions long enough to alarm.

The scenario is the ground truth. It follows from a seed alone, so that the nodes (a process of
their own) and the checks at the end know the same.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

BEGIN_US = 1_767_571_200_000_000
"""2026-01-05T00:00:00Z: what the shop's clock shows when the stage is set."""
NODE_EVERY_REAL_S = 0.3
"""Real seconds between two readings of a node; at 1500 times real speed 450 s of the shop."""
WATCHED = ("one", "two")
"""Bays with conditions, by which the wall is judged; the jobs are worked in the third."""
STALE_REAL_S = 3.0
SHORTEST_S = 22.0
PAUSE_S = 9.0
LEAD_S = 6.0
"""Real seconds a condition stands, of quiet after it, and before the first."""

FIELDS: dict[str, dict[str, float]] = {
    "one-air": {"temp": 20.0, "rh": 45.0},
    "one-air2": {"temp": 20.2},
    "one-panel": {"temp": 19.0},
    "two-air": {"temp": 20.0, "rh": 50.0},
    "two-panel": {"temp": 19.0},
    "three-air": {"temp": 20.0, "rh": 45.0},
    "outdoor": {"temp": -4.0},
}
"""Node -> what it measures, and its quiet value."""
MARKER = "outdoor"
"""The node that is never muted: by it the checks see how far behind the store is."""
QUANTITIES = {
    "one-air": {"temp": "air_temp_c", "rh": "rel_hum_pct"},
    "one-air2": {"temp": "air_temp_c"},
    "one-panel": {"temp": "panel_temp_c"},
    "two-air": {"temp": "air_temp_c", "rh": "rel_hum_pct"},
    "two-panel": {"temp": "panel_temp_c"},
    "three-air": {"temp": "air_temp_c", "rh": "rel_hum_pct"},
    "outdoor": {"temp": "outdoor_temp_c"},
}


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of condition.

    Attributes:
        alarm: Alarm that must stand.
        after_s: Its delay, and what the condition needs to show [clock s].
        node: Node it is seen by.
        field: What of it; empty mutes the node.
        value: What it reads meanwhile; None holds its last value.
    """

    alarm: str
    after_s: float
    node: str
    field: str = ""
    value: float | None = None


def kinds_at(speed: float) -> tuple[Kind, ...]:
    """Return the kinds of condition; a node is lost when its reading is stale.

    Args:
        speed: Clock seconds a real second.
    """
    stale_s = STALE_REAL_S * speed
    return (
        Kind("one-window", 60, "one-air", "rh", 80.0),
        Kind("two-window", 90, "two-air", "temp", 9.0),
        Kind("two-frost", 300, "two-air", "temp", 0.5),
        Kind("two-condensation", 120, "two-panel", "temp", 4.0),
        Kind("one-apart", 300, "one-air2", "temp", 28.0),
        Kind("one-panel-wild", 180, "one-panel", "temp", 400.0),
        Kind("one-air2-lost", 120 + stale_s, "one-air2"),
        Kind("two-unknown", 60 + stale_s, "two-air"),
        Kind("one-panel-stuck", 7_200, "one-panel", "temp"),
    )


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition: its kind, and the shop's true time it stands [µs]."""

    kind: Kind
    from_us: int
    to_us: int


def conditions(seed: int, speed: float, days: float, first_us: int) -> list[Condition]:
    """Return the conditions of a run, one after the other, each kind as often as the others.

    Args:
        seed: Same seed, same conditions.
        speed: Clock seconds a real second.
        days: How long the run is [clock days].
        first_us: When the nodes begin [µs].
    """
    luck = random.Random(f"{seed} conditions")
    end_us, at_us = first_us + days * 86_400e6, first_us + LEAD_S * speed * 1e6
    found: list[Condition] = []
    deck: list[Kind] = []
    while True:
        deck = deck or luck.sample(kinds_at(speed), len(kinds_at(speed)))
        until_us = at_us + (SHORTEST_S + luck.uniform(0, 6)) * speed * 1e6
        if until_us > end_us:
            return found
        found.append(Condition(deck.pop(), round(at_us), round(until_us)))
        at_us = until_us + (PAUSE_S + luck.uniform(0, 4)) * speed * 1e6


class Weather:
    """What the nodes measure at a time; asked with rising times.

    Args:
        found: Conditions, in order.
        seed: Same seed, same noise.
    """

    def __init__(self, found: list[Condition], seed: int) -> None:
        self._waiting = list(found)
        self._luck = random.Random(f"{seed} noise")
        self._held: dict[tuple[str, str], float] = {}

    def of(self, node: str, at_us: int) -> dict[str, float]:
        """Return what a node measures; nothing where it is mute."""
        while self._waiting and at_us >= self._waiting[0].to_us:
            self._waiting.pop(0)
        now = self._waiting[0] if self._waiting else None
        here = now is not None and now.from_us <= at_us and now.kind.node == node
        kind = now.kind if now is not None and here else None
        if kind is not None and not kind.field:
            return {}
        return {name: self._value(node, name, kind) for name in FIELDS[node]}

    def _value(self, node: str, name: str, kind: Kind | None) -> float:
        if kind is None or kind.field != name:
            wanted = FIELDS[node][name]
        elif kind.value is None:
            return self._held[node, name]
        else:
            wanted = kind.value
        self._held[node, name] = round(wanted + self._luck.uniform(-0.3, 0.3), 2)
        return self._held[node, name]
