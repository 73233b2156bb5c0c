"""A replay of days with jobs gives what the guard gave live: a job's own limits, and its cure.

Source: rule 4 of the design (ours), as in test_replay_same_as_live.py, which this leans on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from envmon.facts import CURE_FITNESS
from envmon.job.events import JOB_ACT
from envmon.service import watch as watch_module
from envmon.service.job.book import book_from, ledger_from
from tests.job_support import JOB_SHOP
from tests.replay_support import Life
from tests.test_replay_same_as_live import ensure_same

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HOUR = 3600.0


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take requests in at every turn."""
    monkeypatch.setattr(watch_module, "REQUESTS_EVERY_S", 0.0)


@pytest.fixture
def life(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Life]:
    life = Life(tmp_path, getattr(request, "param", 1))
    yield life
    life.hand.store.close()


def act(life: Life, act: str, bay: str = "one", **data: Any) -> None:
    life.hand.store.ask(JOB_ACT, bay, {"act": act, **data}, life.hand.clock.at_us)
    life.at_s += 1.0
    life.turn()


def coat(life: Life, bay: str = "one") -> None:
    """Open a job and coat what is in the bay, whatever the weather says to it."""
    act(life, "open", bay, procedure="coat", body="trike")
    life.live(600)
    act(life, "start", bay, step=2, reason="to see what the guard says")
    for panel in ("tank", "seat-cowl", "fairing"):
        act(life, "apply", bay, panel=panel)
        life.live(200)
        act(life, "level", bay, panel=panel)
    act(life, "finish", bay, step=2)


@pytest.mark.parametrize("life", range(2), indirect=True)
def test_a_day_with_jobs_is_replayed_as_it_was(life: Life) -> None:
    """With restarts, a kill, and a shop file that had no such procedure before."""
    life.say("polish")
    life.live(HOUR)
    life.restart(killed=False, text=JOB_SHOP)
    begun_s = life.at_s
    coat(life)
    life.live(HOUR)
    life.restart(killed=True)
    life.live(HOUR)
    act(life, "start", step=4, reason="early cure is long enough")
    coat(life, "two")
    life.restart(killed=False)
    life.live(2 * HOUR, silent="hall/air-a")
    act(life, "close", reason="picked up")
    life.live(HOUR)
    found = life.found(begun_s, life.at_s)
    assert sum(event.kind == CURE_FITNESS for event in found) > 10
    ensure_same(life, life.ask(begun_s + 1, life.at_s), begun_s + 1, life.at_s)
    middle_s = begun_s + 1.7 * HOUR  # from a moment inside the job, where nothing was kept
    ensure_same(life, life.ask(middle_s, life.at_s), middle_s, life.at_s)


def test_a_clock_set_back_in_a_cure_leaves_the_job_and_its_limits(life: Life) -> None:
    life.restart(killed=False, text=JOB_SHOP)
    coat(life)
    life.live(HOUR)
    life.set_back(1500)
    bay = life.hand.watch.state.bays["one"]
    assert (bay.procedure, bay.cures, bay.stage) == ("coat", "early_cure", "early_cure")
    life.live(HOUR)
    act(life, "close", reason="picked up")
    bay = life.hand.watch.state.bays["one"]
    assert (bay.procedure, bay.cures, bay.cure_told) == (None, None, None)
    ensure_same(life, life.ask(life.at_s - 2000, life.at_s), life.at_s - 2000, life.at_s)
    assert ledger_from(life.hand.store) == life.hand.watch.desk.ledger


def test_a_shop_file_changed_in_a_job_keeps_the_job_and_holds_the_new_limits(life: Life) -> None:
    life.restart(killed=False, text=JOB_SHOP)
    coat(life)
    before = book_from(life.hand.store)
    life.restart(killed=False, text=JOB_SHOP.replace("low = 16\nhigh = 28", "low = 5\nhigh = 40"))
    plan, state = life.hand.watch.plan, life.hand.watch.state
    held = {limit.key: limit for s in plan.place("one", state).stages for limit in s.limits}
    now_held = held["early_cure/air_temp_c"]
    assert (now_held.low, now_held.high) == (5.0, 40.0)
    job = life.hand.watch.desk.book.jobs["260127-1"]
    assert job.panels == before.jobs["260127-1"].panels
    life.live(HOUR)
    life.restart(killed=False, text=JOB_SHOP.replace('"coat"', '"other"'))
    assert life.hand.watch.state.bays["one"].procedure == "coat"  # not there any more
    life.live(600)
    act(life, "close", reason="picked up")
    assert life.hand.watch.state.bays["one"].procedure is None
