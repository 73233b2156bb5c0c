"""The demo's person: opens jobs, follows the script, and keeps the rhythm of the panels."""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib import resources
from itertools import pairwise
from typing import Any

import pytest

from envmon.clock import MINUTE_US, SECOND_US
from envmon.facts import Event
from envmon.job.events import OPENED, PANEL_EVENTS, SKIPPED, STAGE_ENDED, STAGE_STARTED
from envmon.job.fold import fold
from envmon.job.model import Book, Job
from envmon.service.demo_person import PASSED, PATIENCE_S, Scene, next_wish
from envmon.shop.load import check_text
from envmon_sensors.scenario import DEMO_DAY, VISITS, Scenario, local_us

SHOP, _ = check_text(
    resources.files("envmon.service").joinpath("demo_shop.toml").read_text("utf-8"), "demo"
)
assert SHOP is not None
FLASH = {"from_s": 120.0, "to_s": 300.0, "sheet_from_s": 120.0, "sheet_to_s": 300.0, "factor": 1.0}
KINDS = {"start": STAGE_STARTED, "finish": STAGE_ENDED, "skip": SKIPPED, "close": "job_closed"}


@dataclass
class Obeying:
    """A watch that says yes to everything: acts become events, events the book."""

    bay: str
    bays_stages: list[str] = field(default_factory=list)
    book: Book = field(default_factory=Book)
    events: list[Event] = field(default_factory=list)

    def say(self, kind: str, data: dict[str, Any], at_us: int) -> None:
        event = Event(len(self.events) + 1, at_us, kind, self.bay, data, "")
        self.events.append(event)
        self.book = fold(self.book, [event])

    def obey(self, data: dict[str, Any], at_us: int) -> None:
        if data["act"] == "open":
            self.say(OPENED, opened(data), at_us)
            return
        job = self.book.in_bay(self.bay)
        assert job is not None
        more = {"job": job.id, **{k: v for k, v in data.items() if k != "act"}}
        if data["act"] == "start":
            more["stage"] = job.steps[data["step"]].stage
        if data["act"] == "apply":
            more["flash"] = FLASH
        self.say({**KINDS, **PANEL_EVENTS}[data["act"]], more, at_us)
        if data["act"] == "finish" and job.steps[data["step"]].stage == "coating":
            after = {"job": job.id, "step": data["step"] + 1, "stage": "early_cure"}
            self.say(STAGE_STARTED, after, at_us)


def opened(data: dict[str, Any]) -> dict[str, Any]:
    assert SHOP is not None
    procedure = next(p for p in SHOP.procedure if p.id == data["procedure"])
    body = next(b for b in SHOP.body if b.id == data["body"])
    return {
        "job": "260127-1",
        "procedure": procedure.id,
        "procedure_name": procedure.name,
        "body": body.name,
        "steps": [step.model_dump() for step in procedure.step],
        "panels": [{"id": f"p{i}", "name": name} for i, name in enumerate(body.panels)],
        "products": {},
        "limits": {},
        "in_flight": SHOP.bench.in_flight,
    }


def scene_at(bay: str, at_us: int) -> Scene:
    script = Scenario(1)
    vehicle = script.vehicle(bay, at_us)
    return Scene(script.stage(bay, at_us), vehicle.name if vehicle else None)


def worked(bay: str, begin: str, end: str) -> Obeying:
    """Let the person work from one time of the demo's day to another, looking every 5 s."""
    assert SHOP is not None
    watch = Obeying(bay)
    for at_us in range(local_us(DEMO_DAY, begin), local_us(DEMO_DAY, end), 5 * SECOND_US):
        job = watch.book.in_bay(bay)
        wish = next_wish(scene_at(bay, at_us), job, at_us, SHOP.bench)
        if wish is not None:
            watch.obey(wish.data, at_us)
    return watch


def only_job(watch: Obeying) -> Job:
    (job,) = watch.book.jobs.values()
    return job


@pytest.fixture(scope="module")
def motorcycle() -> Obeying:
    return worked("south", "07:00", "10:20")


