"""*About to leave its window* by the outlook's word: pure, bounded in time, the same in replay.

Sources: none outside the project; the alarm's delays are those of ``alarm_kinds`` (common
practice).
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import MINUTE_US, SECOND_US, iso_from_us
from envmon.facts import OUTLOOK_SAID, Event
from envmon.guard import alarm_acts as acts
from envmon.guard.alarm_kinds import KINDS
from envmon.guard.foreseen import HOLDS_US, holds_until_us, read_foreseen
from envmon.guard.state import GuardState
from envmon.outlook.model import LimitOutlook, Said, Span, StageOutlook
from envmon.service import watch as watch_module
from envmon.service.outlook.alarm import (
    AGAIN_US,
    HELD_US,
    NEVER,
    REACH,
    STANDS_US,
    Looked,
    Teller,
    looked_at,
    said_in_chain,
)
from tests.guard_support import START_US, us
from tests.replay_support import Life
from tests.test_alarm_conditions import Bay, seconds

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.guard.state import Finding

LEAD_US = 20 * MINUTE_US
LEAVING = "one-leaving"


def leaves(stage: str | None, from_s: float | None, to_s: float | None) -> dict[str, Any]:
    first, last = (None if at is None else iso_from_us(us(at)) for at in (from_s, to_s))
    return {"stage": stage, "leaves": True, "leaves_from": first, "leaves_to": last}


def stays(stage: str) -> dict[str, Any]:
    said = {"stage": stage, "leaves": False, "leaves_from": None, "leaves_to": None}
    return {**said, "quantity": ""}


def of(found: list[Finding], kind: str) -> list[Finding]:
    return [f for f in found if f.kind == kind and f.data["alarm"] == LEAVING]


@pytest.fixture
def bay() -> Bay:
    bay = Bay()
    bay.stage("coating")
    bay.live_on(1200)
    return bay


def test_a_word_of_the_outlook_is_an_alarm_after_its_delay_and_over_with_it(bay: Bay) -> None:
    said_s = bay.at_s
    bay.say(OUTLOOK_SAID, **leaves("coating", said_s + 600, said_s + 1500), quantity="rel_hum_pct")
    (raised,) = of(bay.live_on(600), acts.RAISED)
    assert 360 <= seconds(raised) - said_s <= 360 + 60
    head = "Coating about to leave its window: humidity 45 %, outside 35–60 % between "
    assert raised.data["text"].startswith(head)
    assert raised.data["text"].endswith(" by the outlook")
    bay.say(OUTLOOK_SAID, **stays("coating"))
    assert of(bay.live_on(2400), acts.CLEARED)


def test_a_word_is_over_by_itself_when_who_said_it_is_gone(bay: Bay) -> None:
    said_s = bay.at_s
    bay.say(OUTLOOK_SAID, **leaves("coating", bay.at_s + 60, bay.at_s + 300))
    (raised,) = of(bay.live_on(900), acts.RAISED)
    # Nobody said of what, and the time it named is over.
    assert raised.data["text"].endswith("window: expected at any moment by the outlook")
    # When the word is none any more, the alarm clears half an hour later.
    (cleared,) = of(bay.live_on(4500), acts.CLEARED)
    assert 0 <= seconds(cleared) - said_s - HOLDS_US / 1e6 - 1800 <= 60


@pytest.mark.parametrize("hears", [True, False])
def test_a_word_that_it_stays_is_heard_before_the_trail(bay: Bay, *, hears: bool) -> None:
    bay.put("air_temp_c", 18.3)  # coating needs 18 °C; carried on for 20 min the fall reaches it
    bay.live_on(1200)
    if hears:
        bay.say(OUTLOOK_SAID, **stays("coating"))
    assert bool(of(bay.live_on(1500, air_temp_c=-0.6), acts.RAISED)) != hears


def test_a_word_counts_at_once(bay: Bay) -> None:
    bay.say(OUTLOOK_SAID, **leaves("coating", None, None))
    bay.live_on(340)  # the alarm's delay is six minutes
    bay.say(OUTLOOK_SAID, **stays("coating"))
    assert not of(bay.live_on(600), acts.RAISED)


@pytest.mark.parametrize("hears", [True, False])
def test_a_stage_that_is_outside_leaves_nothing(bay: Bay, *, hears: bool) -> None:
    bay.put("air_temp_c", 18.3)
    bay.put("rel_hum_pct", 75.0)
    bay.live_on(1200)
    if hears:
        bay.say(OUTLOOK_SAID, **leaves("coating", None, None))
    assert bool(of(bay.live_on(1500, air_temp_c=-0.6), acts.RAISED)) != hears


@pytest.mark.parametrize(
    "data",
    [
        leaves("polish", 60, 300), leaves(None, 60, 300), {}, {"stage": "coating"},
        {"stage": "coating", "leaves": True, "leaves_from": "soon"},
        {"stage": "coating", "leaves": "yes"},
    ],
)  # fmt: skip
def test_what_is_of_another_stage_or_unreadable_says_nothing(
    bay: Bay, data: dict[str, Any]
) -> None:
    bay.say(OUTLOOK_SAID, **data)
    assert not of(bay.live_on(1800), acts.RAISED)


def test_a_word_ends_with_its_stage_and_outside_the_window_it_is_none(bay: Bay) -> None:
    bay.say(OUTLOOK_SAID, **leaves("coating", bay.at_s, bay.at_s + 3600))
    bay.stage("coating")  # begun anew: what was said of the time before is over
    assert bay.state.bays["one"].foreseen is None
    bay.put("rel_hum_pct", 75.0)
    bay.live_on(60)
    bay.say(OUTLOOK_SAID, **leaves("coating", bay.at_s, bay.at_s + 3600))
    assert not of(bay.live_on(1200), acts.RAISED)


def test_where_nothing_is_said_the_trail_decides(bay: Bay) -> None:
    found = bay.live_on(3 * 3600, air_temp_c=-1.0)
    assert "air" in of(found, acts.RAISED)[0].data["text"]


def test_the_word_survives_a_restart(bay: Bay) -> None:
    bay.say(OUTLOOK_SAID, **leaves("coating", bay.at_s + 60, bay.at_s + 900))
    before = bay.state.bays["one"].foreseen
    bay.state = msgspec.json.decode(msgspec.json.encode(bay.state), type=GuardState)
    assert bay.state.bays["one"].foreseen == before
    assert of(bay.live_on(600), acts.RAISED)


def test_live_and_replay_are_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch_module, "REQUESTS_EVERY_S", 0.0)
    life = Life(tmp_path)
    life.values = [20.0, 45.0, 20.0, 20.0, 36.0]

    def ask(data: dict[str, Any]) -> None:
        life.hand.store.ask(OUTLOOK_SAID, "one", data, life.hand.clock.at_us)

    for _ in range(3):
        life.say("polish")
        life.live(900)
        ask(leaves("polish", life.at_s + 300, life.at_s + 1200))
        life.live(1800)
        life.restart(killed=True)
        ask(stays("polish"))
        life.live(900)
    said = [e for e in life.chain() if e.kind == OUTLOOK_SAID]
    assert len(said) == 6
    answer = life.ask(0.0, 1e6)
    assert answer.comparison is not None
    assert answer.comparison.differences == ()
    assert answer.comparison.compared == answer.comparison.same == len(life.found(0.0, 1e6))
    life.hand.store.close()


def test_the_watch_takes_it_only_for_a_bay_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch_module, "REQUESTS_EVERY_S", 0.0)
    life = Life(tmp_path)
    for place in ("one", "nowhere", ""):
        life.hand.store.ask(OUTLOOK_SAID, place, leaves("polish", 60, 300), START_US)
    life.live(100)
    assert [e.bay for e in life.chain() if e.kind == OUTLOOK_SAID] == ["one"]
    found = said_in_chain(life.hand.store, ["one", "two"])
    assert found["two"] is None
    assert found["one"] is not None
    assert found["one"].stage == "polish"
    life.hand.store.close()


def span(middle: float | None) -> Span:
    return Span(
        middle, None if middle is None else middle / 2, None if middle is None else middle * 2
    )


def told(teller: Teller, story: Sequence[tuple[int, float | None]]) -> list[tuple[int, bool]]:
    """Return (minute, whether it leaves) of what was asked for in a story of looks."""
    found = []
    for minute, middle in story:
        data = teller.look(Looked("coating", span(middle)), minute * MINUTE_US)
        if data is not None:
            found.append((minute, data["leaves"]))
    return found


def test_a_change_in_kind_is_said_and_what_stays_so_again_before_it_runs_out() -> None:
    story = [(n, 70.0) for n in range(5)] + [(n, 35.0) for n in range(5, 12)]
    story += [(n, 50.0) for n in range(12, 18)]  # beyond its reach, not far enough to be back
    story += [(n, 65.0) for n in range(18, 60)]
    over = 18 + STANDS_US // MINUTE_US
    again = over + AGAIN_US // MINUTE_US
    said = told(Teller(LEAD_US), story)
    assert said == [(0, False), (5, True), (over, False), (again, False)]


@given(st.lists(st.sampled_from([5.0, 39.0, 41.0, 59.0, 61.0, 90.0, None]), max_size=60))
def test_the_guard_always_has_a_word_and_a_bad_one_at_once(middles: list[float | None]) -> None:
    said = told(Teller(LEAD_US), list(enumerate(middles)))
    assert [minute for minute, _ in said[:1]] == [0][: len(middles)]
    for (before, one), (after, other) in pairwise(said):
        if one == other:
            assert after - before >= AGAIN_US // MINUTE_US
        elif one:
            assert after - before >= STANDS_US // MINUTE_US
    for minute, middle in enumerate(middles):
        newest = [leaving for at, leaving in said if at <= minute][-1]
        near = middle is not None and middle <= REACH * LEAD_US / MINUTE_US
        assert newest or not near
        assert minute - max(at for at, _ in said if at <= minute) < HOLDS_US // MINUTE_US


def heard(story: Sequence[float | None], every_s: int = 30) -> list[tuple[float, dict[str, Any]]]:
    """Return (minute, what was asked for) where only water carried over is spoken of."""
    teller, found = Teller(LEAD_US), []
    for place, minutes in enumerate(story):
        now_us = START_US + place * every_s * SECOND_US
        data = teller.look(Looked("coating", span(None), "air_temp_c", minutes), now_us)
        if data is not None:
            found.append((place * every_s / 60, data))
    return found


def test_water_carried_over_counts_when_it_lasts_and_stands_until_the_alarm_could_hear_it() -> None:
    rises = [None, *[12.0] * 5, *[None] * 40]
    said = heard(rises)
    assert [(minute, data["leaves"]) for minute, data in said] == [
        (0.0, False), (2.5, True), (2.5 + 6.5 + 2, False),
    ]  # fmt: skip
    first = said[1][1]
    assert first["quantity"] == "rel_hum_pct"
    assert first["leaves_from"] == iso_from_us(START_US + round(14.5 * MINUTE_US))
    assert first["leaves_to"] == iso_from_us(START_US + round(34.5 * MINUTE_US))
    assert KINDS["leaving"].on_s * SECOND_US <= HELD_US


def test_water_carried_over_for_a_moment_is_none() -> None:
    rises = [None, 12.0, 12.0, 12.0, 12.0, None] * 5
    assert [data["leaves"] for _, data in heard(rises)] == [False]


def test_what_leaves_first_is_named() -> None:
    limits = [
        LimitOutlook("air_temp_c", True, span(None)),  # noqa: FBT003
        LimitOutlook("rel_hum_pct", True, span(12.0)),  # noqa: FBT003
        LimitOutlook("panel_temp_c", True, span(40.0)),  # noqa: FBT003
    ]
    plain = StageOutlook("coating", "fit", None, span(12.0), 0.0, tuple(limits), (), Said())
    assert looked_at(plain) == Looked("coating", span(12.0), "rel_hum_pct")
    assert looked_at(plain, 7.0) == Looked("coating", span(12.0), "rel_hum_pct", 7.0)
    data = Teller(LEAD_US).look(looked_at(plain), 0)
    assert data is not None
    assert data["quantity"] == "rel_hum_pct"
    outside = StageOutlook("coating", "unfit", span(12.0), None, 0.0, tuple(limits), (), Said())
    assert looked_at(outside) == Looked("coating", NEVER)
    unknown = StageOutlook("coating", "unknown", None, None, 0.0, (), (), Said())
    assert looked_at(unknown) == Looked("coating", None)


def test_nothing_is_said_of_no_stage_and_of_what_is_not_known() -> None:
    teller = Teller(LEAD_US)
    for minute in range(10):
        assert teller.look(Looked("", None), minute * MINUTE_US) is None
        assert teller.look(Looked("coating", None), minute * MINUTE_US) is None


def test_a_new_process_takes_back_what_a_dead_one_had_said() -> None:
    data = leaves("coating", 0, 3600)
    said = read_foreseen(Event(1, START_US, OUTLOOK_SAID, "one", data, ""))
    assert said is not None
    assert holds_until_us(said) == START_US + HOLDS_US
    teller = Teller(LEAD_US, said)
    found = [teller.look(Looked("coating", span(90.0)), START_US + n * MINUTE_US) for n in range(4)]
    assert [data for data in found if data] == [stays("coating")]
