"""The record at its address on the boards: as JSON, page and PDF, and for no foreign page."""

from __future__ import annotations

import http.client
import json
import threading
from typing import TYPE_CHECKING

import pytest
import uvicorn

from envmon.guard.plan import plan_from_shop
from envmon.service.record.verifying import checked
from envmon_boards.api import Boards
from envmon_boards.app import build_app
from envmon_boards.feed import LiveFeed
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import wait_until
from tests.record_support import JOB, REFERENCE, Story, told_story

if TYPE_CHECKING:
    from collections.abc import Iterator

END = 800.0


class Served:
    """The boards of a shop whose job is told, on a port of their own."""

    def __init__(self, story: Story) -> None:
        self.story = story
        plan = plan_from_shop(story.shop)
        boards = Boards(story.shop, plan, LiveFeed(), story.data, story.clock(END))
        self.port = free_port()
        config = uvicorn.Config(build_app(boards), port=self.port, log_level="error", ws="none")
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run)
        self.thread.start()
        wait_until(lambda: self.server.started, "the boards")

    def get(self, path: str, **headers: str) -> tuple[int, http.client.HTTPMessage, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        named = {key.replace("_", "-"): value for key, value in headers.items()}
        connection.request("GET", path, headers=named)
        answer = connection.getresponse()
        found = answer.status, answer.headers, answer.read()
        connection.close()
        return found

    def end(self) -> None:
        self.server.should_exit = True
        self.thread.join(15)
        assert not self.thread.is_alive()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    serving = Served(told_story(tmp_path_factory.mktemp("board")))
    yield serving
    serving.end()


def test_three_forms_of_one_record(served: Served) -> None:
    status, headers, raw = served.get(f"/api/v1/jobs/{JOB}/record.json", sec_fetch_site="none")
    assert (status, headers["content-type"]) == (200, "application/json")
    assert headers["cache-control"] == "no-store"
    assert f'attachment; filename="record_{JOB}.json"' in headers["content-disposition"]
    assert checked(raw).wrong == ()
    status, headers, page = served.get(f"/api/v1/jobs/{JOB}/record.html")
    assert (status, headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert json.loads(raw)["digest"][:8] in page.decode()
    assert REFERENCE in page.decode()
    status, headers, pdf = served.get(
        f"/api/v1/jobs/{JOB}/record.pdf", sec_fetch_site="same-origin"
    )
    assert (status, headers["content-type"], pdf[:5]) == (200, "application/pdf", b"%PDF-")
    asked = [request.data["form"] for request in served.story.store.requests()]
    assert asked == ["json", "html", "pdf"]


def test_a_job_nobody_opened(served: Served) -> None:
    status, _, said = served.get("/api/v1/jobs/nope/record.pdf")
    assert (status, json.loads(said)) == (404, {"error": "there is no job 'nope'"})


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_foreign_page_makes_no_record(served: Served, site: str) -> None:
    before = len(served.story.store.requests())
    status, _, _ = served.get(f"/api/v1/jobs/{JOB}/record.html", sec_fetch_site=site)
    assert status == 403
    assert len(served.story.store.requests()) == before
