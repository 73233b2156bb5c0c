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
        on_s: How long its condition must stand before it is raised [s]; those of a stage's limits
            bring their own.
        off_s: How long it must be over before it is cleared [s].
    """

    what: str
    name: str
    priority: Priority
    curing: Priority
    do: str
    latches: bool = False
    wants_ack: bool = True
    breaks_quiet: bool = False
    on_s: float = 0.0
    off_s: float = 60.0


# Delays are common practice: ISA-18.2 and EEMUA 191 begin with 60 s for temperatures (from
# memory); what comes from a rate or from sensors that quarrel waits longer.
_TABLE = (
    AlarmKind("window", "outside its window", "medium", "high", "bring the air back"),
    AlarmKind("unknown", "not known", "medium", "high", "look at the car and the sensors"),
    AlarmKind(
        "leaving", "about to leave its window", "low", "medium", "act now, it is still inside",
        wants_ack=False, on_s=360, off_s=1_800,
    ),
    AlarmKind(
        "condensation", "panel under the dew point", "medium", "high",
        "dry the air, warm the panel; look at the coating", latches=True, on_s=120, off_s=1_200,
    ),
    AlarmKind(
        "cure_break", "cure interrupted", "high", "high",
        "bring the air back; check the film before hand-over", latches=True,
    ),
    AlarmKind(
        "frost", "stores near freezing", "high", "high", "heat, or move water-based products",
        breaks_quiet=True, on_s=300, off_s=600,
    ),
    AlarmKind(
        "frost_unknown", "stores: cold not known", "medium", "medium",
        "look at a thermometer; get the sensor going", breaks_quiet=True, on_s=900, off_s=60,
    ),
    AlarmKind(
        "heater", "heater does not answer the cold", "medium", "high",
        "look at the heater; gas and electrical work is for licensed people", off_s=3_600,
    ),
    AlarmKind(
        "apart", "sensors disagree", "low", "low", "compare with a third", on_s=300, off_s=600,
    ),
    AlarmKind("drift", "sensors drift apart", "low", "low", "calibrate them", off_s=3_600),
    AlarmKind(
        "lost", "sensor lost", "medium", "medium", "check its power and network",
        on_s=120, off_s=30,
    ),
    AlarmKind("stuck", "sensor stands still", "low", "low", "restart or replace it"),
    AlarmKind(
        "wild", "sensor says what cannot be", "low", "low", "check cable and sensor",
        on_s=180, off_s=180,
    ),
    AlarmKind("wet", "humidity sensor wet", "low", "low", "dry it, it reads high", off_s=600),
    AlarmKind("broker", "broker lost", "medium", "high", "check broker and network", off_s=0),
    AlarmKind(
        "silence", "no sensor is heard", "medium", "high", "check network and power",
        on_s=20, off_s=0,
    ),
    AlarmKind("disk", "disk nearly full", "medium", "medium", "make room on the disk", off_s=0),
    AlarmKind("clock", "clock was wrong", "low", "low", "check the machine's clock", off_s=0),
    AlarmKind("flood", "a sensor sends far too much", "low", "medium", "switch it off", off_s=0),
    AlarmKind(
        "asking", "somebody asks far too much", "low", "low", "see who it is, give a new PIN",
        off_s=0,
    ),
    AlarmKind("archive", "archive in trouble", "low", "low", "read what it says", off_s=0),
    AlarmKind(
        "notice", "messages do not go out", "medium", "high", "check channels and network", off_s=0,
    ),
)  # fmt: skip

KINDS: dict[str, AlarmKind] = {kind.what: kind for kind in _TABLE}

STAGE_KINDS = ("window", "unknown", "cure_break", "leaving")
"""They are about the stage being worked, and end with it."""
GROUPS = {"window": "unfit", "unknown": "unknown", "cure_break": "unfit"}
"""A kind that the limits of a stage decide -> the group a limit must be in."""
BAY_KINDS = (*STAGE_KINDS, "condensation", "frost", "frost_unknown", "heater", "apart", "drift")
POINT_KINDS = ("lost", "stuck", "wild", "wet")
TROUBLE_KINDS = ("broker", "disk", "clock", "archive", "notice", "flood", "asking")
"""What the watch reports of itself."""
SHOP_KINDS = (*TROUBLE_KINDS, "silence")

_DRY = frozenset({"polish", "wipe", *CURING, "hand_over"})
"""Stages in which water on a panel is a fault; before them the car is wet anyway."""
_COLD = frozenset({"window", "leaving", "cure_break", "condensation", "frost"})
"""What follows when the heater does not answer."""


def kind_of(alarm_id: str) -> str:
    """Return the kind of an alarm from its id, also of one that is not there any more."""
    return alarm_id.rpartition("-")[2]


def priority_of(what: str, *, curing: bool) -> Priority:
    """Return how much an alarm matters.

    Args:
        what: Its kind.
        curing: A coating is being applied or cures where it is about.
    """
    return KINDS[what].curing if curing else KINDS[what].priority


def is_wanted(what: str, stage: str | None) -> bool:
    """Return whether the design wants an alarm while a stage is being worked.

    Args:
        what: Its kind.
        stage: The stage; None when none is.
    """
    return what != "condensation" or stage in _DRY


def roots_of(what: str) -> tuple[str, ...]:
    """Return the kinds of alarm that one of this kind may follow from, the deepest first."""
    if what in {"lost", "unknown", "silence"}:
        return tuple(root for root in ("broker", "silence", "unknown") if root != what)
    return ("heater",) if what in _COLD else ()
