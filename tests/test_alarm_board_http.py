"""The alarm board over HTTP: what stands, what was, what a person asks for, what is refused."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.guard.live import ShopAlarms
from envmon_boards.feed import ALARMS_TOPIC, LiveFeed
from tests.alarm_board_support import add_events, alarm, requests_in, say_alarms, say_alarms_once
from tests.boards_support import NOW_US, Stand
from tests.test_boards_http import JSON, call, own

if TYPE_CHECKING:
    from envmon.guard.live import AlarmState

pytest_plugins = ["tests.boards_fixtures"]
WINDOW = "/api/v1/alarms/north-window/"


def act(stand: Stand, name: str, body: Any = None, alarm_id: str = "north-window") -> Any:
    return call(stand, f"/api/v1/alarms/{alarm_id}/{name}", body or {}, own(stand))


def test_before_the_watch_has_spoken(stand: Stand) -> None:
    status, document = call(stand, "/api/v1/alarms")
    assert status == 503
    assert "watch" in document["error"]


def test_the_alarms_are_what_was_published(stand: Stand) -> None:
    stands = alarm("window"), alarm("lost", life="SHLVD", by="Signe", reason="battery ordered")
    say_alarms(stand, *stands)
    status, document = call(stand, "/api/v1/alarms")
    assert status == 200
    assert 0 <= document.pop("age_s") < 20
    assert document.pop("live") is True
    assert msgspec.convert(document, ShopAlarms).alarms == stands


def test_alarms_of_a_watch_that_is_gone_are_not_live(stand: Stand) -> None:
    say_alarms_once(stand, alarm("window"), live=False)
    document = call(stand, "/api/v1/alarms")[1]
    assert (document["age_s"], document["live"]) == (None, False)
    say_alarms(stand, alarm("window"))
    stand.feed.set_broker(up=False)
    assert call(stand, "/api/v1/alarms")[1]["live"] is False


def test_a_screen_gets_the_alarms_once_and_their_age_always() -> None:
    async def story() -> None:
        feed = LiveFeed()
        screen = feed.open_screen()
        before = await screen.next(0.0)
        assert "alarms" not in before
        assert before["alarms_age_s"] is None
        feed.take(ALARMS_TOPIC, b'{"at": "2026-01-27T23:05:00Z", "alarms": []}')
        assert "alarms" in await screen.next(5.0)
        beat = await screen.next(0.0)
        assert "alarms" not in beat
        assert beat["alarms_age_s"] >= 0

    asyncio.run(story())


@pytest.mark.parametrize("payload", [b"", b"[]", b"{}", b'{"at": "x", "alarms": [{}]}'])
def test_alarms_that_cannot_be_read_are_left_out(payload: bytes) -> None:
    feed = LiveFeed()
    feed.take(ALARMS_TOPIC, payload)
    assert feed.alarms_text() is None


@pytest.mark.parametrize(
    ("name", "life", "body", "kind", "more"),
    [
        ("acknowledge", "UNACK", {}, "alarm_acknowledged", {}),
        ("acknowledge", "LTUNK", {"by": " Signe "}, "alarm_acknowledged", {"by": "Signe"}),
        ("reset", "LTACK", {}, "alarm_reset", {}),
        ("shelve", "ACKED", {"minutes": 15, "reason": "heater on order"}, "alarm_shelved",
         {"minutes": 15, "reason": "heater on order"}),
        ("unshelve", "SHLVD", {}, "alarm_unshelved", {}),
        ("remove", "UNACK", {"reason": "sensor broken"}, "alarm_removed",
         {"reason": "sensor broken"}),
        ("return", "OOSRV", {}, "alarm_returned", {}),
    ],
)  # fmt: skip
def test_an_act_is_asked_for_durably(
    stand: Stand, name: str, life: Any, body: dict[str, Any], kind: str, more: dict[str, Any]
) -> None:
    say_alarms(stand, alarm("window", life=life))
    status, document = act(stand, name, body)
    assert (status, document) == (200, {"alarm": "north-window", "asked": name})
    data = {"alarm": "north-window", "by": "", "via": "wall"} | more
    assert requests_in(stand.boards.folder) == [(kind, "north", data)]


@pytest.mark.parametrize(
    ("alarm_id", "bay"),
    [("south-frost", "south"), ("shop-broker", ""), ("south-all-lost", "south")],
)
def test_the_bay_comes_from_the_shop_file_for_one_that_is_normal(
    stand: Stand, alarm_id: str, bay: str
) -> None:
    assert act(stand, "remove", {"reason": "no stores here"}, alarm_id)[0] == 200
    assert [asked[1] for asked in requests_in(stand.boards.folder)] == [bay]


@pytest.mark.parametrize(
    ("name", "body", "said"),
    [
        ("snooze", {}, "allowed: acknowledge"),
        ("acknowledge", {"by": 7}, "by is 7"),
        ("acknowledge", {"by": "a" * 61}, "60 characters"),
        ("acknowledge", {"by": "a\nb"}, "one line"),
        ("acknowledge", {"note": "x"}, "by (optional)"),
        ("shelve", {"minutes": 15}, "minutes, reason"),
        ("shelve", {"minutes": 15, "reason": "  "}, "reason is empty"),
        ("shelve", {"minutes": 481, "reason": "x"}, "1 to 480"),
        ("shelve", {"minutes": 0, "reason": "x"}, "1 to 480"),
        ("shelve", {"minutes": True, "reason": "x"}, "minutes is True"),
        ("shelve", {"minutes": "15", "reason": "x"}, "minutes is '15'"),
        ("shelve", b'{"minutes": NaN, "reason": "x"}', "send a JSON object"),
        ("remove", {}, "send a JSON object with: reason"),
        ("remove", b"[]", "send a JSON object"),
    ],
)
def test_what_cannot_be_asked_for_is_said(stand: Stand, name: str, body: Any, said: str) -> None:
    status, document = call(stand, WINDOW + name, body, own(stand))
    assert status == 422
    assert said in document["error"]
    assert requests_in(stand.boards.folder) == []


@pytest.mark.parametrize("alarm_id", ["attic-window", "north-nap", "window", "shop", "x-y-z"])
def test_an_alarm_nobody_knows(stand: Stand, alarm_id: str) -> None:
    status, document = act(stand, "acknowledge", {}, alarm_id)
    assert status == 422
    assert alarm_id in document["error"]


@pytest.mark.parametrize(
    ("name", "stands"),
    [
        ("acknowledge", [alarm("window", life="ACKED")]),
        ("acknowledge", []),
        ("reset", [alarm("window", life="LTUNK")]),
        ("unshelve", [alarm("window")]),
        ("return", [alarm("window", life="SHLVD")]),
    ],
)
def test_what_would_change_nothing_is_refused(
    stand: Stand, name: str, stands: list[AlarmState]
) -> None:
    say_alarms_once(stand, *stands)
    status, document = act(stand, name)
    assert status == 422
    assert "it takes" in document["error"]
    say_alarms_once(stand, *stands, live=False)  # nobody knows how it stands: the watch decides
    assert act(stand, name)[0] == 200


def test_what_is_set_aside_cannot_be_set_aside_again(stand: Stand) -> None:
    say_alarms(stand, alarm("window", life="DSUPR"))
    assert act(stand, "shelve", {"minutes": 5, "reason": "x"})[0] == 422


@pytest.mark.parametrize(
    ("headers", "status"),
    [({}, 415), (JSON, 403), (JSON | {"Sec-Fetch-Site": "cross-site"}, 403)],
)
def test_another_site_can_do_nothing(stand: Stand, headers: dict[str, str], status: int) -> None:
    assert call(stand, WINDOW + "acknowledge", {}, headers)[0] == status
    assert requests_in(stand.boards.folder) == []


def test_recent_says_when_how_long_and_by_whom(stand: Stand) -> None:
    high = {"priority": "high", "text": "Coating outside its window: humidity"}
    add_events(
        stand.boards.folder,
        (40 * 60, "raised", "north-frost", {}), (39 * 60, "cleared", "north-frost", {}),
        (30, "raised", "north-window", high),
        (28, "acknowledged", "north-window", {"by": "Signe", "via": "wall"}),
        (10, "cleared", "north-window", {"why": ""}),
        (5, "raised", "north-unknown", {}),
    )  # fmt: skip
    status, document = call(stand, "/api/v1/alarms/recent?hours=24")
    assert status == 200
    unknown, window = document["alarms"]
    assert (unknown["alarm"], unknown["ended_ms"], unknown["priority"]) == (
        "north-unknown", None, "medium",
    )  # fmt: skip
    assert (window["stood_s"], window["waited_s"]) == (1200, 120)
    assert (window["by"], window["via"], window["name"]) == ("Signe", "wall", "outside its window")
    assert document["changed_ms"] == NOW_US // 1000 - 5 * 60_000
    assert len(call(stand, "/api/v1/alarms/recent?hours=48")[1]["alarms"]) == 3


def test_figures_cover_no_more_than_the_chain(stand: Stand) -> None:
    add_events(stand.boards.folder, (2 * 1440, "raised", "north-frost", {}))
    status, document = call(stand, "/api/v1/alarms/figures?days=30")
    assert status == 200
    assert document["counts"]["days"] == 2
    assert document["counts"]["per_day"] == 0.5
    assert {figure["key"] for figure in document["figures"]} >= {
        "per_day",
        "flood_pct",
        "stale_most",
    }


def test_figures_of_nothing(stand: Stand) -> None:
    document = call(stand, "/api/v1/alarms/figures")[1]
    assert (document["counts"], document["figures"]) == (None, [])


@pytest.mark.parametrize(
    "path", ["recent?hours=0", "recent?hours=nan", "recent?hours=x", "figures?days=-1",
             "figures?days=99999"],
)  # fmt: skip
def test_spans_that_cannot_be(stand: Stand, path: str) -> None:
    assert call(stand, f"/api/v1/alarms/{path}")[0] == 422
