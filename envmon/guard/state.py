"""What the guard remembers between steps: small, plain, and written to disk as JSON."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

import msgspec

from envmon.guard.lifecycle import AlarmNow
from envmon.guard.live import Fitness
from envmon.guard.trail import Trail


class Last(msgspec.Struct, frozen=True):
    """The newest reading of a series.

    Attributes:
        t_us: Its own time [µs].
        value: In the quantity's unit.
        usable: False when something is known against it.
        alive_us: From when it ages [µs]: its own time, or arrival where that is earlier.
        flag: What is known against it, doubts included.
    """

    t_us: int
    value: float
    usable: bool
    alive_us: int
    flag: int = 0


class LimitNow(msgspec.Struct, frozen=True):
    """Where a limit stands.

    Attributes:
        fitness: What it says now.
        group: ``inside`` (fit or marginal), ``unfit`` or ``unknown``.
        since_us: When it came into that group.
        held_out: It went outside and has not come back inside by the deadband yet; survives
            a time of ``unknown``.
    """

    fitness: Fitness
    group: Literal["inside", "unfit", "unknown"]
    since_us: int
    held_out: bool


class StageNow(msgspec.Struct, frozen=True):
    """Where a stage stands: its verdict, and since when every limit has been inside."""

    fitness: Fitness
    inside_since_us: int | None


class Sign(msgspec.Struct, frozen=True):
    """Whether something an alarm is about is so.

    Attributes:
        on: It is.
        since_us: Since when it is or is not [µs].
    """

    on: bool
    since_us: int


class Gap(msgspec.Struct, frozen=True):
    """How far a sensor lies from the others of its air, as running means.

    Attributes:
        lately: Mean of about the last half day, in the quantity's unit.
        usually: Mean of about the last ten days.
        since_us: Since when it is watched [µs].
        at_us: When it was last brought up to date [µs].
    """

    lately: float
    usually: float
    since_us: int
    at_us: int


class Foreseen(msgspec.Struct, frozen=True):
    """What the outlook said of a stage: whether it is about to leave its window.

    Attributes:
        stage: The stage.
        leaves: It is.
        said_us: When that was said [µs].
        from_us: Not expected before [µs]; None for at any moment.
        to_us: Expected by then [µs]; None when it may as well be much later.
        quantity: What leaves its limit first; empty for not said.
    """

    stage: str
    leaves: bool
    said_us: int
    from_us: int | None = None
    to_us: int | None = None
    quantity: str = ""


class BayNow(msgspec.Struct):
    """What is remembered of one bay, or of what belongs to no bay."""

    stage: str | None = None
    stage_since_us: int | None = None
    limits: dict[str, LimitNow] = {}
    stages: dict[str, StageNow] = {}
    alarms: dict[str, AlarmNow] = {}
    """Alarm id -> where it stands; one that is normal is not here."""
    trail: Trail = ()
    apart: tuple[str, ...] = ()
    """Quantities whose sensors disagree."""
    told: Fitness | None = None
    """The active stage's verdict as last found."""
    wake_us: int | None = None
    """When something may change without a new reading: the next deadline, or earlier."""
    calm: dict[str, tuple[float, float]] = {}
    """Series key -> values among which no limit changes, as long as all others keep to theirs."""
    trail_due_us: int = 0
    """From when on the next reading makes the trail longer."""
    signs: dict[str, Sign] = {}
    """Alarm id -> whether what it is about is so; off ones only while their alarm stands."""
    gaps: dict[str, Gap] = {}
    """Series key -> how far it lies from the others of its quantity."""
    troubles: dict[str, str] = {}
    """What the watch says is wrong with itself -> in words."""
    begun_us: int = 0
    """Since when its sensors are waited for [µs]; ``WAITING_US`` while nobody could hear them."""
    procedure: str | None = None
    """Procedure of the job in it, whose products' limits hold; None for the bay's usual one."""
    cures: str | None = None
    """Stage whose window the coating of the job in it cures by; None before it is coated."""
    cure_told: Fitness | None = None
    """That window's verdict as last found."""
    foreseen: Foreseen | None = None
    """What the outlook said of the stage being worked; None when it said nothing."""
    eased: dict[str, int] = {}
    """Alarm id, or whose verdict -> by when the good news told of it is worked off [µs]."""
    untold: int = 0
    """Turns of the active stage's verdict that were not told."""

    def copy(self) -> BayNow:
        """Return a copy that can be changed without changing this one.

        ``calm``, ``gaps`` and ``eased`` are shared: they are replaced as a whole and never changed.
        """
        return BayNow(
            self.stage,
            self.stage_since_us,
            dict(self.limits),
            dict(self.stages),
            dict(self.alarms),
            self.trail,
            self.apart,
            self.told,
            self.wake_us,
            self.calm,
            self.trail_due_us,
            dict(self.signs),
            self.gaps,
            dict(self.troubles),
            self.begun_us,
            self.procedure,
            self.cures,
            self.cure_told,
            self.foreseen,
            self.eased,
            self.untold,
        )


class GuardState(msgspec.Struct):
    """Everything the guard remembers.

    Attributes:
        now_us: Time up to which everything has been judged.
        event_seq: Place in the chain of the last event taken in.
        newest: Series key -> newest reading.
        clock_ahead: Point -> by how much its clock runs ahead [µs], while it does.
        bays: Bay id -> what is remembered of it; ``SHOP`` for what belongs to no bay.
    """

    now_us: int = 0
    event_seq: int = 0
    newest: dict[str, Last] = {}
    clock_ahead: dict[str, int] = {}
    bays: dict[str, BayNow] = {}

    def copy(self) -> GuardState:
        """Return a copy that can be changed without changing this one."""
        return GuardState(
            self.now_us,
            self.event_seq,
            dict(self.newest),
            dict(self.clock_ahead),
            {bay_id: bay.copy() for bay_id, bay in self.bays.items()},
        )


class Finding(NamedTuple):
    """Something the guard found, with the exact time it became true.

    ``kind`` is one of ``alarm_acts.FOUND``, ``stage_fitness`` (the active stage's verdict
    changed) or ``cure_fitness`` (that of the window a coating cures by).
    """

    at_us: int
    kind: str
    bay: str
    data: dict[str, Any]


class StageTurn(NamedTuple):
    """A stage's verdict from this time on, whether it is being worked or not.

    Attributes:
        at_us: When it came to that [µs].
        bay: The bay.
        stage: The stage.
        fitness: The verdict.
    """

    at_us: int
    bay: str
    stage: str
    fitness: Fitness
