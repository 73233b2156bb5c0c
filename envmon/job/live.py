"""The live state of a bay's job as it is published on ``envmon/<bay>/job`` and shown.

Times are ISO texts in UTC; a screen counts down by itself from its own idea of now.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from envmon.job.model import StepStatus, Window

PanelPhase = Literal["todo", "flashing", "due", "overdue", "levelled", "wiped", "done", "high_spot"]
"""``flashing``: applied, not due yet; ``due``: inside its flash window; ``overdue``: past it."""


class PanelState(msgspec.Struct, frozen=True):
    """One panel as a screen shows it.

    Attributes:
        id: Short name.
        name: Name.
        phase: Where it stands at the state's own time.
        applied_at: When it was applied.
        level_from: Levelling is due from then.
        level_by: And at the latest then.
        factor: Flash over the sheet's.
        why: What the flash was corrected for, in words.
        outside_sheet: That the window leaves the sheet's range, in words, or empty.
        levelled_at: When it was levelled.
        wiped_at: When it was wiped a second time.
        inspected_at: When it was inspected.
        acts: What may be done to it now, the usual one first.
    """

    id: str
    name: str
    phase: PanelPhase
    applied_at: str | None = None
    level_from: str | None = None
    level_by: str | None = None
    factor: float | None = None
    why: tuple[str, ...] = ()
    outside_sheet: str = ""
    levelled_at: str | None = None
    wiped_at: str | None = None
    inspected_at: str | None = None
    acts: tuple[Literal["apply", "level", "wipe", "inspect"], ...] = ()


class StepState(msgspec.Struct, frozen=True):
    """One step of the procedure as a screen shows it."""

    index: int
    stage: str
    name: str
    product: str
    """Name of the product, or empty."""
    status: StepStatus
    started_at: str | None = None
    ended_at: str | None = None
    skip_reason: str = ""
    against: tuple[str, ...] = ()
    reason: str = ""


class Hindrance(msgspec.Struct, frozen=True):
    """Something that speaks against starting the next step now; a typed reason overrides it.

    Attributes:
        kind: ``fitness``: the stage's limits; ``settle``: not held long enough; ``order``: what
            must come before; ``air``: a bay in the same air cures; ``water``: solids and resin.
        text: In words, with what to wait for.
        until: When it ends by itself, if that is known.
    """

    kind: Literal["fitness", "settle", "order", "air", "water"]
    text: str
    until: str | None = None


class Proposal(msgspec.Struct, frozen=True):
    """The next best act.

    Attributes:
        act: What; ``wait`` has nothing to press, ``none`` nothing to say.
        text: In words, short enough for a button.
        panel: Panel it is about, or empty.
        step: Step it is about.
        at: When it is best done; None is now.
        urgent: It is due or overdue.
    """

    act: Literal["start", "finish", "apply", "level", "wipe", "inspect", "wait", "close", "none"]
    text: str
    panel: str = ""
    step: int | None = None
    at: str | None = None
    urgent: bool = False


class Milestone(msgspec.Struct, frozen=True):
    """A mark on the way of the cure.

    Attributes:
        name: ``rain-safe``, ``full cure`` or ``overnight``.
        need_s: Hours in window it takes [s].
        left_s: So much is missing [s]; 0 when it is reached.
        at: When it is reached if the window holds from now on; None when nobody can say.
        source: Whose word it is.
    """

    name: str
    need_s: float
    left_s: float
    at: str | None
    source: str


class CureState(msgspec.Struct, frozen=True):
    """The cure as a screen shows it; spans in seconds."""

    since: str
    clock_s: float
    inside_s: float
    outside_s: float
    unknown_s: float
    window: Window
    breaks: int
    milestones: tuple[Milestone, ...]
    text: str
    """One line: did it hold?"""
    summary: str = ""
    """A few sentences for the morning: when it did not hold, and what is still missing."""


class NoteState(msgspec.Struct, frozen=True):
    """A note as a screen shows it."""

    at: str
    text: str
    by: str = ""


class UndoState(msgspec.Struct, frozen=True):
    """What an undo would take back: the last mark on a panel."""

    seq: int
    text: str


class JobState(msgspec.Struct, frozen=True):
    """A job as a screen shows it.

    Attributes:
        job: Id.
        version: Rises with every event of the job.
        procedure: Name of the procedure.
        body: Name of the body shape.
        opened_at: When.
        steps: In order.
        current: Place of the step being worked.
        following: Place of the step to start next.
        hindrances: What speaks against starting it now.
        panels: In order of work.
        in_flight: So many panels may flash at the same time.
        flying: So many do.
        next: The next best act.
        cure: Once every panel is levelled.
        notes: The newest three, newest first.
        undo: What an undo would take back, or None.
        products: Name and batch of every product used, as ``name · batch``.
        rhythm: How the panels left are best spaced, and until when, in words; empty when none is.
    """

    job: str
    version: int
    procedure: str
    body: str
    opened_at: str
    steps: tuple[StepState, ...]
    current: int | None
    following: int | None
    hindrances: tuple[Hindrance, ...]
    panels: tuple[PanelState, ...]
    in_flight: int
    flying: int
    next: Proposal
    cure: CureState | None = None
    notes: tuple[NoteState, ...] = ()
    undo: UndoState | None = None
    products: tuple[str, ...] = ()
    rhythm: str = ""


class BenchState(msgspec.Struct, frozen=True):
    """What is published of a bay's work.

    Attributes:
        bay: Id of the bay.
        at: Time this describes.
        job: The job open in it, or None.
        last_job: Id of the job that was closed last in it, for its record; or empty.
        refused: What was refused last, in words, and when; empty before the first.
        refused_at: When that was.
    """

    bay: str
    at: str
    job: JobState | None = None
    last_job: str = ""
    refused: str = ""
    refused_at: str | None = None
