"""What the outlook reads of the past: minutes, stages, and the body of the job that was open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import HOUR_US, MINUTE_US
from envmon.facts import JOB_CLOSED, JOB_OPENED, NewEvent
from envmon.guard.plan import plan_from_shop
from envmon.service.outlook.read import frames_between, priors_of
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US
from tests.outlook_live_support import WASHED_MIN, fill, past_of, shop_of

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.outlook.frame import BayFrame


def back(minutes: int) -> int:
    return NOW_US - minutes * MINUTE_US


def keep(folder: Path, *events: NewEvent) -> None:
    store = SqliteStore(folder)
    store.add_events(events)
    store.close()


def opened(minutes: int, job: str, body: str, bay: str = "north") -> NewEvent:
    return NewEvent(back(minutes), JOB_OPENED, bay, {"job": job, "body": body})


def closed(minutes: int, job: str, bay: str = "north") -> NewEvent:
    return NewEvent(back(minutes), JOB_CLOSED, bay, {"job": job})


def north(folder: Path, hours: int = 3) -> BayFrame:
    shop = shop_of()
    with past_of(folder) as past:
        span = NOW_US - hours * HOUR_US, NOW_US
        return frames_between(past, shop, plan_from_shop(shop), span)["north"]


def test_rows_know_the_body_of_the_job_that_was_open(tmp_path: Path) -> None:
    fill(tmp_path, 3)
    keep(
        tmp_path,
        opened(400, "a", "Saloon"),
        closed(100, "a"),
        opened(80, "b", "Van"),
        opened(90, "c", "Estate", "south"),
    )
    frame = north(tmp_path)
    bodies = frame.body[::-1]  # a row a minute, the last one first
    assert set(bodies[:80]) == {"Van"}
    assert set(bodies[80:100]) == {""}
    assert set(bodies[100:]) == {"Saloon"}
    # The wash of the story lies in the second job, and what stands there counts before it too.
    wash = frame.stage == "wash"
    assert set(frame.body[wash]) == {"Van"}
    assert frame.stage[-70] == ""


def test_a_stage_that_outlasts_its_job_is_cut_where_the_next_one_begins(tmp_path: Path) -> None:
    fill(tmp_path, 3)
    keep(tmp_path, opened(90, "a", "Van"), closed(20, "a"), opened(10, "b", "Estate"))
    frame = north(tmp_path)
    assert WASHED_MIN > 20
    assert set(frame.stage[-WASHED_MIN:]) == {"drying"}
    assert frame.body[-WASHED_MIN:].tolist() == ["Van"] * 5 + [""] * 10 + ["Estate"] * 10


def test_jobs_of_other_times_and_none_leave_bodies_unknown(tmp_path: Path) -> None:
    fill(tmp_path, 3)
    assert set(north(tmp_path).body) == {""}
    keep(tmp_path, opened(600, "a", "Van"), closed(500, "a"))
    assert set(north(tmp_path).body) == {""}


def test_the_shops_clock_is_told() -> None:
    assert {one.zone for one in priors_of(shop_of()).values()} == {"America/Anchorage"}
