"""The live state of a bay's work, and that looking never changes what is looked at."""

from __future__ import annotations

from typing import Any

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import iso_from_us
from envmon.guard.live import Condition
from envmon.job.bodies import BODIES
from envmon.job.describe import Extra, describe_job
from envmon.job.guards import hindrances
from envmon.job.live import BenchState, JobState, NoteState, UndoState
from envmon.job.propose import propose
from envmon.shop.work import BenchInfo
from tests.job_story import Story, stage_state, us, view
from tests.test_job_fold import stories

BENCH = BenchInfo()


def shown(story: Story, at_s: float, *stages: Any, **more: Any) -> JobState:
    state = describe_job(story.job(), view(*stages, **more), us(at_s), BENCH)
    assert state.job is not None
    return state.job


def test_a_bay_without_a_job() -> None:
    extra = Extra("260126-2", "no such panel", us(20))
    assert describe_job(None, view(), us(30), BENCH, extra) == BenchState(
        "one", iso_from_us(us(30)), None, "260126-2", "no such panel", iso_from_us(us(20))
    )
    assert describe_job(None, view(), us(30), BENCH).refused_at is None


def test_steps_with_their_names_products_times_and_reasons() -> None:
    story = Story()
    story.tell(100, "stage_started", step=0, stage="wash", against=["water cold"],
               reason="boiler is out")  # fmt: skip
    story.skip(150, "drying", "blown dry")
    story.start(200, "wipe")
    wash, drying, wipe, coating, *_ = shown(story, 300).steps
    assert (wash.name, wash.status, wash.against, wash.reason) == (
        "Contact wash", "done", ("water cold",), "boiler is out",
    )  # fmt: skip
    assert (wash.started_at, wash.ended_at) == (iso_from_us(us(100)), iso_from_us(us(200)))
    assert (drying.status, drying.skip_reason, drying.started_at) == ("skipped", "blown dry", None)
    assert (wipe.status, wipe.ended_at) == ("active", None)
    assert (coating.product, coating.index) == ("Test coat", 3)


def test_hindrances_and_next_act_are_those_of_their_own_rooms() -> None:
    story = Story()
    story.through("wipe")
    seen = view(stage_state("coating", "unfit", text="humidity 70 %, needs 35–60 %"))
    state = describe_job(story.job(), seen, us(100), BENCH).job
    assert state is not None
    assert state.hindrances == hindrances(story.job(), 3, seen, us(100))
    assert [one.kind for one in state.hindrances] == ["order", "fitness"]
    assert state.next == propose(story.job(), seen, us(100), BENCH)
    assert (state.current, state.following) == (2, 3)


def test_flying_undo_notes_and_products() -> None:
    story = Story(in_flight=3)
    story.through("coating")
    story.apply(100, "bonnet")
    seq = story.apply(200, "roof")
    for n in range(5):
        story.tell(300 + n, "job_note", text=f"note {n}", by="ada")
    story.tell(310, "product_batch", product="coat", batch="B-17")
    state = shown(story, 320)
    assert (state.flying, state.in_flight, state.version) == (2, 3, len(story.events))
    assert state.undo == UndoState(seq, "Roof applied")
    assert state.notes[0] == NoteState(iso_from_us(us(304)), "note 4", "ada")
    assert [note.text for note in state.notes] == ["note 4", "note 3", "note 2"]
    assert state.products == ("Test coat · B-17",)
    story.undo(330, "roof", seq)
    assert shown(story, 340).undo == UndoState(seq - 1, "Bonnet applied")


def test_undo_takes_the_newest_mark_wherever_its_panel_stands_in_the_list() -> None:
    story = Story()
    story.through("coating")
    story.apply(100, "roof")
    seq = story.apply(200, "bonnet")
    assert shown(story, 210).undo == UndoState(seq, "Bonnet applied")


def test_nothing_to_undo() -> None:
    assert shown(Story(), 10).undo is None
    closed = Story()
    closed.coated(1_000)
    closed.tell(2_000, "job_closed", reason="")
    assert shown(closed, 2_010).undo is None


def test_the_cure_says_what_is_wrong_now_and_that_the_panel_is_nearly_wet() -> None:
    story = Story()
    story.window(0, "fit")
    story.coated(1_000)
    story.start(2_000, "early_cure")
    story.window(2_600, "unfit")
    cold = stage_state("early_cure", "unfit", text="air 12.1 °C, needs 15–25 °C: heat")
    state = shown(story, 3_000, cold)
    assert state.cure is not None
    assert state.cure.text.startswith("OUT OF WINDOW since 09:43: air 12.1 °C, needs 15–25 °C")
    seen = view(cold)
    wet = {**seen.bay.conditions, "dew_margin_k": Condition(0.4, "good", None, (), "0.4 K")}
    bay = msgspec.structs.replace(seen.bay, conditions=wet)
    found = describe_job(story.job(), seen._replace(bay=bay), us(3_000), BENCH).job
    assert found is not None
    assert found.cure is not None
    assert found.cure.text.startswith("Close to wet: panel 0.4 K above dew point. OUT OF WINDOW")


@settings(max_examples=100, deadline=None)
@given(stories(), st.integers(0, 100_000), st.sampled_from(["metric", "us"]))
def test_any_story_can_be_shown_at_any_time_and_is_not_changed_by_it(
    story: Story, later_s: int, units: Any
) -> None:
    job = story.job()
    before, now_us = msgspec.json.encode(job), story.events[-1].at_us + later_s * 1_000_000
    state = describe_job(job, view(units=units), now_us, BENCH)
    assert msgspec.json.decode(msgspec.json.encode(state), type=BenchState) == state
    assert describe_job(job, view(units=units), now_us, BENCH) == state
    assert msgspec.json.encode(job) == before
    assert state.job is not None
    waits = [one.phase for one in state.job.panels if one.phase in {"flashing", "due", "overdue"}]
    assert state.job.flying == len(waits)
    assert (state.job.cure is None) == (job.cure is None)
    if "overdue" in waits:
        assert (state.job.next.act, state.job.next.urgent) == ("level", True)


def test_every_built_in_body_can_be_worked_from_end_to_end() -> None:
    for body in BODIES.values():
        story = Story(panels=[panel.name for panel in body.panels])
        story.window(0, "fit")
        story.coated(1_000)
        state = shown(story, 90_000)
        assert {panel.phase for panel in state.panels} == {"done"}
        assert state.cure is not None
