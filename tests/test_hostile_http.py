"""Every address of the boards, asked anything: never a fault of the server, never slow, never kept.

The addresses are read off the application, so a new one is asked too. 503 is an answer: something
the boards need (the watch, a store) is not there. ``ENVMON_HOSTILE_QUESTIONS=6000`` makes a long
run of it.
"""

from __future__ import annotations

import json
import os
import re
import time
from contextlib import closing
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

import pytest
from fastapi.routing import APIRoute
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from envmon.store.sqlite import SqliteStore
from tests.door_support import Asker, door_stand
from tests.hostile_support import ODD, SLOWEST_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.boards_support import Stand

PATIENCE_S = 3 * SLOWEST_S
"""On a machine three times slower [s of the processor]; the first paper of all loads its fonts."""
EXAMPLES = int(os.environ.get("ENVMON_HOSTILE_QUESTIONS", "120"))
"""Questions of each role; thousands for a long run."""
SKIPPED = ("/api/v1/login", "/api/v1/logout")
"""They count tries and end sessions; ``test_door_tries`` asks them."""

TEXTS = st.text(max_size=20) | st.sampled_from(
    ["north", "..", "../../etc/passwd", "%00", "é", "'; DROP TABLE event; --", "<b>", "x" * 3_000,
     "-1", "1e309", "nan", "inf", "0", "9" * 400, "2026-01-27", "2026-01-27T08:00:00Z",
     "9999-12-31T23:59:59Z", "0001-01-01", "air_temp_c", "a/b", "csv", "null", "[]"]
)  # fmt: skip
PLAIN = st.none() | st.booleans() | st.integers() | st.floats() | TEXTS
BODIES = st.recursive(
    PLAIN, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=4)
)
KEYS = st.sampled_from(
    ["stage", "act", "by", "bay", "panel", "reason", "minutes", "step", "topic", "reads", "point",
     "note", "product", "expects", "id", "job", "text", "temp", "rh", "hours", "from", "to",
     "quantity", "points", "width", "format", "kind", "day", "ratio", "parts"]
)  # fmt: skip
FORMS = st.dictionaries(KEYS, BODIES | st.sampled_from(ODD[:10]), max_size=5)


class Address(NamedTuple):
    """One address and what it is asked with."""

    method: str
    path: str
    queries: tuple[str, ...]


def addresses(routes: Any) -> Iterator[Address]:
    """Yield every address of the application, with the names of what it may be asked."""
    for route in routes:
        inner = getattr(route, "original_router", None)
        if inner is not None:
            yield from addresses(inner.routes)
            continue
        wants = route.dependant.query_params if isinstance(route, APIRoute) else ()
        queries = tuple(one.name for one in wants)
        if getattr(route, "path", SKIPPED[0]) not in SKIPPED:
            yield from (Address(way, route.path, queries) for way in getattr(route, "methods", ()))


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> Stand:
    made = door_stand(tmp_path_factory.mktemp("hostile"))
    SqliteStore(made.boards.folder).close()
    return made


def asked_of(data: st.DataObject, address: Address) -> str:
    """Return a path with its places filled in, and a question behind it."""
    path = re.sub(r"\{[^}]*\}", lambda _place: quote(data.draw(TEXTS), safe="/"), address.path)
    names = st.sampled_from(address.queries) | TEXTS if address.queries else KEYS
    query = data.draw(st.lists(st.tuples(names, TEXTS), max_size=4))
    joined = "&".join(f"{quote(key)}={quote(value)}" for key, value in query)
    return f"{path}?{joined}" if joined else path


def kept(stand: Stand) -> int:
    with closing(SqliteStore(stand.boards.folder)) as store:
        return len(store.requests()) + len(list(store.events()))


@pytest.mark.parametrize("role", ["manage", "look", ""])
def test_no_address_fails_on_any_question(stand: Stand, role: str) -> None:
    asker = Asker(stand.boards)
    cookies = {**asker.cookies(), "": ""}
    known = sorted(set(addresses(asker.app.routes)))
    assert len(known) > 40

    @settings(
        max_examples=EXAMPLES, deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )  # fmt: skip
    @given(st.sampled_from(known), BODIES | FORMS | st.binary(max_size=80), st.data())
    def ask(address: Address, body: Any, data: st.DataObject) -> None:
        sent = body if isinstance(body, bytes) else json.dumps(body).encode()
        asker.clock.advance(60)  # so that nothing is refused for being too much
        path, before, begun = asked_of(data, address), kept(stand), time.process_time()
        answer = asker.ask(address.method, path, sent, cookie=cookies[role])

        assert time.process_time() - begun < PATIENCE_S
        assert answer.status < 500 or answer.status == 503, answer.body[:300]
        assert b"Traceback" not in answer.body
        if answer.status >= 400 or address.method in {"GET", "HEAD"}:
            assert kept(stand) == before

    ask()


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_a_body_beyond_measure_is_refused_wherever_it_is_sent(stand: Stand, method: str) -> None:
    asker = Asker(stand.boards)
    cookie = asker.cookies()["manage"]
    large = json.dumps({"text": "x" * 200_000}).encode()
    for path in sorted({one.path for one in addresses(asker.app.routes)}):
        answer = asker.ask(method, path.replace("{", "").replace("}", ""), large, cookie=cookie)
        assert 400 <= answer.status < 500, (path, answer.status)
