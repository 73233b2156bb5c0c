"""What is known of a job: steps, panels with their marks, and the cure. Values only.

Times are those of the events [µs, UTC]; nothing here depends on when it is looked at.
"""

from __future__ import annotations

from typing import Any, Literal

import msgspec

PanelStep = Literal["applied", "levelled", "wiped", "inspected"]
StepStatus = Literal["todo", "active", "done", "skipped"]
Window = Literal["fit", "marginal", "unfit", "unknown"]


class Flash(msgspec.Struct, frozen=True):
    """The flash window of one panel, as worked out when it was applied.

    Attributes:
        from_s: Levelling is due from so long after applying [s].
        to_s: And at the latest then [s].
        sheet_from_s: What the sheet says at its own temperature [s].
        sheet_to_s: The same, its end [s].
        factor: Window over the sheet's: above 1 it flashes later.
        why: In words, what it was corrected for.
        outside_sheet: In words, that the window leaves the sheet's range; empty while it does not.
    """

    from_s: float
    to_s: float
    sheet_from_s: float
    sheet_to_s: float
    factor: float
    why: tuple[str, ...] = ()
    outside_sheet: str = ""


class Mark(msgspec.Struct, frozen=True):
    """Something done to a panel.

    Attributes:
        step: What.
        at_us: When [µs].
        seq: Place in the chain.
        by: Who said so.
        flash: Of an applied panel; None when its product has no flash range.
        result: Of an inspected one: ``clean`` or ``high_spot``.
    """

    step: PanelStep
    at_us: int
    seq: int
    by: str = ""
    flash: Flash | None = None
    result: Literal["", "clean", "high_spot"] = ""


class Panel(msgspec.Struct, frozen=True):
    """One panel and what was done to it, oldest first; what was undone is not here."""

    id: str
    name: str
    marks: tuple[Mark, ...] = ()

    @property
    def last(self) -> Mark | None:
        """The newest mark."""
        return self.marks[-1] if self.marks else None

    def mark(self, step: PanelStep) -> Mark | None:
        """Return the newest mark of a kind, or None."""
        return next((mark for mark in reversed(self.marks) if mark.step == step), None)

    @property
    def in_flight(self) -> bool:
        """It is applied and waits to be levelled."""
        return self.last is not None and self.last.step == "applied"


class Run(msgspec.Struct, frozen=True):
    """A time during which a step was worked.

    Attributes:
        from_us: From [µs].
        to_us: Until [µs]; None while it lasts.
        against: Guards it was started against, in words.
        reason: Why, as typed.
        by: Who started it.
    """

    from_us: int
    to_us: int | None = None
    against: tuple[str, ...] = ()
    reason: str = ""
    by: str = ""


class StepNow(msgspec.Struct, frozen=True):
    """Where a step of the procedure stands."""

    stage: str
    product: str | None = None
    status: StepStatus = "todo"
    runs: tuple[Run, ...] = ()
    skip_reason: str = ""


class Break(msgspec.Struct, frozen=True):
    """A time during which the cure was not in its window [µs]; ``to_us`` is None while it lasts."""

    from_us: int
    to_us: int | None
    fitness: Window


class Cure(msgspec.Struct, frozen=True):
    """How the coating has cured up to ``at_us``.

    Attributes:
        since_us: When the last panel was levelled [µs].
        at_us: Up to when it is counted [µs].
        inside_us: So long in its window: fit or marginal [µs].
        outside_us: So long unfit [µs].
        unknown_us: So long nobody knows [µs].
        fitness: What the window says since ``at_us``.
        breaks: When it was not in its window.
    """

    since_us: int
    at_us: int
    inside_us: int = 0
    outside_us: int = 0
    unknown_us: int = 0
    fitness: Window = "unknown"
    breaks: tuple[Break, ...] = ()


class Note(msgspec.Struct, frozen=True):
    """A person's note."""

    at_us: int
    text: str
    by: str = ""


class Job(msgspec.Struct, frozen=True):
    """One vehicle going through a procedure.

    Attributes:
        id: Day and number, such as ``260127-1``.
        bay: Where.
        opened_us: When [µs].
        seq: Place in the chain of the last event of the job: its version.
        procedure: Id and name of the procedure.
        body: Name of the body shape.
        steps: The steps in order.
        products: Product id -> what its sheet says, as of the opening, and ``batch``.
        limits: Stage -> limits in force, as of the opening (quantity, low, high, source).
        panels: In the order of work.
        in_flight: So many panels may flash at the same time.
        reference_digest: Of the vehicle's reference, which is kept apart and can be erased.
        first_seq: Place in the chain of its opening.
        by: Who opened it.
        closed_us: When it was handed over [µs]; None while it is in the bay.
        close_reason: Why it was closed before all was done.
        window: What the cure window says now.
        windows: What it said, each with the time [µs] since when; oldest first.
        cure: None until every panel is levelled.
        notes: Oldest first.
        erased: The reference was erased.
    """

    id: str
    bay: str
    opened_us: int
    seq: int
    procedure: tuple[str, str]
    body: str
    steps: tuple[StepNow, ...]
    products: dict[str, dict[str, Any]]
    limits: dict[str, list[dict[str, Any]]]
    panels: tuple[Panel, ...]
    in_flight: int
    reference_digest: str = ""
    first_seq: int = 0
    by: str = ""
    closed_us: int | None = None
    close_reason: str = ""
    window: Window = "unknown"
    windows: tuple[tuple[int, Window], ...] = ()
    cure: Cure | None = None
    notes: tuple[Note, ...] = ()
    erased: bool = False

    @property
    def current(self) -> int | None:
        """Place of the step being worked, or None."""
        return next((i for i, step in enumerate(self.steps) if step.status == "active"), None)

    @property
    def following(self) -> int | None:
        """Place of the step to be worked next: the first not done after the current or last one."""
        worked = [i for i, step in enumerate(self.steps) if step.status in {"active", "done"}]
        start = max(worked, default=-1) + 1
        return next(
            (i for i in range(start, len(self.steps)) if self.steps[i].status == "todo"), None
        )

    @property
    def coat_from_us(self) -> int:
        """Marks of panels count from then [µs]: a second coating step begins all of them anew."""
        coats = [s for s in self.steps if s.stage == "coating" and s.status in {"active", "done"}]
        if len(coats) < 2:
            return 0
        earlier_us = coats[-2].runs[-1].from_us
        return next(run.from_us for run in coats[-1].runs if run.from_us >= earlier_us)

    def panel(self, panel_id: str) -> Panel | None:
        """Return a panel, or None."""
        return next((panel for panel in self.panels if panel.id == panel_id), None)


class Book(msgspec.Struct, frozen=True):
    """The jobs known: job id -> job. Replaced as a whole, never changed."""

    jobs: dict[str, Job] = {}

    def in_bay(self, bay: str) -> Job | None:
        """Return the job open in a bay, or None."""
        found = (job for job in self.jobs.values() if job.bay == bay and job.closed_us is None)
        return next(found, None)
