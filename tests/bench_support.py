"""Jobs as the watch publishes them, for the boards' tests: scenes of a day at the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from envmon.clock import SECOND_US, iso_from_us
from envmon.job.live import (
    BenchState,
    CureState,
    Hindrance,
    JobState,
    Milestone,
    NoteState,
    PanelState,
    Proposal,
    StepState,
    UndoState,
)
from envmon.shop.stages import stage_by_id
from tests.boards_support import NOW_US, shop_text, stand_of

if TYPE_CHECKING:
    from pathlib import Path

    from tests.boards_support import Stand

PROCEDURES = """
[[product]]
id = "harbour_glaze"
name = "Harbour Glaze"
sheet = 2025-09-01
source = "Harbour Glaze sheet, edition 4 (invented)"
flash = ["2 min", "5 min"]

[[procedure]]
id = "winter_coating"
name = "Winter coating"
step = [
    { stage = "warm_up" }, { stage = "foam" }, { stage = "wash" }, { stage = "rinse" },
    { stage = "drying" }, { stage = "polish" }, { stage = "wipe" },
    { stage = "coating", product = "harbour_glaze" }, { stage = "early_cure" },
    { stage = "cure" },
]

[[procedure]]
id = "short"
name = "Short"
step = [{ stage = "wipe" }, { stage = "coating", product = "harbour_glaze" }]
"""
STEPS = (
    "warm_up", "foam", "wash", "rinse", "drying", "polish", "wipe", "coating", "early_cure", "cure",
)  # fmt: skip
PANELS = (
    "Roof left", "Roof right", "Bonnet left", "Bonnet right", "Left front wing",
    "Left front door", "Left rear door", "Left rear wing", "Boot lid", "Rear bumper",
    "Right rear wing", "Right rear door", "Right front door", "Right front wing",
)  # fmt: skip


def bench_stand(folder: Path, bays: int = 2) -> Stand:
    """Return boards of a shop with procedures."""
    return stand_of(folder, shop_text(bays) + PROCEDURES)


def at(seconds: float) -> str:
    """Return a time so many seconds from the stand's now, as ISO text."""
    return iso_from_us(NOW_US + round(seconds * SECOND_US))


def panel(name: str, phase: Any = "todo", since_s: float = 0, **more: Any) -> PanelState:
    """Return a panel, applied ``since_s`` ago, due after 150 to 330 s unless told otherwise."""
    acts: Any = {
        "todo": ("apply",), "levelled": ("wipe", "inspect"), "wiped": ("inspect",), "done": (),
        "high_spot": ("level", "apply", "inspect"),
    }.get(phase, ("level",))  # fmt: skip
    state = PanelState(name.lower().replace(" ", "-"), name, phase, acts=acts)
    if phase != "todo":
        from_s, by_s = more.pop("due", (150, 330))
        state = msgspec.structs.replace(
            state, applied_at=at(-since_s), level_from=at(from_s - since_s),
            level_by=at(by_s - since_s), factor=1.24,
            why=("panel 16.1 °C, sheet 20 °C: flashes later",),
        )  # fmt: skip
    if phase in {"levelled", "wiped", "done", "high_spot"}:
        more.setdefault("levelled_at", at(200 - since_s))
    return msgspec.structs.replace(state, **more)


def panels(*states: PanelState) -> tuple[PanelState, ...]:
    """Return the list of panels with some of them in a state."""
    known = {state.name: state for state in states}
    return tuple(known.get(name, panel(name)) for name in PANELS)


def steps(current: int | None, done: int) -> tuple[StepState, ...]:
    """Return the steps with the first ``done`` done and one being worked."""
    made = []
    for index, stage in enumerate(STEPS):
        status: Any = "active" if index == current else "done" if index < done else "todo"
        began = at(-7_200 + 600 * index) if status != "todo" else None
        ended = at(-6_700 + 600 * index) if status == "done" else None
        product = "Harbour Glaze" if stage == "coating" else ""
        name = stage_by_id(stage).name
        made.append(StepState(index, stage, name, product, status, began, ended))
    return tuple(made)


def job(current: int | None = 7, **more: Any) -> JobState:
    """Return a job in a step; the coating when not told otherwise."""
    done = more.pop("done", current or 0)
    states = more.pop("panels", panels())
    following = more.pop("following", (current if current is not None else done - 1) + 1)
    base = JobState(
        job="260127-1", version=41, procedure="Winter coating", body="Saloon",
        opened_at=at(-7_300), steps=steps(current, done), current=current,
        following=following if following < len(STEPS) else None, hindrances=(), panels=states,
        in_flight=3, flying=sum(s.phase in {"flashing", "due", "overdue"} for s in states),
        next=Proposal("apply", "Apply Roof left", "roof-left"),
        products=("Harbour Glaze · 4711",),
    )  # fmt: skip
    return msgspec.structs.replace(base, **more)


def bench(state: JobState | None, bay: str = "north", **more: Any) -> BenchState:
    """Return what is published of a bay's work."""
    return BenchState(bay, at(0), state, **more)


def coating(*, overdue: bool = False) -> JobState:
    """Return a job with three panels in flight, one of them due or overdue."""
    first = panel("Bonnet left", "overdue" if overdue else "due", 372 if overdue else 260)
    second = panel("Bonnet right", "flashing", 95)
    third = panel("Left front wing", "flashing", 20)
    roof = [
        panel("Roof left", "done", 1_200, inspected_at=at(-700)),
        panel("Roof right", "levelled", 700),
    ]
    return job(
        panels=panels(*roof, first, second, third),
        next=Proposal(
            "level",
            "Level Bonnet left NOW" if overdue else "Level Bonnet left",
            "bonnet-left",
            urgent=True,
        ),
        undo=UndoState(39, "Left front wing applied"),
        notes=(NoteState(at(-900), "scratch on the left mirror, was there before", "Kim"),),
    )


HINDRANCES = (
    Hindrance("fitness", "humidity 66 %, needs 35–60 %: ventilate or heat"),
    Hindrance("order", "Solvent wipe has not flashed off yet: 5 min", at(190)),
    Hindrance("air", "South bay cures in the same air"),
)


def before_coating(*, hindered: bool = True) -> JobState:
    """Return a job whose coating is to be started next."""
    return job(
        None, done=7, hindrances=HINDRANCES if hindered else (),
        next=Proposal("wait", f"Coating: {HINDRANCES[0].text}", step=7, at=at(190)) if hindered
        else Proposal("start", "Start Coating", step=7),
    )  # fmt: skip


def curing(window: Any = "fit") -> JobState:
    """Return a job whose coating cures."""
    marks = (
        Milestone("rain-safe", 3_600, 0, at(-4_000), "common practice"),
        Milestone("full cure", 28_800, 17_100, at(17_100), "common practice"),
        Milestone("overnight", 43_200, 31_500, at(31_500), "common practice"),
    )
    cure = CureState(at(-12_300), 12_300, 11_700, 600, 0, window, 1, marks,
                     "held but for 10 min: panel 2.1 K above the dew point at 11:20")  # fmt: skip
    all_done = panels(*(panel(name, "done", 15_000, inspected_at=at(-13_000)) for name in PANELS))
    return job(
        9,
        panels=all_done,
        cure=cure,
        next=Proposal("wait", "No water. Full cure at 18:50", at=at(17_100)),
    )


def say_bench(stand: Stand, *states: BenchState) -> None:
    """Publish states of benches, now and again until something else is said of them."""
    stand.say_also({f"envmon/{state.bay}/job": msgspec.json.encode(state) for state in states})
