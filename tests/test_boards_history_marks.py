"""Marks of the history board: read once, never lost when they are too many to draw."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import MINUTE_US
from envmon.facts import NewEvent
from envmon.store.sqlite import SqliteStore
from envmon_boards.history_marks import MOST_MARKS, Mark, MarkBook, thinned
from tests.boards_support import NOW_US

if TYPE_CHECKING:
    from pathlib import Path

EVER = (0, NOW_US * 2)


def event(minute: int, kind: str, **data: object) -> NewEvent:
    return NewEvent(NOW_US + minute * MINUTE_US, kind, "north", dict(data))


def test_the_book_reads_every_event_once(tmp_path: Path) -> None:
    store, book = SqliteStore(tmp_path), MarkBook()
    store.add_events([event(0, "stage_started", stage="wash")])
    assert book.marks(store, "north", *EVER).stages == [Mark(NOW_US, None, "", "wash")]
    read: list[int] = []
    real = store.events

    def counted(after_seq: int = 0) -> object:
        read.append(after_seq)
        return real(after_seq)

    store.events = counted  # type: ignore[method-assign, assignment]
    store.add_events([event(9, "stage_started", stage="rinse")])
    stages = book.marks(store, "north", *EVER).stages
    assert [(m.stage, m.to_us) for m in stages] == [
        ("wash", NOW_US + 9 * MINUTE_US), ("rinse", None),
    ]  # fmt: skip
    assert read == [1]
    store.close()


def test_unknown_lasts_until_the_guard_can_tell_again(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    store.add_events([
        event(0, "stage_started", stage="cure"),
        event(0, "stage_fitness", stage="cure", fitness="unknown"),
        event(5, "stage_fitness", stage="cure", fitness="marginal"),
        event(7, "stage_fitness", stage="cure", fitness="unknown"),
        event(8, "stage_ended"),
    ])  # fmt: skip
    unknown = MarkBook().marks(store, "north", *EVER).unknown
    minutes = [((m.from_us - NOW_US) // MINUTE_US, (m.to_us or 0) - NOW_US) for m in unknown]
    assert minutes == [(0, 5 * MINUTE_US), (7, 8 * MINUTE_US)]
    store.close()


def test_a_clock_set_back_ends_nothing_before_it_began(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    store.add_events([
        event(0, "stage_started", stage="cure"),
        event(5, "alarm_raised", what="window", stage="cure"),
        event(-30, "alarm_cleared", what="window", stage="cure"),
        event(-29, "stage_ended"),
    ])  # fmt: skip
    marks = MarkBook().marks(store, "north", *EVER)
    assert all(m.to_us is not None and m.to_us >= m.from_us for m in marks.stages + marks.alarms)
    store.close()


def test_alarms_of_two_kinds_end_each_by_itself(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    store.add_events([
        event(0, "alarm_raised", what="window", stage="cure"),
        event(1, "alarm_raised", what="unknown", stage="cure"),
        event(2, "alarm_cleared", what="window", stage="cure"),
    ])  # fmt: skip
    alarms = MarkBook().marks(store, "north", *EVER).alarms
    assert [(a.what, a.to_us) for a in alarms] == [
        ("window", NOW_US + 2 * MINUTE_US), ("unknown", None),
    ]  # fmt: skip
    store.close()


@st.composite
def many_marks(draw: st.DrawFn) -> list[Mark]:
    count = draw(st.integers(MOST_MARKS - 2, MOST_MARKS + 60))
    seed = draw(st.randoms(use_true_random=False))
    marks, t_us = [], 0
    for _ in range(count):
        t_us += seed.randrange(50)
        what = seed.choice(["window", "unknown"])
        marks.append(Mark(t_us, t_us + seed.randrange(30), what, "cure"))
    return marks


@given(many_marks(), st.integers(1, 60))
def test_thinning_loses_no_alarm(marks: list[Mark], near_us: int) -> None:
    """The number of alarms stays, and each lies inside a mark of its kind."""
    kept = thinned(marks, near_us)
    assert sum(mark.many for mark in kept) == len(marks)
    for mark in marks:
        assert any(
            k.what == mark.what
            and k.from_us <= mark.from_us
            and (k.to_us or 0) >= (mark.to_us or 0)
            for k in kept
        )
    assert len(kept) <= len(marks)
    if len(marks) <= MOST_MARKS:
        assert kept == marks