def test_a_motorcycle_from_cold_to_hand_over(motorcycle: Obeying) -> None:
    job = only_job(motorcycle)
    assert job.procedure[0] == "short_coating"
    assert [step.status for step in job.steps] == ["done"] * 8
    assert job.closed_us is not None
    assert job.close_reason == ""
    assert not [event for event in motorcycle.events if event.kind == SKIPPED]


def test_every_panel_is_levelled_inside_its_flash_window(motorcycle: Obeying) -> None:
    for panel in only_job(motorcycle).panels:
        applied, levelled = panel.mark("applied"), panel.mark("levelled")
        assert applied is not None
        assert levelled is not None
        assert applied.flash is not None
        took_s = (levelled.at_us - applied.at_us) / SECOND_US
        assert applied.flash.from_s <= took_s <= applied.flash.to_s
        assert [mark.step for mark in panel.marks] == ["applied", "levelled", "wiped", "inspected"]


def test_two_panels_fly_and_never_three(motorcycle: Obeying) -> None:
    book, most = Book(), 0
    for event in motorcycle.events:
        book = fold(book, [event])
        flying = [p for job in book.jobs.values() for p in job.panels if p.in_flight]
        most = max(most, len(flying))
    assert most == 2


def test_two_hands_take_the_time_the_shop_file_says(motorcycle: Obeying) -> None:
    assert SHOP is not None
    marks = sorted(
        (mark.at_us, mark.step) for panel in only_job(motorcycle).panels for mark in panel.marks
    )
    takes = {"applied": SHOP.bench.apply, "levelled": SHOP.bench.level}
    for (before_us, _), (at_us, step) in pairwise(marks):
        assert (at_us - before_us) / SECOND_US >= takes.get(step, 0.0)


def test_the_coating_follows_the_script(motorcycle: Obeying) -> None:
    visit = next(visit for visit in VISITS if visit.vehicle.name == "motorcycle")
    coating = only_job(motorcycle).steps[5].runs[0]
    assert coating.to_us is not None
    assert abs(coating.from_us - local_us(DEMO_DAY, "08:50")) <= 4 * MINUTE_US
    assert coating.to_us - coating.from_us < 32 * MINUTE_US
    assert coating.to_us < local_us(DEMO_DAY, visit.leave)


def test_a_demo_begun_at_ten_skips_what_is_past_with_a_reason() -> None:
    job = only_job(worked("north", "09:58", "13:30"))
    assert [step.status for step in job.steps[:5]] == ["skipped"] * 5
    assert {step.skip_reason for step in job.steps[:5]} == {PASSED}
    assert [step.status for step in job.steps[5:9]] == ["done"] * 4
    assert all(panel.last is not None for panel in job.panels)
    assert job.steps[9].status == "active"
    coated = job.steps[7].runs[0]
    assert coated.to_us is not None  # still at it when the wash next door has made it too humid
    assert coated.to_us > local_us(DEMO_DAY, "11:40")


def test_past_its_panels_no_job_is_opened() -> None:
    assert worked("south", "09:58", "10:20").events == []


def test_a_refused_start_gets_a_reason_after_patience() -> None:
    assert SHOP is not None
    at_us = local_us(DEMO_DAY, "07:31")
    job = only_job(worked("south", "07:00", "07:20"))
    scene = Scene("foam", "motorcycle")
    at_first = next_wish(scene, job, at_us, SHOP.bench)
    later = next_wish(scene, job, at_us, SHOP.bench, PATIENCE_S)
    assert at_first is not None
    assert later is not None
    assert "reason" not in at_first.data
    assert later.data["reason"]


def test_a_vehicle_driven_out_closes_its_job() -> None:
    assert SHOP is not None
    job = only_job(worked("south", "07:00", "07:40"))
    wish = next_wish(Scene(None, None), job, local_us(DEMO_DAY, "07:41"), SHOP.bench)
    assert wish is not None
    assert wish.data["act"] == "close"
    assert wish.data["reason"]
