"""The desk: what people ask of a job becomes events of the chain, or is refused with its reason.

What is expected comes from the trade's order of work (common practice: dry and wiped before a
coating, every panel levelled before it cures) and from rule 5 of the design (ours).
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from envmon.facts import NewEvent
from envmon.job import events as names
from envmon.job.events import ACTS
from envmon.service.job import desk as job_desk
from envmon.service.job import publishing as job_publishing
from envmon.service.job.book import after, book_from, ledger_from
from envmon.store.chain import first_break
from tests.job_support import JobHand

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.facts import Event
    from envmon.service.job.book import Ledger


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[JobHand]:
    """A watch whose bay one has been in every window for long enough to start anything."""
    made = JobHand(tmp_path)
    made.go(1200)
    yield made
    made.store.close()


def opened(hand: JobHand, **more: Any) -> str:
    (event,) = hand.ask("open", procedure="coat", body="trike", **more)
    assert event.kind == names.OPENED
    return str(event.data["job"])


def coating(hand: JobHand) -> None:
    """Open a job and come to its coating."""
    opened(hand)
    for step in (0, 1):
        hand.ask("start", step=step)
        hand.go(60)
        hand.ask("finish", step=step)
    hand.go(700)
    (started,) = hand.ask("start", step=2)
    assert started.kind == names.STAGE_STARTED


def levelled(hand: JobHand) -> None:
    """Come to where every panel is levelled."""
    coating(hand)
    for panel in hand.job().panels:
        hand.ask("apply", panel=panel.id)
        hand.go(150)
        hand.ask("level", panel=panel.id)


def refusal(events: list[Event]) -> dict[str, Any]:
    (event,) = events
    assert event.kind == names.REFUSED
    return event.data


def test_a_job_takes_down_what_holds_when_it_is_opened(hand: JobHand) -> None:
    (event,) = hand.ask(
        "open", procedure="coat", body="trike", batches={"hard_coat": "B7"}, by="Ada"
    )
    data = event.data
    assert data["job"] == "260127-1"  # 2026-01-27 in Oslo
    assert [step["stage"] for step in data["steps"]][:2] == ["polish", "wipe"]
    assert data["panels"][1] == {"id": "seat-cowl", "name": "Seat cowl"}
    coat = data["products"]["hard_coat"]
    assert (coat["batch"], coat["flash"], coat["sheet"]) == ("B7", [120.0, 300.0], "2025-06-01")
    assert coat["rain_safe"] == 3_600
    held = {limit["quantity"]: limit for limit in data["limits"]["coating"]}
    assert held["air_temp_c"] == {
        "quantity": "air_temp_c", "low": 16.0, "high": 28.0,
        "source": "Hard coat data sheet, edition 3",
    }  # fmt: skip
    assert held["dew_margin_k"]["high"] is None
    assert hand.job().by == "Ada"


def test_ids_count_up_within_the_local_day(hand: JobHand) -> None:
    assert opened(hand) == "260127-1"
    hand.ask("close", reason="only a try")
    assert opened(hand) == "260127-2"
    (other,) = hand.ask("open", bay="two", procedure="coat", panels=[{"name": "Roof"}])
    assert other.data["job"] == "260127-3"
    hand.ask("close", reason="only a try")
    hand.go(15 * 3600, every_s=600)  # past midnight in Oslo, before midnight UTC
    assert opened(hand) == "260128-1"


def test_a_second_job_in_a_bay_is_a_conflict_that_says_who_was_first(hand: JobHand) -> None:
    opened(hand, by="Ada")
    said = refusal(hand.ask("open", procedure="coat", body="trike"))
    assert said["conflict"]
    assert "260127-1 was opened here already at 09:20 by Ada" in said["why"]


def test_a_hindrance_refuses_and_a_typed_reason_goes_on_and_is_kept(hand: JobHand) -> None:
    opened(hand)
    hand.ask("start", step=0)
    said = refusal(hand.ask("start", step=2))
    assert not said["conflict"]
    assert "Not done: Solvent wipe" in [each["text"] for each in said["hindrances"]]
    assert refusal(hand.ask("start", step=2, reason="ok"))["hindrances"], "three characters"
    (event,) = hand.ask("start", step=2, reason="wiped before it came in", by="Ada")
    assert event.kind == names.STAGE_STARTED
    assert "Not done: Solvent wipe" in event.data["against"]
    run = hand.job().steps[2].runs[-1]
    assert (run.reason, run.by) == ("wiped before it came in", "Ada")
    assert hand.watch.state.bays["one"].stage == "coating"


def test_a_wipe_must_flash_off_before_the_coating(hand: JobHand) -> None:
    opened(hand)
    hand.go(700)
    for step in (0, 1):
        hand.ask("start", step=step)
        hand.go(60)
        hand.ask("finish", step=step)
    said = refusal(hand.ask("start", step=2))
    assert any("flashes off" in each["text"] for each in said["hindrances"])
    hand.go(121)  # its sheet: 120 s
    (event,) = hand.ask("start", step=2)
    assert event.kind == names.STAGE_STARTED
    assert event.data["against"] == []


def test_a_panel_carries_its_flash_window_and_what_it_follows_from(hand: JobHand) -> None:
    coating(hand)
    hand.air(temp_c=20, panel_c=20)
    (event,) = hand.ask("apply", panel="tank")
    flash, conditions = event.data["flash"], event.data["conditions"]
    assert (flash["from_s"], flash["to_s"], flash["factor"]) == (120, 300, 1)
    assert (conditions["air_temp_c"], conditions["panel_temp_c"]) == (20.0, 20.0)
    mark = hand.job().panels[0].last
    assert mark is not None
    assert mark.flash is not None
    assert mark.flash.to_s == 300


def test_two_who_level_the_same_panel_make_one_mark_and_a_conflict(hand: JobHand) -> None:
    coating(hand)
    hand.ask("apply", panel="tank")
    hand.go(150)
    first = hand.store.ask("job_act", "one", {"act": "level", "panel": "tank", "by": "Ada"},
                           hand.clock.at_us)  # fmt: skip
    said = refusal(hand.ask("level", panel="tank", by="Bo"))  # both in the same turn
    assert said["conflict"]
    assert said["why"].startswith("Tank was levelled already at ")
    assert said["why"].endswith(" by Ada")
    marks = [e for e in hand.store.events() if e.kind == names.LEVELLED]
    assert [event.data["ask"] for event in marks] == [first]


def test_undo_takes_back_a_mark_once_and_only_the_last_on_its_panel(hand: JobHand) -> None:
    coating(hand)
    (apply_,) = hand.ask("apply", panel="tank")
    (level,) = hand.ask("level", panel="tank")
    assert refusal(hand.ask("undo", seq=apply_.seq))["conflict"]
    (undone,) = hand.ask("undo", seq=level.seq)
    assert (undone.data["undoes"], undone.data["undone_kind"]) == (level.seq, names.LEVELLED)
    assert refusal(hand.ask("undo", seq=level.seq))["conflict"]
    assert hand.job().panels[0].in_flight
    (undone,) = hand.ask("undo")  # the newest there is
    assert undone.data["undoes"] == apply_.seq
    assert "nothing to undo" in refusal(hand.ask("undo"))["why"]


def test_the_end_of_the_coating_begins_early_cure_at_once(hand: JobHand) -> None:
    levelled(hand)
    ended, started = hand.ask("finish", step=2)
    assert (ended.kind, started.kind) == (names.STAGE_ENDED, names.STAGE_STARTED)
    assert ended.at_us == started.at_us
    assert (started.data["stage"], started.data["step"]) == ("early_cure", 3)
    job = hand.job()
    assert job.current == 3
    assert job.cure is not None
    last = job.panels[-1].mark("levelled")
    assert last is not None
    assert job.cure.since_us == last.at_us


def test_a_coating_with_a_panel_not_levelled_is_not_finished_without_a_reason(
    hand: JobHand,
) -> None:
    coating(hand)
    hand.ask("apply", panel="tank")
    said = refusal(hand.ask("finish", step=2))
    assert "not levelled yet: Tank, Seat cowl, Fairing" in said["why"]
    ended, _ = hand.ask("finish", step=2, reason="two panels are only polished")
    assert ended.data["reason"] == "two panels are only polished"


def test_going_back_before_the_coating_clears_the_panels(hand: JobHand) -> None:
    levelled(hand)
    (event,) = hand.ask("start", step=0, reason="high spots all over")
    assert event.kind == names.STAGE_STARTED
    job = hand.job()
    assert job.current == 0
    assert all(not panel.marks for panel in job.panels)
    assert job.cure is None


def test_a_step_is_skipped_with_a_reason_and_an_active_one_ends_for_the_guard(
    hand: JobHand,
) -> None:
    opened(hand)
    assert "reason" in refusal(hand.ask("skip", step=0))["why"]
    hand.ask("start", step=0)
    kinds = [event.kind for event in hand.ask("skip", step=0, reason="paint is new")]
    assert kinds == [names.STAGE_ENDED, names.SKIPPED]
    assert hand.watch.state.bays["one"].stage is None
    assert hand.job().steps[0].skip_reason == "paint is new"
    assert refusal(hand.ask("skip", step=0, reason="again"))["conflict"]


def test_what_a_device_saw_too_long_ago_is_a_conflict(hand: JobHand) -> None:
    opened(hand)
    hand.ask("start", step=0, by="Ada")
    said = refusal(hand.ask("start", step=0))
    assert said["conflict"]
    assert said["why"].startswith("Polishing was started already at 09:20 by Ada")
    hand.ask("finish", step=0)
    assert refusal(hand.ask("finish", step=0))["conflict"]
    # A device that still shows the step as to do would go back by mistake.
    assert refusal(hand.ask("start", step=0, seen="todo"))["conflict"]
    (event,) = hand.ask("start", step=0, seen="done")
    assert event.kind == names.STAGE_STARTED


def test_a_job_is_handed_over_when_all_is_done_and_else_with_a_reason(hand: JobHand) -> None:
    levelled(hand)
    hand.ask("finish", step=2)
    assert "not done yet: Early cure" in refusal(hand.ask("close"))["why"]
    for step in (3, 4):
        hand.ask("skip", step=step, reason="customer is waiting")
    hand.ask("start", step=5, reason="cures at the customer's")
    ended, closed = hand.ask("close")
    assert (ended.kind, closed.kind) == (names.STAGE_ENDED, names.CLOSED)
    assert hand.watch.desk.book.in_bay("one") is None
    assert hand.watch.state.bays["one"].stage is None
    assert hand.retained("envmon/one/job")["last_job"] == "260127-1"
    job = book_from(hand.store).jobs["260127-1"]
    assert job.closed_us == closed.at_us


def test_notes_batches_panels_and_number_in_flight(hand: JobHand) -> None:
    opened(hand)
    hand.ask("note", text="scratch on the tank", by="Ada")
    hand.ask("batch", product="hard_coat", batch="C 12")
    hand.ask("in_flight", in_flight=3)
    (event,) = hand.ask(
        "panels", panels=[{"id": "tank", "name": "Fuel tank"}, {"name": "Tank"}, {"name": "Fork"}]
    )
    assert [panel["id"] for panel in event.data["panels"]] == ["tank", "tank-2", "fork"]
    job = hand.job()
    assert job.notes[0].text == "scratch on the tank"
    assert job.products["hard_coat"]["batch"] == "C 12"
    assert job.in_flight == 3
    assert [panel.name for panel in job.panels] == ["Fuel tank", "Tank", "Fork"]


def test_a_panel_that_was_worked_cannot_be_left_out(hand: JobHand) -> None:
    coating(hand)
    hand.ask("apply", panel="tank")
    said = refusal(hand.ask("panels", panels=[{"id": "fairing", "name": "Fairing"}]))
    assert "Tank was worked already" in said["why"]


def test_without_a_job_the_stage_is_worked_as_before_and_with_one_it_is_refused(
    hand: JobHand,
) -> None:
    hand.store.ask("stage_started", "one", {"stage": "polish"}, hand.clock.at_us)
    hand.look_now()
    hand.go(20)
    assert hand.watch.state.bays["one"].stage == "polish"
    ended, opened_ = hand.ask("open", procedure="coat", body="trike")
    assert (ended.kind, opened_.kind) == (names.STAGE_ENDED, names.OPENED)
    assert hand.watch.state.bays["one"].stage is None
    hand.store.ask("stage_started", "one", {"stage": "wash"}, hand.clock.at_us)
    hand.look_now()
    hand.go(20)
    assert hand.watch.state.bays["one"].stage is None
    assert "/bench/one" in hand.retained("envmon/one/job")["refused"]
    assert hand.store.requests() == []


def test_the_reference_stands_apart_and_leaves_no_trace_when_erased(hand: JobHand) -> None:
    text = "AB 123 CD, grey estate"
    job = opened(hand, reference=text)
    kept = hand.store.reference(job)
    assert kept is not None
    assert kept.text == text
    digest = hand.job().reference_digest
    # FIPS 180-4 by the standard library, over salt and text.
    assert digest == hashlib.sha256((kept.salt + text).encode()).hexdigest()
    assert all(text not in str(event.data) for event in hand.store.events())
    files = [hand.store.path, hand.store.path.with_name(hand.store.path.name + "-wal")]
    assert any(text.encode() in file.read_bytes() for file in files)
    (erased,) = hand.ask("erase", job=job)
    assert erased.data["digest"] == digest
    assert hand.store.reference(job) is None
    assert hand.job().erased
    assert not any(text.encode() in file.read_bytes() for file in files if file.exists())
    assert first_break(hand.store.events()) is None
    assert "erased already" in refusal(hand.ask("erase", job=job))["why"]


def test_a_batch_of_a_product_that_is_not_used_is_refused(hand: JobHand) -> None:
    """Dropped in silence, a number typed for the wrong product would be missing on the record."""
    said = refusal(hand.ask("open", procedure="coat", body="trike", batches={"soft_coat": "B7"}))
    assert said["why"].startswith("batch is of product 'soft_coat'; allowed: ")
    assert "hard_coat" in said["why"]


def test_a_closed_job_can_have_a_record_made_and_its_reference_erased(hand: JobHand) -> None:
    job = opened(hand, reference="grey estate")
    hand.ask("close", reason="only a try")
    (event,) = hand.ask("record", job=job, digest="ab" * 32, form="pdf")
    assert event.kind == names.RECORD_MADE
    assert refusal(hand.ask("record", job=job, digest="no", form="pdf"))["why"]
    (event,) = hand.ask("erase", job=job)
    assert event.kind == names.ERASED
    assert book_from(hand.store).jobs[job].erased


WRONG: dict[str, dict[str, Any]] = {
    "open": {"procedure": "none"}, "start": {"step": 99}, "finish": {"step": "x"},
    "skip": {"step": 0, "reason": 5}, "apply": {"panel": "wing"}, "level": {"panel": "tank"},
    "wipe": {}, "inspect": {"panel": "tank", "result": "fine"}, "undo": {"seq": -1},
    "note": {"text": " "}, "panels": {"panels": []}, "batch": {"product": "x", "batch": ""},
    "in_flight": {"in_flight": 9}, "close": {}, "record": {"job": "x"}, "erase": {"job": "x"},
    "paint": {},
}  # fmt: skip


def test_whatever_is_wrong_is_refused_in_words_and_changes_nothing(hand: JobHand) -> None:
    assert WRONG.keys() >= ACTS
    opened(hand)
    before = hand.watch.desk.book
    for act, data in WRONG.items():
        said = refusal(hand.ask(act, **data))
        assert said["why"]
        assert "internal" not in said["why"], act
    assert hand.watch.desk.book == before


def test_every_act_needs_a_job_but_the_first(tmp_path: Path) -> None:
    hand = JobHand(tmp_path)
    for act in ACTS - {"open", "record", "erase"}:
        assert "no job is open in Bay one" in refusal(hand.ask(act))["why"]
    hand.store.close()


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-3, 70) | st.text(max_size=5) | st.floats(-9, 9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["step", "panel", "seq", "reason", "text", "panels", "product", "batch", "in_flight", "by",
     "procedure", "body", "reference", "batches", "result", "job", "digest", "form", "seen"]
)  # fmt: skip


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.sampled_from(sorted(ACTS)), st.dictionaries(KEYS, JSON)), max_size=12))
def test_nonsense_stops_nothing_and_a_new_watch_knows_the_same(
    tmp_path_factory: pytest.TempPathFactory, acts: list[tuple[str, dict[str, Any]]]
) -> None:
    hand = JobHand(tmp_path_factory.mktemp("nonsense"))
    hand.air()
    opened(hand)
    hand.ask("start", step=2, reason="straight to it")
    for act, data in acts:
        found = hand.ask(act, **data)
        assert found, act
        assert "internal" not in str(found[-1].data.get("why", "")), found[-1].data
    assert ledger_from(hand.store) == hand.watch.desk.ledger
    assert hand.store.requests() == []
    hand.store.close()


def test_a_fault_in_what_an_act_becomes_costs_this_act_alone(
    hand: JobHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(hand)
    before = hand.watch.desk.ledger
    with monkeypatch.context() as broken:
        broken.setattr(job_desk, "outcome_of", lambda _: 1 / 0)
        assert "internal error" in refusal(hand.ask("start", step=0))["why"]
    with monkeypatch.context() as broken:
        # Written, and only then found to be impossible: it must not stay in the chain.
        broken.setattr(job_desk, "after", _fails_on_notes)
        assert "internal error" in refusal(hand.ask("note", text="gone"))["why"]
    assert not any(event.kind == names.NOTED for event in hand.store.events())
    assert hand.watch.desk.book == before.book
    assert first_break(hand.store.events()) is None


def _fails_on_notes(ledger: Ledger, events: list[Event]) -> Ledger:
    if any(event.kind == names.NOTED for event in events):
        raise KeyError("text")
    return after(ledger, events)


def test_an_event_that_cannot_be_read_keeps_no_watch_from_starting(hand: JobHand) -> None:
    job = opened(hand)
    wrong = {"job": job, "panel": "tank", "flash": {"from_s": "soon"}}
    hand.store.add_events([NewEvent(hand.clock.at_us, names.APPLIED, "one", wrong)])
    hand.store.close()
    again = JobHand(hand.folder)
    assert again.job().id == job
    again.at_s = hand.at_s + 1
    (event,) = again.ask("note", text="it goes on")
    assert event.kind == names.NOTED
    again.store.close()


def test_a_fault_in_what_is_shown_of_a_job_stops_nothing(
    hand: JobHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job_publishing, "describe_job", lambda *_: 1 / 0)
    opened(hand)
    before_us = hand.watch.state.now_us
    hand.go(60)
    assert hand.watch.state.now_us >= before_us + 60_000_000
    assert hand.watch.state.bays["one"].stages["polish"].fitness == "fit"
    hand.store.ask("stage_started", "two", {"stage": "wash"}, hand.clock.at_us)
    hand.look_now()
    hand.go(20)
    assert hand.watch.state.bays["two"].stage == "wash"
