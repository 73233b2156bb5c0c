"""The life of an alarm after ISA-18.2 and IEC 62682: nine states, and the ways between them.

States by their short names: NORM normal; UNACK standing, not acknowledged; ACKED standing,
acknowledged; RTNUN over, not acknowledged; LTUNK and LTACK over, but latched, not acknowledged
and acknowledged; SHLVD shelved by a person for a time; DSUPR suppressed by design; OOSRV out of
service. Delays and deadbands lie before this machine: it is told when a condition counts.

Source: states and transitions of ISA-18.2-2016 and IEC 62682:2014 (from memory). Raising an
acknowledged alarm again after a time is an option of both.
"""

from __future__ import annotations

from enum import Enum, auto
from typing import Literal

import msgspec

from envmon.guard.live import Life

AnyLife = Literal["NORM"] | Life

ANNUNCIATED: frozenset[AnyLife] = frozenset({"UNACK", "ACKED", "RTNUN", "LTUNK", "LTACK"})
"""States in which an alarm is shown as one."""
UNACKNOWLEDGED: frozenset[AnyLife] = frozenset({"UNACK", "RTNUN", "LTUNK"})
SET_ASIDE: frozenset[AnyLife] = frozenset({"SHLVD", "DSUPR", "OOSRV"})
"""States in which it is still worked out and recorded, but not shown as an alarm."""


class Input(Enum):
    """What can happen to an alarm."""

    OCCURS = auto()
    CLEARS = auto()
    ACKNOWLEDGE = auto()
    RESET = auto()
    SHELVE = auto()
    UNSHELVE = auto()
    """Asked by a person, or its time is over."""
    SUPPRESS = auto()
    RELEASE = auto()
    """The design suppresses it no longer."""
    REMOVE = auto()
    """Take out of service."""
    RETURN = auto()
    AGAIN = auto()
    """Its re-alarm time is over."""


class AlarmNow(msgspec.Struct, frozen=True):
    """Where an alarm stands.

    Attributes:
        since_us: When it came into its state [µs].
        stage: Stage it was last raised in; None where it has nothing to do with one.
        life: Its state.
        active: Its condition stands.
        raised_us: When it was last raised [µs]; None when it never was.
        latches: It latches when its condition clears.
        wants_ack: It stays until acknowledged when its condition clears.
        owes_reset: It latched, or would have, when it was set aside.
        until_us: When a shelved one comes back [µs].
        under: Id of the alarm it followed from when it was raised.
        text: What was wrong when it was raised.
        by: Who acknowledged, shelved or took it out of service.
        reason: Why it was shelved or taken out of service.
    """

    since_us: int
    stage: str | None = None
    life: AnyLife = "UNACK"
    active: bool = True
    raised_us: int | None = None
    latches: bool = False
    wants_ack: bool = True
    owes_reset: bool = False
    until_us: int | None = None
    under: str | None = None
    text: str = ""
    by: str = ""
    reason: str = ""


_PLAIN: dict[tuple[AnyLife, Input], AnyLife] = {
    ("NORM", Input.OCCURS): "UNACK",
    ("UNACK", Input.ACKNOWLEDGE): "ACKED",
    ("ACKED", Input.AGAIN): "UNACK",
    ("RTNUN", Input.ACKNOWLEDGE): "NORM",
    ("RTNUN", Input.OCCURS): "UNACK",
    ("LTUNK", Input.ACKNOWLEDGE): "LTACK",
    ("LTUNK", Input.OCCURS): "UNACK",
    ("LTACK", Input.RESET): "NORM",
    ("LTACK", Input.OCCURS): "UNACK",
}
_ASIDE: dict[Input, AnyLife] = {
    Input.SHELVE: "SHLVD",
    Input.SUPPRESS: "DSUPR",
    Input.REMOVE: "OOSRV",
}
_BACK: dict[AnyLife, Input] = {
    "SHLVD": Input.UNSHELVE,
    "DSUPR": Input.RELEASE,
    "OOSRV": Input.RETURN,
}


_LATCHING: frozenset[AnyLife] = frozenset({"UNACK", "ACKED", "LTUNK", "LTACK"})


def normal(at_us: int) -> AlarmNow:
    """Return an alarm that stands as if nothing had ever happened."""
    return AlarmNow(at_us, None, "NORM", active=False)


def next_life(now: AlarmNow, what: Input) -> AnyLife:
    """Return the state that an input leads to; the same one where it means nothing there.

    Args:
        now: Where the alarm stands.
        what: What happens to it.
    """
    if now.life in SET_ASIDE:
        if what is not _BACK[now.life]:
            return now.life
        # The state the condition now gives; of one that latched before it was set aside: latched.
        return "UNACK" if now.active else "LTUNK" if now.owes_reset else "NORM"
    if what in _ASIDE:
        return _ASIDE[what]
    if what is Input.CLEARS and now.life in {"UNACK", "ACKED"}:
        if now.latches:
            return "LTUNK" if now.life == "UNACK" else "LTACK"
        return "RTNUN" if now.life == "UNACK" and now.wants_ack else "NORM"
    return _PLAIN.get((now.life, what), now.life)


def move(now: AlarmNow, what: Input, at_us: int) -> AlarmNow:
    """Return where an alarm stands after an input.

    Args:
        now: Where it stands.
        what: What happens to it.
        at_us: When [µs].

    Returns:
        The new state; ``now`` itself where nothing changes. ``raised_us`` is ``at_us`` when it
        was raised by this. Who, why and until when are those of the new state, so they are empty
        unless it came there acknowledged; the caller puts in what a person's act says.
    """
    active = {Input.OCCURS: True, Input.CLEARS: False}.get(what, now.active)
    life = next_life(now, what)
    if (life, active) == (now.life, now.active):
        return now
    changes: dict[str, object] = {"life": life, "active": active}
    if life != now.life:
        changes["since_us"] = at_us
        if life == "UNACK":
            changes["raised_us"] = at_us
        changes["owes_reset"] = life in SET_ASIDE and now.latches and now.life in _LATCHING
        if life != "LTACK":
            changes |= {"until_us": None, "reason": "", "by": ""}
    return msgspec.structs.replace(now, **changes)
