"""The watch's own troubles: told once, over once, through restarts and disks that fail.

Delays and limits: envmon's own (``troubles.py`` says why). CLOCK_BOOTTIME: clock_gettime(2).
A disk that fills up is a real one, small.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import SECOND_US
from envmon.facts import NewEvent
from envmon.guard.alarm_acts import TROUBLE_BEGAN, TROUBLE_OVER
from envmon.service.trouble_senses import (
    NOTICE_WORD,
    Senses,
    Told,
    notice_word,
    room_of,
    wall_lead_us,
)
from envmon.service.troubles import CLOCK_STANDS_S, DELAYS_S, Room, Seen, Troubles, standing
from envmon.store.sqlite import SqliteStore
from tests.faults_support import fill_up, small_disk
from tests.guard_support import START_US

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

GB = 1_000_000_000
WELL = Seen(START_US, 0.0, 0, True, "", "", Room(50 * GB, 100 * GB), "", "", 0)  # noqa: FBT003
TOLD = Told(True, "", "", "", 0)  # noqa: FBT003
Say = tuple[str, str]


class Desk:
    """Troubles with a chain beside them, and a clock that moves when told."""

    def __init__(self, chain: Sequence[NewEvent] = ()) -> None:
        self.chain = list(chain)
        self.real_s = 0.0
        self.troubles = Troubles((), 0)

    def look(self, at_s: float, *, writes: bool = True, **seen: Any) -> list[Say]:
        """Look at a time; return (kind, what) of what was offered."""
        self.real_s = at_s
        now_us = START_US + round(at_s * SECOND_US)
        offered = self.troubles.look(WELL._replace(at_us=now_us, real_s=at_s, **seen))
        if writes:
            self.chain += offered
            self.troubles.kept(offered)
        return [(event.kind, event.data["what"]) for event in offered]

    def said(self) -> list[Say]:
        return [(event.kind, event.data["what"]) for event in self.chain]


def test_a_well_watch_says_nothing() -> None:
    desk = Desk()
    assert not any(desk.look(at_s) for at_s in range(100))


def test_broker_is_told_after_half_a_minute_with_since_when_and_why() -> None:
    desk = Desk()
    away: dict[str, Any] = {"link_up": False, "link_error": "cannot reach 127.0.0.1:1883: refused"}
    assert [desk.look(at_s, **away) for at_s in (5, 20, 34.9)] == [[], [], []]
    assert desk.look(35, **away) == [(TROUBLE_BEGAN, "broker")]
    assert desk.look(36, **away) == []
    text = desk.chain[0].data["text"]
    assert "2026-01-27T08:00:05.000Z" in text
    assert text.endswith("cannot reach 127.0.0.1:1883: refused")
    assert desk.chain[0].at_us == START_US + 35 * SECOND_US


def test_broker_that_comes_for_a_moment_is_not_back() -> None:
    desk = Desk()
    desk.look(0, link_up=False)
    desk.look(30, link_up=False)
    assert [desk.look(31), desk.look(40.9)] == [[], []]
    assert desk.look(40.95, link_up=False) == []
    assert [desk.look(41), desk.look(50.9)] == [[], []]
    assert desk.look(51) == [(TROUBLE_OVER, "broker")]
    assert desk.chain[-1].data == {"what": "broker"}


@pytest.mark.parametrize(
    ("free", "size", "begins"),
    [(1.0 * GB, 500 * GB, False), (0.99 * GB, 500 * GB, True),
     (0.41 * GB, 4 * GB, False), (0.39 * GB, 4 * GB, True), (0, 4 * GB, True)],
)  # fmt: skip
def test_disk_is_nearly_full_by_bytes_and_a_small_one_by_part(
    free: float,
    size: float,
    begins: bool,  # noqa: FBT001
) -> None:
    found = Desk().look(0, room=Room(round(free), round(size)))
    assert found == ([(TROUBLE_BEGAN, "disk")] if begins else [])


def test_disk_resting_on_its_limit_is_told_once() -> None:
    desk = Desk()
    for at_s in range(0, 1000, 10):
        desk.look(at_s, room=Room(GB + (-1) ** (at_s // 10) * 100_000_000, 100 * GB))
    assert desk.said() == [(TROUBLE_BEGAN, "disk")]
    desk.look(1000, room=Room(round(1.2 * GB), 100 * GB))
    assert desk.said()[1:] == [(TROUBLE_OVER, "disk")]
    assert "900 MB left of 100,000 MB" in desk.chain[0].data["text"]


def test_disk_that_cannot_be_looked_at_is_in_trouble() -> None:
    desk = Desk()
    desk.look(0, room=Room(0, 0, "cannot look at the disk"))
    assert desk.chain[0].data == {"what": "disk", "text": "cannot look at the disk"}


def test_what_could_not_be_written_is_offered_until_it_is() -> None:
    """A disk that cannot be written for a while is told when it can, and so is all the rest."""
    desk = Desk()
    for at_s in range(40):
        desk.look(at_s, writes=False, store_error="cannot write", link_up=False)
    for at_s in range(40, 60):
        last = desk.look(at_s, writes=False)
    assert last == [
        (TROUBLE_BEGAN, "disk"), (TROUBLE_BEGAN, "broker"), (TROUBLE_OVER, "disk"),
        (TROUBLE_OVER, "broker"),
    ]  # fmt: skip
    assert desk.chain == []
    assert desk.look(60) == last
    assert {event.at_us for event in desk.chain} == {START_US + 60 * SECOND_US}
    assert desk.look(61) == []


def test_offers_do_not_grow_while_nothing_can_be_written() -> None:
    desk = Desk()
    for at_s in range(0, 10_000, 10):
        offered = desk.look(at_s, writes=False, room=Room(at_s // 10 % 2 * 2 * GB, 100 * GB))
    assert len(offered) == 2


def test_archive_is_told_when_the_keeper_said_so_for_a_minute() -> None:
    desk = Desk()
    for at_s in range(60):
        assert desk.look(at_s, archive="damaged: x.parquet") == []
    assert desk.look(60, archive="damaged: x.parquet, y.parquet") == [(TROUBLE_BEGAN, "archive")]
    assert desk.chain[0].data["text"] == "damaged: x.parquet, y.parquet"
    assert [desk.look(61), desk.look(120)] == [[], []]
    assert desk.look(121) == [(TROUBLE_OVER, "archive")]


@pytest.mark.parametrize("jump_s", [3600, -3600, 5.1])
def test_clock_that_jumps_is_told_for_an_hour(jump_s: float) -> None:
    desk = Desk()
    ahead = round(jump_s * SECOND_US)
    desk.look(0)
    assert desk.look(1, wall_lead_us=ahead) == [(TROUBLE_BEGAN, "clock")]
    assert ("forward" if jump_s > 0 else "back") in desk.chain[0].data["text"]
    assert desk.look(2, wall_lead_us=ahead) == []
    assert desk.look(1.9 + CLOCK_STANDS_S, wall_lead_us=ahead) == []
    assert desk.look(2 + CLOCK_STANDS_S, wall_lead_us=ahead) == [(TROUBLE_OVER, "clock")]


def test_clock_that_is_steered_or_comes_far_off_at_the_start_is_no_trouble() -> None:
    """500 ppm is the most a kernel steers (adjtimex(2)); 1 s a look is far beyond that."""
    desk = Desk()
    for at_s in range(100):
        assert desk.look(at_s, wall_lead_us=10**15 + at_s * SECOND_US) == []


def test_clock_that_the_watch_had_to_set_back_is_told() -> None:
    desk = Desk()
    assert desk.look(0) == []
    assert desk.look(1, set_back=1) == [(TROUBLE_BEGAN, "clock")]
    assert desk.look(2, set_back=1) == []


def test_a_start_goes_on_with_what_the_chain_says(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    store.add_events([
        NewEvent(1, TROUBLE_BEGAN, "", {"what": "broker", "text": "x"}),
        NewEvent(2, "alarm_raised", "one", {"what": "broker"}),
        NewEvent(3, TROUBLE_BEGAN, "", {"what": "clock", "text": "x"}),
        NewEvent(4, TROUBLE_BEGAN, "", {"what": "disk", "text": "x"}),
        NewEvent(5, TROUBLE_OVER, "", {"what": "disk"}),
    ])  # fmt: skip
    stands = standing([*store.events_of(TROUBLE_OVER), *store.events_of(TROUBLE_BEGAN)])
    assert stands == {"broker", "clock"}
    store.close()
    desk = Desk()
    desk.troubles = Troubles(stands, 3)
    assert desk.look(0, set_back=3) == []
    assert desk.look(10, set_back=3) == [(TROUBLE_OVER, "broker")]
    assert desk.look(CLOCK_STANDS_S, set_back=3) == [(TROUBLE_OVER, "clock")]


SEEN = st.fixed_dictionaries({
    "link_up": st.booleans(),
    "store_error": st.sampled_from(["", "cannot write"]),
    "room": st.sampled_from([Room(n * GB // 10, 100 * GB) for n in (5, 11, 13)]),
    "archive": st.sampled_from(["", "torn"]),
    "notice": st.sampled_from(["", "no mail"]),
    "wall_lead_us": st.sampled_from([0, 60 * SECOND_US]),
})  # fmt: skip
STEPS = st.lists(
    st.tuples(SEEN, st.sampled_from([1.0, 15.0, 70.0, 4_000.0]), st.booleans(), st.booleans()),
    max_size=60,
)


@given(steps=STEPS)
def test_began_and_over_take_turns_whatever_happens(
    steps: list[tuple[dict[str, Any], float, bool, bool]],
) -> None:
    """Through restarts anywhere, with writes that fail; in the end each trouble is over."""
    desk, at_s = Desk(), 0.0
    for seen, pause_s, writes, restarts in steps:
        at_s += pause_s
        desk.look(at_s, writes=writes, **seen)
        if restarts:
            desk.troubles = Troubles(_standing(desk.chain), 0)
    for _ in range(3):
        at_s += 4_000
        desk.look(at_s)
    for what in DELAYS_S:
        kinds = [kind for kind, about in desk.said() if about == what]
        assert kinds == [TROUBLE_BEGAN, TROUBLE_OVER] * (len(kinds) // 2)


@given(steps=STEPS)
def test_failed_writes_change_nothing_that_is_still_so_when_they_succeed(
    steps: list[tuple[dict[str, Any], float, bool, bool]],
) -> None:
    """What stands by the chain after all is written is what stands by a chain that never failed."""
    failing, sound, at_s = Desk(), Desk(), 0.0
    for seen, pause_s, writes, _ in steps:
        at_s += pause_s
        failing.look(at_s, writes=writes, **seen)
        sound.look(at_s, **seen)
    failing.look(at_s, **(steps[-1][0] if steps else {}))
    assert _standing(failing.chain) == _standing(sound.chain)


def _standing(chain: Sequence[NewEvent]) -> set[str]:
    return {
        what for what in DELAYS_S
        if [e.kind for e in chain if e.data["what"] == what][-1:] == [TROUBLE_BEGAN]
    }  # fmt: skip


def test_a_real_disk_that_fills_up(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "8m") as folder:
        desk = Desk()
        assert desk.look(0, room=room_of(folder)) == []
        filler = fill_up(folder)
        assert desk.look(10, room=room_of(folder)) == [(TROUBLE_BEGAN, "disk")]
        filler.unlink()
        assert desk.look(20, room=room_of(folder)) == [(TROUBLE_OVER, "disk")]


def test_folder_that_is_gone_is_said(tmp_path: Path) -> None:
    assert "cannot look at the disk" in room_of(tmp_path / "gone").error


def test_word_of_the_notice_process(tmp_path: Path) -> None:
    assert notice_word(tmp_path) == ""
    word = tmp_path / NOTICE_WORD
    word.write_text('{"text": "no mail goes out"}', encoding="utf-8")
    assert notice_word(tmp_path) == "no mail goes out"
    word.write_text("{}", encoding="utf-8")
    assert notice_word(tmp_path) == ""
    word.write_text('{"text": "no ma', encoding="utf-8")
    assert notice_word(tmp_path).startswith(f"cannot read {word}")


def test_senses_look_once_a_second_and_see_what_is_told(tmp_path: Path) -> None:
    senses = Senses(tmp_path)
    assert senses.due()
    before_s = time.monotonic()
    seen = senses.seen(START_US, TOLD._replace(archive="torn", set_back=2))
    assert not senses.due()
    assert (seen.at_us, seen.archive, seen.notice, seen.set_back) == (START_US, "torn", "", 2)
    assert before_s <= seen.real_s <= time.monotonic()
    assert seen.room.all_bytes >= seen.room.free_bytes > 0


def test_lead_of_the_wall_clock_stands_still_while_nobody_sets_it() -> None:
    assert abs(wall_lead_us() - wall_lead_us()) < SECOND_US
