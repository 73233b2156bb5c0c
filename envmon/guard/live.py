"""The live state of a bay: what the guard found, as published, stored and shown.

This is the wire form of ``envmon/<bay>/state`` and of ``/api/v1/bays``: SI whatever the
shop's units, times as ISO 8601 UTC, every text ready to read in the shop's units.
"""

from __future__ import annotations

from typing import Literal

import msgspec

Fitness = Literal["fit", "marginal", "unfit", "unknown"]
"""Of a stage now. ``unknown`` is never good news."""

Quality = Literal["good", "disagree", "stale", "suspect", "missing"]
"""Of a condition: ``good`` and ``disagree`` have a value; the others have none to trust."""


class Condition(msgspec.Struct, frozen=True):
    """One quantity of a bay now, measured or derived.

    Attributes:
        value: The value in the quantity's unit, or None when it cannot be told.
        quality: How far it can be trusted.
        t: Time of the newest reading behind it, even when stale; None if there was none.
        points: Ids of the points behind it.
        text: Value as a person reads it in the shop's units, ``—`` when not known.
        note: Why it is not good, in words; empty when it is.
    """

    value: float | None
    quality: Quality
    t: str | None
    points: tuple[str, ...]
    text: str
    note: str = ""


class Reason(msgspec.Struct, frozen=True):
    """One limit of a stage held against the bay.

    Attributes:
        quantity: Name of the quantity.
        fitness: What this limit alone says.
        value: Value in the quantity's unit, or None.
        low: Lowest allowed, or None.
        high: Highest allowed, or None.
        text: The finding in words a person can act on.
        source: Where the limit comes from.
    """

    quantity: str
    fitness: Fitness
    value: float | None
    low: float | None
    high: float | None
    text: str
    source: str


class StageState(msgspec.Struct, frozen=True):
    """Fitness of one stage in one bay.

    Attributes:
        id: Stage id.
        name: Stage name.
        fitness: The verdict.
        goal: The limits are what the stage works towards (warm-up, drying).
        reasons: Every limit of the stage, worst first.
        summary: The verdict's reason in one line.
        ready_at: When the settle time will have passed if things stay so; None if not running.
        by_hand: What the person must check with an instrument of their own, in words.
        cautions: Safety lines of the stage.
        sheet: Date of the product sheet in force, or None.
    """

    id: str
    name: str
    fitness: Fitness
    goal: bool
    reasons: tuple[Reason, ...]
    summary: str
    ready_at: str | None = None
    by_hand: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    sheet: str | None = None


Life = Literal["UNACK", "ACKED", "RTNUN", "LTUNK", "LTACK", "SHLVD", "DSUPR", "OOSRV"]
"""State of an alarm that is not normal, by its short name in ISA-18.2 and IEC 62682."""

Priority = Literal["high", "medium", "low"]


class AlarmState(msgspec.Struct, frozen=True):
    """An alarm that is not normal.

    Attributes:
        id: Name of the alarm, such as ``north-window``; the same for ever.
        bay: Id of the bay; empty for the whole shop.
        what: Kind of alarm, such as ``window``; a key of ``alarm_kinds.KINDS``.
        stage: Stage it was raised in; None where it has nothing to do with one.
        since: When it was raised; for one shelved or out of service, when that was done.
        text: What is wrong, where and how bad, in one line.
        name: What the alarm is called.
        priority: How much it matters.
        life: Its state after ISA-18.2.
        active: Its condition stands now.
        do: What to do, in a few words.
        under: Id of the alarm it follows from (the broker's, the heater's); None for its own.
        until: When a shelved one comes back.
        reason: Why it was shelved or taken out of service.
        by: Who acknowledged, shelved or took it out of service.
    """

    id: str
    bay: str
    what: str
    stage: str | None
    since: str
    text: str
    name: str = ""
    priority: Priority = "high"
    life: Life = "UNACK"
    active: bool = True
    do: str = ""
    under: str | None = None
    until: str | None = None
    reason: str = ""
    by: str = ""


class ShopAlarms(msgspec.Struct, frozen=True):
    """Every alarm of the shop that is not normal: ``envmon/watch/alarms``.

    Attributes:
        at: Time of the guard step this describes.
        alarms: The most urgent first.
    """

    at: str
    alarms: tuple[AlarmState, ...]


class BayState(msgspec.Struct, frozen=True):
    """Everything a screen shows of one bay.

    Attributes:
        bay: Id of the bay.
        name: Name of the bay.
        at: Time of the guard step this describes.
        units: ``metric`` or ``us``: what the texts are in.
        stage: Id of the stage being worked, or None.
        stage_since: When that stage was started.
        conditions: Quantity name -> condition, measured and derived.
        stages: Every stage in order of work.
        alarms: Active alarms of the bay.
        notes: Trouble with sensors and clocks, in words.
    """

    bay: str
    name: str
    at: str
    units: Literal["metric", "us"]
    stage: str | None
    stage_since: str | None
    conditions: dict[str, Condition]
    stages: tuple[StageState, ...]
    alarms: tuple[AlarmState, ...] = ()
    notes: tuple[str, ...] = ()
