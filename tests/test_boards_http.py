"""The boards over HTTP: what they answer, and whom they refuse."""

from __future__ import annotations

import http.client
import json
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.clock import SECOND_US
from envmon.guard.live import BayState
from envmon.store.sqlite import SqliteStore
from tests.boards_support import NOW_US, Air, Stand, live_state

if TYPE_CHECKING:
    from collections.abc import Mapping

pytest_plugins = ["tests.boards_fixtures"]

JSON = {"Content-Type": "application/json"}


def call(
    stand: Stand, path: str, body: Any = None, headers: Mapping[str, str] | None = None
) -> tuple[int, Any]:
    connection = http.client.HTTPConnection("127.0.0.1", stand.port, timeout=20)
    text = body if isinstance(body, bytes | None) else json.dumps(body).encode()
    method = "GET" if body is None else "POST"
    connection.request(method, path, text, dict(headers or {}))
    answer = connection.getresponse()
    status, said = answer.status, answer.read()
    connection.close()
    return status, json.loads(said) if said else None


def own(stand: Stand) -> dict[str, str]:
    return JSON | {"Origin": stand.url}


def asked(stand: Stand) -> list[tuple[str, str, dict[str, Any]]]:
    store = SqliteStore(stand.boards.folder)
    try:
        return [(r.kind, r.bay, r.data) for r in store.requests()]
    finally:
        store.close()


def test_healthz_says_whether_all_is_well(stand: Stand) -> None:
    status, document = call(stand, "/healthz")
    assert (status, document["ok"], document["watch"]["state"]) == (200, True, "up")
    stand.feed.set_broker(up=False)
    status, document = call(stand, "/healthz")
    assert (status, document["ok"], document["broker"]) == (503, False, False)


def test_a_bay_is_the_state_that_was_published(stand: Stand) -> None:
    status, document = call(stand, "/api/v1/bays/north")
    age_s = document.pop("age_s")
    assert status == 200
    assert msgspec.convert(document, BayState) == live_state(stand.plan, "north")
    assert 0 <= age_s < 20


def test_all_bays(stand: Stand) -> None:
    status, document = call(stand, "/api/v1/bays")
    assert status == 200
    assert set(document["bays"]) == set(document["ages_s"]) == {"north", "south"}
    assert document["at"].startswith("2026-01-27T23:05:00")


@pytest.mark.parametrize("path", ["/api/v1/bays/attic", "/api/v1/bays/attic/trend"])
def test_an_unknown_bay_is_named_with_those_there_are(stand: Stand, path: str) -> None:
    status, document = call(stand, path)
    assert status == 404
    assert "attic" in document["error"]
    assert "north, south" in document["error"]


def test_a_bay_nobody_has_spoken_of(stand: Stand) -> None:
    stand.mute()
    stand.feed.bays.clear()
    status, document = call(stand, "/api/v1/bays/north")
    assert status == 503
    assert "watch" in document["error"]


def test_the_trend_comes_from_the_store(stand: Stand) -> None:
    store = SqliteStore(stand.boards.folder)
    store.add_readings(Air().readings("north", NOW_US - 60 * SECOND_US))
    store.close()
    status, document = call(stand, "/api/v1/bays/north/trend?hours=3")
    assert status == 200
    assert document["values"]["panel_temp_c"]["v"] == [18.2]
    assert document["to_ms"] - document["from_ms"] == 3 * 3_600_000


@pytest.mark.parametrize("hours", ["0", "-1", "25", "nan", "inf", "x"])
def test_hours_that_cannot_be(stand: Stand, hours: str) -> None:
    assert call(stand, f"/api/v1/bays/north/trend?hours={hours}")[0] == 422


def test_a_stage_is_asked_for_durably(stand: Stand) -> None:
    address = "/api/v1/bays/south/stage"
    assert call(stand, address, {"stage": "polish"}, own(stand))[0] == 200
    assert call(stand, address, {"stage": None}, own(stand))[0] == 200
    assert asked(stand) == [
        ("stage_started", "south", {"stage": "polish"}),
        ("stage_ended", "south", {}),
    ]


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        (JSON, 403),
        (JSON | {"Origin": "http://shop.example"}, 403),
        (JSON | {"Origin": "null"}, 403),
        (JSON | {"Sec-Fetch-Site": "cross-site"}, 403),
        (JSON | {"Sec-Fetch-Site": "same-site"}, 403),
        ({"Content-Type": "text/plain", "Sec-Fetch-Site": "same-origin"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({}, 415),
    ],
)
def test_another_site_cannot_set_a_stage(
    stand: Stand, headers: dict[str, str], status: int
) -> None:
    got, document = call(stand, "/api/v1/bays/north/stage", {"stage": "polish"}, headers)
    assert got == status
    assert document["error"]
    assert asked(stand) == []


def test_a_browser_on_our_own_page_can(stand: Stand) -> None:
    headers = JSON | {"Sec-Fetch-Site": "same-origin"}
    assert call(stand, "/api/v1/bays/north/stage", {"stage": "wipe"}, headers)[0] == 200


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"{", b"{}", b'{"stage": 1}', b'{"stage": "nap"}', b'{"stage":null,"x":1}',
     b'{"stage": ["coating"]}', b'{"stage": "' + b"a" * 9_000 + b'"}', b"[" * 4_000],
)  # fmt: skip
def test_a_body_that_says_no_stage(stand: Stand, body: bytes) -> None:
    status, document = call(stand, "/api/v1/bays/north/stage", body, own(stand))
    assert status == 422
    assert document["error"]
    assert asked(stand) == []


@pytest.mark.parametrize("host", ["shop.example", "127.0.0.1.shop.example", "10.0.0.8:8050", ""])
def test_a_foreign_name_for_us_is_refused(stand: Stand, host: str) -> None:
    """A page of another site that turns its own name to 127.0.0.1 (DNS rebinding)."""
    for path in ("/", "/api/v1/bays", "/healthz"):
        status, document = call(stand, path, headers={"Host": host})
        assert status == 421
        assert "localhost" in document["error"]


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8050", "[::1]:8050"])
def test_our_own_names_are_let_in(stand: Stand, host: str) -> None:
    assert call(stand, "/healthz", headers={"Host": host})[0] == 200


def test_the_demo_is_not_there_in_a_real_shop(stand: Stand) -> None:
    order = {"node": "north/air", "out": True}
    assert call(stand, "/api/v1/demo", order, own(stand))[0] in {404, 405}


def test_the_stream_says_all_at_once_and_then_beats(stand: Stand) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", stand.port, timeout=20)
    connection.request("GET", "/api/v1/stream")
    answer = connection.getresponse()
    assert answer.headers["Content-Type"].startswith("text/event-stream")
    events: list[dict[str, Any]] = []
    while len(events) < 3:
        line = answer.readline()
        if line.startswith(b"data: "):
            events.append(json.loads(line[6:]))
        else:
            assert line in {b"event: bays\n", b"\n"}
    connection.close()
    assert set(events[0]["bays"]) == {"north", "south"}
    assert all(set(event["ages_s"]) == {"north", "south"} for event in events)
