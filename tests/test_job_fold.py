"""Jobs from the events of the chain: order of steps, going back, undo, cure hours.

Times are counted by hand in the tests; the property tests hold the fold against a second count of
the same story, made second by second.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.facts import Event
from envmon.job import events as names
from envmon.job.fold import cure_at, fold
from envmon.job.model import Book, Break, Cure, Job
from tests.job_story import Story, us

if TYPE_CHECKING:
    from collections.abc import Callable


def statuses(job: Job) -> str:
    return " ".join(f"{step.stage}:{step.status}" for step in job.steps)


def minutes(span_us: int) -> float:
    return span_us / 60e6


def cure_of(story: Story, at_s: float) -> Cure:
    cure = story.job().cure
    assert cure is not None
    return cure_at(cure, us(at_s))


class TestSteps:
    def test_a_step_started_ends_the_one_before(self) -> None:
        story = Story()
        story.start(100, "wash")
        story.start(400, "drying")
        job = story.job()
        assert (job.current, job.following) == (1, 2)
        assert job.steps[0].status == "done"
        assert (job.steps[0].runs[0].from_us, job.steps[0].runs[0].to_us) == (us(100), us(400))
        assert job.steps[1].runs[0].to_us is None

    def test_ending_leaves_nothing_worked_and_the_next_to_come(self) -> None:
        story = Story()
        story.start(100, "wash")
        story.end(200, "wash")
        assert (story.job().current, story.job().following) == (None, 1)

    def test_before_the_first_step_the_first_follows(self) -> None:
        assert (Story().job().current, Story().job().following) == (None, 0)

    def test_after_the_last_step_none_follows(self) -> None:
        story = Story(stages=("wash", "drying"))
        story.through("drying")
        story.end(500, "drying")
        assert (story.job().current, story.job().following) == (None, None)

    def test_going_back_makes_what_came_after_to_be_done_again(self) -> None:
        story = Story(stages=("wash", "drying", "wipe", "coating"))
        story.through("wipe")
        story.start(900, "wash")
        job = story.job()
        assert statuses(job) == "wash:active drying:todo wipe:todo coating:todo"
        assert [len(step.runs) for step in job.steps] == [2, 1, 1, 0]
        assert job.steps[2].runs[0].to_us == us(900)

    def test_a_skipped_step_is_passed_over_and_says_why(self) -> None:
        story = Story()
        story.start(100, "wash")
        story.skip(150, "drying", "blown dry outside")
        job = story.job()
        assert (job.current, job.following) == (0, 2)
        assert job.steps[1].skip_reason == "blown dry outside"

    def test_a_step_skipped_ahead_does_not_hide_those_before_it(self) -> None:
        story = Story()
        story.start(100, "wash")
        story.skip(150, "wipe")
        assert story.job().following == 1
        story.start(200, "drying")
        assert story.job().steps[2].status == "skipped"
        assert story.job().following == 3

    def test_going_back_asks_again_for_what_was_skipped_after_it(self) -> None:
        story = Story()
        story.start(100, "wash")
        story.skip(150, "drying")
        story.start(200, "wipe")
        story.start(300, "wash")
        assert [step.status for step in story.job().steps[:3]] == ["active", "todo", "todo"]
        assert story.job().steps[1].skip_reason == ""

    def test_a_skipped_step_that_is_done_after_all_has_no_reason_left(self) -> None:
        story = Story()
        story.skip(100, "wash", "clean already")
        story.start(200, "wash")
        assert (story.job().steps[0].status, story.job().steps[0].skip_reason) == ("active", "")

    def test_skipping_the_step_being_worked_ends_its_run(self) -> None:
        story = Story()
        story.start(100, "wash")
        story.skip(160, "wash", "no water")
        job = story.job()
        assert (job.current, job.following) == (None, 1)
        assert job.steps[0].status == "skipped"
        assert job.steps[0].runs[-1].to_us == us(160)

    def test_guards_started_against_stand_in_the_run(self) -> None:
        story = Story()
        story.tell(50, names.STAGE_STARTED, step=0, stage="wash", against=["water cold"],
                   reason="boiler is out", by="ada")  # fmt: skip
        run = story.job().steps[0].runs[0]
        assert (run.against, run.reason, run.by) == (("water cold",), "boiler is out", "ada")


class TestPanels:
    def test_going_back_before_the_coating_clears_the_panels(self) -> None:
        story = Story()
        story.coated()
        assert story.job().cure is not None
        story.start(5_000, "wipe")
        assert [panel.marks for panel in story.job().panels] == [(), ()]
        assert story.job().cure is None

    def test_going_back_to_the_coating_itself_keeps_them(self) -> None:
        story = Story()
        story.coated()
        story.start(5_000, "early_cure")
        before = story.job().panels
        story.start(5_100, "coating")
        assert story.job().panels == before
        assert story.job().cure is not None

    def test_undo_takes_back_one_mark_and_nothing_else(self) -> None:
        story = Story()
        story.through("coating")
        story.apply(100, "bonnet")
        seq = story.level(300, "bonnet")
        story.apply(310, "roof")
        story.undo(320, "bonnet", seq)
        bonnet, roof = story.job().panels
        assert [mark.step for mark in bonnet.marks] == ["applied"]
        assert bonnet.in_flight
        assert [mark.step for mark in roof.marks] == ["applied"]

    def test_undo_of_something_not_there_changes_nothing(self) -> None:
        story = Story()
        story.through("coating")
        story.apply(100, "bonnet")
        before = story.job().panels
        story.undo(120, "bonnet", 9_999)
        story.undo(121, "no-such-panel", 1)
        assert story.job().panels == before

    def test_a_changed_list_keeps_the_marks_of_panels_that_stay(self) -> None:
        story = Story()
        story.through("coating")
        story.apply(100, "roof")
        story.tell(200, names.PANELS_CHANGED, panels=[
            {"id": "boot", "name": "Boot"}, {"id": "roof", "name": "Roof"},
        ])  # fmt: skip
        assert [(p.id, len(p.marks)) for p in story.job().panels] == [("boot", 0), ("roof", 1)]

    def test_flash_is_kept_as_it_was_worked_out_when_applied(self) -> None:
        story = Story()
        story.through("coating")
        story.apply(100, "roof")
        mark = story.job().panels[1].last
        assert mark is not None
        assert mark.flash == story.flash()
        assert mark.flash is not None
        assert (mark.flash.from_s, mark.flash.to_s) == (120, 300)


class TestCure:
    def test_it_counts_from_the_last_levelled_panel_whatever_is_wiped_after(self) -> None:
        story = Story()
        story.through("coating")
        story.window(90, "fit")
        for panel, at_s in (("roof", 400), ("bonnet", 300)):
            story.apply(at_s - 200, panel)
        story.level(300, "bonnet")
        assert story.job().cure is None
        story.level(400, "roof")
        story.wipe(500, "bonnet")
        story.inspect(600, "bonnet")
        cure = cure_of(story, 4_000)
        assert cure.since_us == us(400)
        assert minutes(cure.inside_us) == 60

    def test_a_panel_covered_again_ends_it_and_its_levelling_begins_it_anew(self) -> None:
        story = Story()
        story.coated()
        story.inspect(2_000, "roof", "high_spot")
        assert story.job().cure is not None
        story.apply(2_100, "roof")
        assert story.job().cure is None
        story.level(2_300, "roof")
        assert cure_of(story, 2_300).since_us == us(2_300)

    def test_hours_with_breaks_and_unknown_add_up(self) -> None:
        story = Story(panels=("Hull",))
        story.window(0, "fit")
        story.through("coating")
        story.apply(100, "hull")
        story.level(300, "hull")
        for minute, fitness in ((10, "marginal"), (20, "unfit"), (50, "unknown"), (60, "fit")):
            story.window(300 + minute * 60, fitness)
        cure = cure_of(story, 300 + 90 * 60)
        spans = (cure.inside_us, cure.outside_us, cure.unknown_us)
        assert [minutes(span) for span in spans] == [50, 30, 10]
        assert cure.breaks == (
            Break(us(300 + 1_200), us(300 + 3_000), "unfit"),
            Break(us(300 + 3_000), us(300 + 3_600), "unknown"),
        )

    def test_a_window_nobody_spoke_of_counts_as_unknown_from_the_first_second(self) -> None:
        story = Story(panels=("Hull",))
        story.through("coating")
        story.apply(100, "hull")
        story.level(300, "hull")
        cure = cure_of(story, 300 + 3_600)
        assert (cure.inside_us, minutes(cure.unknown_us)) == (0, 60)
        assert cure.breaks == (Break(us(300), None, "unknown"),)

    def test_a_verdict_of_the_same_moment_breaks_nothing(self) -> None:
        story = Story(panels=("Hull",))
        story.through("coating")
        story.apply(100, "hull")
        story.level(300, "hull")
        story.window(300, "fit")
        assert cure_of(story, 400).breaks == ()

    def test_an_undone_second_application_leaves_the_cure_with_all_its_past(self) -> None:
        story = Story(panels=("Hull",))
        story.window(0, "fit")
        story.through("coating")
        story.apply(100, "hull")
        story.level(300, "hull")
        story.window(900, "unknown")
        story.window(1_500, "fit")
        before = cure_of(story, 2_010)
        seq = story.apply(2_000, "hull")
        story.undo(2_010, "hull", seq)
        assert cure_of(story, 2_010) == before
        assert minutes(before.unknown_us) == 10

    def test_a_panel_taken_off_the_list_begins_it_at_the_last_of_the_others(self) -> None:
        story = Story()
        story.window(0, "fit")
        story.through("coating")
        story.apply(100, "roof")
        story.level(300, "roof")
        story.window(400, "unfit")
        story.tell(900, names.PANELS_CHANGED, panels=[{"id": "roof", "name": "Roof"}])
        cure = cure_of(story, 900)
        assert (cure.since_us, cure.inside_us, cure.outside_us) == (us(300), 100e6, 500e6)

    def test_a_verdict_found_late_counts_from_its_own_time(self) -> None:
        # After a restart the guard finds that readings grew stale while nobody listened.
        story = Story(panels=("Hull",))
        story.window(0, "fit")
        story.coated(100)
        story.tell(4_000, names.NOTED, text="lights were out")
        seq = story.apply(4_010, "hull")
        story.undo(4_020, "hull", seq)
        story.window(850, "unknown")
        cure = cure_of(story, 4_030)
        assert (cure.since_us, cure.inside_us) == (us(250), 600e6)
        assert cure.breaks == (Break(us(850), None, "unknown"),)

    def test_a_second_coat_begins_anew_on_every_panel(self) -> None:
        story = Story(stages=("coating", "drying", "coating"))
        story.tell(10, names.STAGE_STARTED, step=0, stage="coating")
        for n, panel in enumerate(("bonnet", "roof")):
            story.apply(100 + n, panel)
            story.level(300 + n, panel)
        story.tell(1_000, names.STAGE_STARTED, step=2, stage="coating")
        assert story.job().cure is None
        story.apply(1_100, "bonnet")
        story.level(1_300, "bonnet")
        assert story.job().cure is None
        story.apply(1_400, "roof")
        story.level(1_600, "roof")
        assert cure_of(story, 1_600).since_us == us(1_600)

    def test_a_second_coat_done_again_from_the_first_counts_from_its_newest_start(self) -> None:
        story = Story(stages=("coating", "drying", "coating"), panels=("Hull",))
        for at_s in (10, 2_010):
            story.tell(at_s, names.STAGE_STARTED, step=0, stage="coating")
            story.apply(at_s + 100, "hull")
            story.level(at_s + 300, "hull")
            story.tell(at_s + 900, names.STAGE_STARTED, step=2, stage="coating")
        assert story.job().coat_from_us == us(2_910)
        assert story.job().cure is None

    def test_closing_counts_up_to_then_and_ends_what_lasted(self) -> None:
        story = Story(panels=("Hull",))
        story.window(0, "fit")
        story.coated(100)
        story.start(500, "early_cure")
        story.window(850, "unfit")
        story.tell(1_450, names.CLOSED, reason="owner needs it")
        job = story.job()
        assert job.cure is not None
        assert (job.cure.inside_us, job.cure.outside_us) == (600e6, 600e6)
        assert job.cure.breaks == (Break(us(850), us(1_450), "unfit"),)
        assert (job.current, job.closed_us, job.close_reason) == (None, us(1_450), "owner needs it")
        assert story.book().in_bay("one") is None

    def test_the_window_of_another_bay_is_not_ours(self) -> None:
        story = Story()
        story.events.append(
            Event(2, us(5), names.CURE_FITNESS, "two", {"stage": "cure", "fitness": "fit"}, "")
        )
        assert story.job().window == "unknown"

    def test_a_clock_set_back_never_counts_time_twice(self) -> None:
        cure = Cure(us(100), us(900), inside_us=800_000_000, fitness="fit")
        assert cure_at(cure, us(500)) == cure


def test_what_stands_beside_the_work_is_kept() -> None:
    story = Story()
    story.tell(5, names.NOTED, text="scratch on the roof", by="ada")
    story.tell(6, names.BATCH_SET, product="coat", batch="B-17")
    story.tell(7, names.IN_FLIGHT_SET, in_flight=3)
    story.tell(8, names.ERASED, digest="00")
    job = story.job()
    assert [(note.at_us, note.text, note.by) for note in job.notes] == [
        (us(5), "scratch on the roof", "ada")
    ]
    assert job.products["coat"] == {**story.coat, "batch": "B-17"}
    assert (job.in_flight, job.erased, job.seq) == (3, True, 5)


def test_others_are_passed_over_and_the_book_given_stays_as_it_was() -> None:
    story = Story()
    before = story.book()
    kept = msgspec.json.encode(before)
    alarm = Event(2, us(5), "alarm_raised", "one", {"job": "260127-1"}, "")
    refused = Event(3, us(6), names.REFUSED, "one", {"job": "260127-1", "why": "no"}, "")
    assert fold(before, [alarm, refused]) == before
    story.start(100, "wash")
    assert fold(before, story.events[1:]) == story.book() != before
    assert msgspec.json.encode(before) == kept


# Any story a watch may write: an act is told only where it can be.
_PANELS = ("bonnet", "roof", "boot")
_ACT = st.tuples(
    st.integers(0, 900),
    st.sampled_from(["apply", "level", "wipe", "undo", "window", "start", "skip", "end"]),
    st.integers(0, 2),
    st.sampled_from(["fit", "marginal", "unfit", "unknown"]),
    st.integers(0, 6),
)


def _tell(story: Story, act: tuple[int, str, int, str, int], at_s: float) -> None:
    _, what, number, fitness, step = act
    panel = _PANELS[number]
    last = story.job().panels[number].last
    stage = story.stages[step]
    told: dict[str, Callable[[], int]] = {
        "apply": lambda: story.apply(at_s, panel),
        "level": lambda: story.level(at_s, panel),
        "wipe": lambda: story.wipe(at_s, panel),
        "window": lambda: story.window(at_s, fitness),
        "start": lambda: story.start(at_s, stage),
        "skip": lambda: story.skip(at_s, stage),
        "end": lambda: story.end(at_s, stage),
    }
    if what != "undo":
        told[what]()
    elif last is not None:
        story.undo(at_s, panel, last.seq)


@st.composite
def stories(draw: st.DrawFn) -> Story:
    story, at_s = Story(panels=("Bonnet", "Roof", "Boot")), 0
    for act in draw(st.lists(_ACT, max_size=40)):
        at_s += act[0]
        _tell(story, act, at_s)
    return story


@settings(max_examples=150, deadline=None)
@given(stories(), st.lists(st.integers(0, 41), max_size=6))
def test_folding_in_pieces_equals_folding_at_once(story: Story, cuts: list[int]) -> None:
    book, last = Book(), 0
    for cut in [*sorted(cuts), len(story.events)]:
        book = fold(book, story.events[last:cut])
        book = msgspec.json.decode(msgspec.json.encode(book), type=Book)
        last = max(last, cut)
    assert book == story.book()


@settings(max_examples=150, deadline=None)
@given(stories(), st.integers(0, 5_000))
def test_cure_hours_equal_a_count_second_by_second(story: Story, more_s: int) -> None:
    job = story.job()
    end_us = story.events[-1].at_us + more_s * 1_000_000
    since_us = _levelled_us(job)
    if since_us is None:
        assert job.cure is None
        return
    assert job.cure is not None
    cure = cure_at(job.cure, end_us)
    spans = _by_seconds(story.events, since_us, end_us)
    assert cure.since_us == since_us
    assert cure.inside_us == (spans["fit"] + spans["marginal"]) * 1_000_000
    assert cure.outside_us == spans["unfit"] * 1_000_000
    assert cure.unknown_us == spans["unknown"] * 1_000_000
    broken = sum((gone.to_us or end_us) - gone.from_us for gone in cure.breaks)
    assert broken == cure.outside_us + cure.unknown_us


def _levelled_us(job: Job) -> int | None:
    """Return when the last panel was levelled, if all are and none waits to be."""
    times = []
    for panel in job.panels:
        levelled = [mark.at_us for mark in panel.marks if mark.step == "levelled"]
        if not levelled or panel.marks[-1].step == "applied":
            return None
        times.append(levelled[-1])
    return max(times)


def _by_seconds(events: list[Event], since_us: int, end_us: int) -> dict[str, int]:
    spans = dict.fromkeys(("fit", "marginal", "unfit", "unknown"), 0)
    told = [(e.at_us, e.data["fitness"]) for e in events if e.kind == names.CURE_FITNESS]
    for at_us in range(since_us, end_us, 1_000_000):
        spans[next((f for t_us, f in reversed(told) if t_us <= at_us), "unknown")] += 1
    return spans


@pytest.mark.parametrize("fitness", ["unfit", "unknown"])
def test_what_is_not_known_to_be_inside_never_counts_as_inside(fitness: str) -> None:
    story = Story(panels=("Hull",))
    story.window(0, fitness)
    story.coated(100)
    assert cure_of(story, 90_000).inside_us == 0
