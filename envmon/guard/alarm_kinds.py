"""The kinds of alarm: what each is called, how much it matters, how it behaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from envmon.guard.live import Priority

CURING = ("coating", "early_cure", "cure")
"""Stages in which a mistake of the air costs the coating."""


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One kind of alarm.

    Attributes:
        what: Its short name, in ids and JSON.
        name: What it is called.
        priority: How much it matters; in a stage of ``CURING`` ``curing`` counts instead.
        curing: The priority while a coating is applied or cures.
        latches: It stays until a person has reset it, in a stage of ``CURING``.
        wants_ack: It stays until a person has acknowledged it, even when its condition is over.
        do: What to do, in a few words.
        breaks_quiet: A message about it goes out in quiet hours, whatever is being worked.
    """

    what: str
    name: str
    priority: Priority
    curing: Priority
    do: str
    latches: bool = False
    wants_ack: bool = True
    breaks_quiet: bool = False


_TABLE = (
    AlarmKind("window", "outside its window", "medium", "high", "bring the air back"),
    AlarmKind("unknown", "not known", "medium", "high", "look at the car and the sensors"),
    AlarmKind(
        "leaving", "about to leave its window", "low", "medium", "act now, it is still inside",
        wants_ack=False,
    ),
    AlarmKind(
        "condensation", "panel under the dew point", "medium", "high",
        "dry the air, warm the panel; look at the coating", latches=True,
    ),
    AlarmKind(
        "cure_break", "cure interrupted", "high", "high",
        "bring the air back; check the film before hand-over", latches=True,
    ),
    AlarmKind(
        "frost", "stores near freezing", "high", "high", "heat, or move water-based products",
        breaks_quiet=True,
    ),
    AlarmKind(
        "heater", "heater does not answer the cold", "medium", "high",
        "look at the heater; gas and electrical work is for licensed people",
    ),
    AlarmKind("lost", "sensor lost", "low", "low", "power, battery, network of the sensor"),
    AlarmKind("stuck", "sensor stands still", "low", "low", "restart or replace the sensor"),
    AlarmKind("wild", "sensor says what cannot be", "low", "low", "check cable and sensor"),
    AlarmKind("drift", "sensors drift apart", "low", "low", "calibrate both"),
    AlarmKind("apart", "sensors disagree", "low", "low", "compare both with a third"),
    AlarmKind("wet", "humidity sensor wet", "low", "low", "dry the sensor, it reads high"),
    AlarmKind("broker", "broker lost", "medium", "high", "look at the broker and the network"),
    AlarmKind("silence", "no sensor is heard", "medium", "high", "look at the network"),
    AlarmKind("disk", "disk nearly full", "medium", "medium", "make room on the disk"),
    AlarmKind("clock", "clock was set back", "low", "low", "check the machine's clock"),
    AlarmKind("archive", "archive in trouble", "low", "low", "read what it says"),
    AlarmKind("notice", "messages do not go out", "medium", "high", "check channels and network"),
)  # fmt: skip

KINDS: dict[str, AlarmKind] = {kind.what: kind for kind in _TABLE}
