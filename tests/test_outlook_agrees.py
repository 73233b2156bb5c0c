"""Words about the hours ahead never speak against the guard's verdict, wherever they are read.

Rule: the issue's own ("no flicker, no false precision"); the verdict is the guard's, and words that
are held to be steady, or are half a minute old, give way to it.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import msgspec
import pytest

from envmon.clock import ManualClock
from envmon.guard.engine import fresh_state
from envmon.guard.plan import plan_from_shop
from envmon.guard.state import StageNow
from envmon.service.outlook.live import (
    Moment,
    OutlookState,
    agreed,
    agreed_stage,
    outlook_topic,
    verdicts_of,
)
from envmon.service.outlook.process import Outlooks
from envmon.service.outlook.verdicts import verdicts_in
from envmon.service.replay.mark import SavedGuard
from envmon.service.restored import SNAPSHOT
from envmon.store.sqlite import SqliteStore
from envmon_boards.feed import LiveFeed
from tests.boards_support import NOW_US, Air, live_state
from tests.outlook_live_support import fill, foreseen, past_of, shop_of, thinker_of, told
from tests.watch_support import HandLink

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.guard.live import BayState, Fitness

_AGAINST = {"enters": "fit", "leaves": "unfit"}
WET_AIR = [Air(20.4, 72.0, 18.2)] * 10
PLAN = plan_from_shop(shop_of())


@pytest.mark.parametrize("verdict", ["unfit", "unknown"])
def test_a_window_left_already_is_not_closing(verdict: Fitness) -> None:
    state = agreed(told(), {"coating": verdict})
    assert state.about is None
    (stage,) = state.stages
    assert (stage.fitness, stage.turns, stage.text, stage.when) == (verdict, "", "", Moment())


@pytest.mark.parametrize("verdict", ["fit", "marginal"])
def test_an_open_window_is_not_awaited(verdict: Fitness) -> None:
    state = agreed(told(text="fit in about 35 min"), {"coating": verdict})
    assert state.about is None
    assert state.stages[0].text == ""


def test_words_that_agree_stay_and_the_verdict_is_the_guards() -> None:
    assert agreed(told(), {"coating": "fit", "wash": "unfit"}) == told()
    assert agreed(told(), {}) == told()
    about = told().about
    assert about is not None
    marginal = agreed_stage(about, "marginal")
    assert (marginal.text, marginal.fitness) == (about.text, "marginal")
    assert agreed_stage(about, None) is about


def said(feed: LiveFeed) -> OutlookState:
    """Return what a screen is sent of the outlook."""
    text = bytes(feed.snapshot()[1]["outlooks"]["north"])
    return msgspec.json.decode(text, type=OutlookState)


def tell(feed: LiveFeed, *states: BayState | OutlookState) -> None:
    for state in states:
        kind = "outlook" if isinstance(state, OutlookState) else "state"
        feed.take(f"envmon/{state.bay}/{kind}", msgspec.json.encode(state))


@pytest.mark.parametrize("outlook_first", [True, False])
def test_screens_and_http_are_told_the_same_whichever_came_first(
    outlook_first: bool,  # noqa: FBT001
) -> None:
    feed = LiveFeed()
    unfit = live_state(PLAN, "north", "coating", WET_AIR)
    assert verdicts_of(unfit)["coating"] == "unfit"
    pair = (told(), unfit) if outlook_first else (unfit, told())
    tell(feed, *pair)
    known = feed.outlook_of("north")
    assert known is not None
    assert known[0] == said(feed)
    assert known[0].about is None
    assert not [stage.text for stage in known[0].stages if "closing" in stage.text]


def test_a_verdict_that_turns_sends_the_screen_an_outlook_without_the_words() -> None:
    feed = LiveFeed()
    tell(feed, live_state(PLAN, "north", "coating"), told())
    version, document = feed.snapshot()
    assert b"closing in" in bytes(document["outlooks"]["north"])
    tell(feed, live_state(PLAN, "north", "coating", WET_AIR))
    _, document = feed.snapshot(version)
    assert b"closing in" not in bytes(document["outlooks"]["north"])
    assert "north" in document["bays"], "both in one document: no screen sees them apart"


def keep_verdict(folder: Path, verdict: Fitness, *stages: str) -> None:
    """Let the watch have kept its state with this verdict of some stages."""
    state = fresh_state(PLAN, NOW_US)
    state.bays["north"].stages = {stage: StageNow(verdict, None) for stage in stages}
    store = SqliteStore(folder)
    store.save_snapshot(SNAPSHOT, NOW_US, msgspec.json.encode(SavedGuard("", state)))
    store.close()


def test_what_is_foreseen_takes_the_verdict_from_the_watch(tmp_path: Path) -> None:
    fill(tmp_path, 8)
    with past_of(tmp_path) as past:
        assert verdicts_in(past.store) == {}
    plain = foreseen(tmp_path, thinker_of())["north"]
    turned = {one.stage: one for one in plain.stages if one.turns and one.text}
    assert turned
    for turns, verdict in (("leaves", "unfit"), ("enters", "fit")):
        keep_verdict(tmp_path, verdict, *turned)  # type: ignore[arg-type]
        state = foreseen(tmp_path, thinker_of())["north"]
        for one in state.stages:
            if one.stage in turned:
                assert one.fitness == verdict
                assert one.turns != turns
                assert bool(one.text) == (turned[one.stage].turns != turns)
        assert state.about is None or state.about.turns != turns


def test_a_state_the_watch_of_another_version_kept_is_no_verdict(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path)
    store.save_snapshot(SNAPSHOT, NOW_US, b'{"plan": 3}')
    assert verdicts_in(store) == {}
    store.close()


class Heard(HandLink):
    """The link's in-memory twin that takes what is not retained."""

    def publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = True) -> bool:
        assert not retain
        assert qos == 0
        self.said.append((topic, payload))
        return True

    def newest(self) -> OutlookState:
        texts = [text for topic, text in self.said if topic == outlook_topic("north")]
        return msgspec.json.decode(texts[-1], type=OutlookState)


def test_between_two_outlooks_the_words_are_taken_back_when_the_verdict_turns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(tmp_path, 8)
    link = Heard()
    outlooks = Outlooks(shop_of(), tmp_path, ManualClock(NOW_US), link)
    assert outlooks.turn(0)
    outlooks.learner.wait()
    turned = {o.stage: o for o in link.newest().stages if o.turns and o.text}
    assert turned
    against: Fitness = "fit" if {o.turns for o in turned.values()} == {"enters"} else "unfit"
    before = len(link.said)
    begun_s = time.monotonic()
    monkeypatch.setattr("envmon.service.outlook.process.time.monotonic", lambda: begun_s + 5)
    assert not outlooks.turn(0)
    assert len(link.said) == before, "nothing turned, nothing is said again"
    keep_verdict(tmp_path, against, *turned)
    monkeypatch.setattr("envmon.service.outlook.process.time.monotonic", lambda: begun_s + 10)
    assert not outlooks.turn(0)
    assert len(link.said) == before + 1
    found = {one.stage: one for one in link.newest().stages}
    assert not [one.text for one in found.values() if one.text and _AGAINST[one.turns] == against]
    assert any(turned[stage].text and not found[stage].text for stage in turned)
    outlooks.close()
