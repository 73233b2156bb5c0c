"""A job told by seconds: events of the chain as a watch would have written them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from envmon.clock import SECOND_US
from envmon.facts import Event
from envmon.guard.live import BayState, Condition, Reason, StageState
from envmon.job import events as names
from envmon.job.clocks import flash_of
from envmon.job.fold import fold
from envmon.job.guards import NAMES, BayView
from envmon.job.model import Book
from envmon.shop.stages import BUILT_IN
from tests.guard_support import START_US

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.live import Fitness
    from envmon.job.guards import Neighbour
    from envmon.job.model import Flash, Job
    from envmon.units import UnitSystem

STAGES = ("wash", "drying", "wipe", "coating", "early_cure", "cure", "hand_over")
COAT: dict[str, Any] = {
    "name": "Test coat", "source": "Test coat sheet, edition 2", "flash": [120, 300],
    "flash_at": 20, "carrier": "2-propanol",
}  # fmt: skip
AT_SHEET = {"panel_temp_c": 20.0, "air_temp_c": 20.0, "rel_hum_pct": 45.0}


def us(seconds: float) -> int:
    """Return the time so many seconds into a test [µs]."""
    return START_US + round(seconds * SECOND_US)


class Story:
    """Events of one job in bay one, each at its second."""

    def __init__(
        self,
        panels: Sequence[str] = ("Bonnet", "Roof"),
        stages: Sequence[str] = STAGES,
        coat: dict[str, Any] | None = None,
        in_flight: int = 2,
    ) -> None:
        self.events: list[Event] = []
        self.coat = dict(COAT if coat is None else coat)
        steps = [{"stage": s, "product": "coat" if s == "coating" else None} for s in stages]
        self.stages = tuple(stages)
        self.tell(
            0, names.OPENED, procedure="work", procedure_name="Work", body="Test body",
            steps=steps, products={"coat": self.coat}, limits={},
            panels=[{"id": name.lower(), "name": name} for name in panels],
            in_flight=in_flight, reference_digest="", by="",
        )  # fmt: skip

    def tell(self, at_s: float, kind: str, **data: Any) -> int:
        """Add an event and return its place in the chain."""
        seq = len(self.events) + 1
        about = {} if kind == names.CURE_FITNESS else {"job": "260127-1"}
        self.events.append(Event(seq, us(at_s), kind, "one", {**about, **data}, ""))
        return seq

    def start(self, at_s: float, stage: str) -> int:
        step = self.stages.index(stage)
        return self.tell(at_s, names.STAGE_STARTED, step=step, stage=stage)

    def end(self, at_s: float, stage: str) -> int:
        step = self.stages.index(stage)
        return self.tell(at_s, names.STAGE_ENDED, step=step, stage=stage)

    def skip(self, at_s: float, stage: str, reason: str = "not needed") -> int:
        step = self.stages.index(stage)
        return self.tell(at_s, names.SKIPPED, step=step, stage=stage, reason=reason)

    def through(self, stage: str, at_s: float = 10, each_s: float = 10) -> None:
        """Start every stage up to one, one after the other."""
        for n, name in enumerate(self.stages[: self.stages.index(stage) + 1]):
            self.start(at_s + n * each_s, name)

    def flash(self) -> Flash:
        """Return the flash of a panel at the sheet's own temperature."""
        return flash_of(self.coat, dict(AT_SHEET), "metric")

    def apply(self, at_s: float, panel: str) -> int:
        flash = msgspec.to_builtins(self.flash())
        return self.tell(at_s, names.APPLIED, panel=panel, flash=flash)

    def level(self, at_s: float, panel: str) -> int:
        return self.tell(at_s, names.LEVELLED, panel=panel)

    def wipe(self, at_s: float, panel: str) -> int:
        return self.tell(at_s, names.WIPED, panel=panel)

    def inspect(self, at_s: float, panel: str, result: str = "clean") -> int:
        return self.tell(at_s, names.INSPECTED, panel=panel, result=result)

    def undo(self, at_s: float, panel: str, seq: int) -> int:
        return self.tell(at_s, names.UNDONE, panel=panel, undoes=seq, undone_kind="")

    def window(self, at_s: float, fitness: str) -> int:
        return self.tell(at_s, names.CURE_FITNESS, stage="cure", fitness=fitness)

    def coated(self, at_s: float = 1_000) -> None:
        """Go through the coating: every panel applied, levelled, wiped, inspected."""
        self.through("coating")
        for n, panel in enumerate(self.job().panels):
            begun_s = at_s + n * 300
            self.apply(begun_s, panel.id)
            self.level(begun_s + 150, panel.id)
            self.wipe(begun_s + 160, panel.id)
            self.inspect(begun_s + 170, panel.id)

    def book(self) -> Book:
        return fold(Book(), self.events)

    def job(self) -> Job:
        return self.book().jobs["260127-1"]


def stage_state(stage: str, fitness: Fitness = "fit", **more: Any) -> StageState:
    """Return a stage's verdict, with one reason when it is not good."""
    built = next(one for one in BUILT_IN if one.id == stage)
    quantity, text = more.pop("quantity", "air_temp_c"), more.pop("text", "air is bad")
    reason = Reason(quantity, fitness, None, None, None, text, "")
    reasons = (reason,) if fitness in {"unfit", "unknown"} else ()
    return StageState(stage, NAMES[stage], fitness, built.goal, more.pop("reasons", reasons),
                      more.pop("summary", text), **more)  # fmt: skip


def view(
    *changed: StageState,
    at: dict[str, float | None] | None = None,
    near: tuple[Neighbour, ...] = (),
    units: UnitSystem = "metric",
) -> BayView:
    """Return a bay in which every stage is fit, but for those given."""
    stages = {stage.id: stage_state(stage.id) for stage in BUILT_IN}
    stages |= {stage.id: stage for stage in changed}
    conditions = {
        name: Condition(value, "good" if value is not None else "missing", None, (), "")
        for name, value in (AT_SHEET | (at or {})).items()
    }
    bay = BayState("one", "Bay one", "", units, None, None, conditions, tuple(stages.values()))
    return BayView(bay, near, units, "Europe/Oslo")
