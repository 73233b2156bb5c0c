"""The live feed: newest only, nobody waits for anybody, nothing unreadable gets in."""

from __future__ import annotations

import asyncio
import logging

import msgspec
import pytest

from envmon.guard.live import BayState
from envmon.guard.plan import plan_from_shop
from envmon_boards.feed import HEARTBEAT_TOPIC, LiveFeed
from tests.bench_support import bench, coating
from tests.boards_support import live_state, shop_from, shop_text

PLAN = plan_from_shop(shop_from(shop_text()))
NORTH = "envmon/north/state"


def text_of(stage: str | None) -> bytes:
    return msgspec.json.encode(live_state(PLAN, stage=stage))


def stage_in(document: dict[str, object]) -> str | None:
    bays = msgspec.json.decode(msgspec.json.encode(document["bays"]), type=dict[str, BayState])
    return bays["north"].stage


def test_a_slow_screen_gets_the_newest_only() -> None:
    async def story() -> None:
        feed = LiveFeed()
        screen = feed.open_screen()
        for stage in ("foam", "wash", "coating"):
            feed.take(NORTH, text_of(stage))
        assert stage_in(await screen.next(5.0)) == "coating"
        assert (await screen.next(0.0))["bays"] == {}

    asyncio.run(story())


def test_a_screen_that_never_reads_holds_nobody_up() -> None:
    async def story() -> None:
        feed = LiveFeed()
        feed.open_screen()
        quick = feed.open_screen()
        await quick.next(0.0)
        for number in range(2_000):
            feed.take(NORTH, text_of(None) if number == 0 else text_of("polish"))
            if number == 10:
                break
        assert stage_in(await quick.next(5.0)) == "polish"

    asyncio.run(story())


def test_news_comes_from_another_thread() -> None:
    async def story() -> None:
        feed = LiveFeed()
        screen = feed.open_screen()
        await screen.next(0.0)
        waiting = asyncio.create_task(screen.next(20.0))
        await asyncio.to_thread(feed.take, NORTH, text_of("rinse"))
        assert stage_in(await asyncio.wait_for(waiting, 5.0)) == "rinse"

    asyncio.run(story())


def test_a_beat_without_news_tells_the_ages() -> None:
    async def story() -> None:
        feed = LiveFeed()
        feed.take(NORTH, text_of("rinse"))
        screen = feed.open_screen()
        await screen.next(0.0)
        beat = await screen.next(0.0)
        assert beat["bays"] == {}
        assert beat["ages_s"]["north"] >= 0.0

    asyncio.run(story())


def test_what_the_broker_had_kept_is_of_unknown_age() -> None:
    feed = LiveFeed()
    feed.take(NORTH, text_of("rinse"), live=False)
    assert feed.snapshot()[1]["ages_s"] == {"north": None}
    feed.take(NORTH, text_of("rinse"))
    assert feed.snapshot()[1]["ages_s"]["north"] is not None


@pytest.mark.parametrize(
    "payload",
    [b"", b"{", b"null", b"7", b"[]", b"{}", b'{"bay": "north"}', b"\xff\xfe", b"[" * 100_000],
)
def test_what_cannot_be_read_is_left_out(payload: bytes, caplog: pytest.LogCaptureFixture) -> None:
    feed = LiveFeed()
    feed.take(NORTH, text_of("rinse"))
    before = feed.snapshot()[0]
    with caplog.at_level(logging.WARNING, "envmon.boards"):
        feed.take(NORTH, payload)
        feed.take(HEARTBEAT_TOPIC, payload)
    assert feed.snapshot()[0] == before
    assert feed.watch_text()["state"] == "unheard"
    assert len(caplog.records) == 2


def test_the_watch_goes_down() -> None:
    feed = LiveFeed()
    assert feed.watch_text()["state"] == "unheard"
    feed.take(HEARTBEAT_TOPIC, b'{"state": "down", "at": null, "text": "the watch is gone"}')
    assert feed.watch_text()["state"] == "down"


def test_what_the_watch_refused_is_passed_on() -> None:
    """README: /healthz says how many payloads were refused, and why the last one was."""
    feed = LiveFeed()
    feed.take(HEARTBEAT_TOPIC, b'{"state": "up", "rejected": 9, "last_reject": "payload is empty"}')
    said = feed.watch_text()
    assert (said["rejected"], said["last_reject"]) == (9, "payload is empty")


def test_a_bays_job_comes_beside_its_state_with_an_age_of_its_own() -> None:
    feed = LiveFeed()
    feed.take(NORTH, text_of("rinse"))
    feed.take("envmon/north/job", msgspec.json.encode(bench(coating())))
    version, document = feed.snapshot()
    assert (
        set(document["jobs"]) == set(document["job_ages_s"]) == set(document["bays"]) == {"north"}
    )
    assert feed.snapshot(version)[1]["jobs"] == {}
    known = feed.bench_of("north")
    assert known is not None
    assert known[0] == bench(coating())
    feed.take("envmon/north/job", b'{"bay": "north", "job": 7}')  # cannot be read
    assert feed.snapshot()[0] == version
