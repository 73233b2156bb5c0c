"""Acts over HTTP against a real watch: done, refused with what hinders, kept, or malformed."""

from __future__ import annotations

import http.client
import json
from typing import TYPE_CHECKING, Any

import pytest

from envmon_boards import acts_api
from tests.bench_watch import Bench, bench_of
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ACTS = "/api/v1/bays/north/acts"
OPEN = {"act": "open", "procedure": "short", "body": "coupe", "by": "Ada", "reference": "KQ 117"}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with bench_of(tmp_path).running() as running:
        yield running


def call(bench: Bench, path: str, body: Any = None, **more: str) -> tuple[int, Any]:
    headers = {"Content-Type": "application/json", "Origin": bench.url} | more
    connection = http.client.HTTPConnection("127.0.0.1", bench.stand.port, timeout=20)
    text = body if isinstance(body, bytes | None) else json.dumps(body).encode()
    connection.request("GET" if body is None else "POST", path, text, headers)
    answer = connection.getresponse()
    status, said = answer.status, answer.read()
    connection.close()
    return status, json.loads(said)


def act(bench: Bench, **body: Any) -> tuple[int, Any]:
    return call(bench, ACTS, body)


def coating(bench: Bench) -> str:
    """Open a job, work it up to its coating against what hinders, and return its id."""
    status, said = call(bench, ACTS, OPEN)
    assert status == 200, said
    assert act(bench, act="skip", step=0, reason="a test")[0] == 200
    assert act(bench, act="start", step=1, reason="a test")[0] == 200
    return str(said["job"])


def test_an_act_is_answered_with_its_place_in_the_chain(bench: Bench) -> None:
    status, said = call(bench, ACTS, OPEN)
    assert (status, said["ok"], said["job"]) == (200, True, "260127-1")
    opened = bench.events("job_opened")
    assert [(one["job"], one["by"]) for one in opened] == [("260127-1", "Ada")]
    assert said["seq"] > 0


def test_what_hinders_comes_back_and_a_reason_overrides_it(bench: Bench) -> None:
    call(bench, ACTS, OPEN)
    status, said = act(bench, act="start", step=1)
    assert status == 409
    assert not said["conflict"]
    assert said["hindrances"]
    assert all(one["text"] in said["error"] for one in said["hindrances"])
    status, _ = act(bench, act="start", step=1, reason="the wipe was done outdoors")
    assert status == 200
    (started,) = bench.events("stage_started")
    assert started["against"] == [one["text"] for one in said["hindrances"]]
    assert started["reason"] == "the wipe was done outdoors"


def test_the_second_of_two_is_told_who_was_quicker(bench: Bench) -> None:
    coating(bench)
    assert act(bench, act="apply", panel="bonnet-left")[0] == 200
    assert act(bench, act="level", panel="bonnet-left", by="Kim")[0] == 200
    status, said = act(bench, act="level", panel="bonnet-left")
    assert (status, said["conflict"]) == (409, True)
    assert said["error"] == "Bonnet left was levelled already at 14:05 by Kim"
    assert len(bench.events("panel_levelled")) == 1


def test_a_silent_watch_keeps_the_act(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(acts_api, "WAIT_S", 0.2)
    bench.pause()
    status, said = call(bench, ACTS, OPEN)
    assert (status, said["kept"]) == (202, True)
    assert "watch does not answer" in said["text"]
    bench.pause(on=False)
    wait_until(lambda: len(bench.events("job_opened")) == 1, "the act to be taken up")


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"{}", b'{"act": "nap"}', b'{"act": "level"}', b'{"act": "level", "panel": 7}',
     b'{"act": "level", "panel": "x", "more": 1}', b'{"act": "skip", "step": 1, "reason": "no"}',
     b'{"act": "start", "step": -1}', b'{"act": "undo", "seq": "all"}',
     b'{"act": "inspect", "panel": "x", "result": "fine"}', b'{"act": "in_flight", "in_flight": 9}',
     b'{"act": "panels", "panels": []}', b'{"act": "erase", "job": "260127-1"}',
     b'{"act": "note", "text": "' + b"a" * 600 + b'"}', b"[" * 4_000],
)  # fmt: skip
def test_what_is_malformed_is_never_kept(bench: Bench, body: bytes) -> None:
    status, said = call(bench, ACTS, body)
    assert status == 422
    assert said["error"]
    assert bench.events("act_refused") == []


def test_what_cannot_be_seen_is_left_out_of_a_text(bench: Bench) -> None:
    """Controls, a turn of the writing's direction and half an emoji, as a cut-off text ends."""
    call(bench, ACTS, OPEN)
    text = b"one\\u0000two \\u001b[31m\\u202eth\\u0007ree \\ud83d"
    status, said = call(bench, ACTS, b'{"act": "note", "text": "' + text + b'"}')
    assert status == 200, said
    assert bench.events("job_note")[-1]["text"] == "one two [31m th ree"


def test_another_site_and_another_bay(bench: Bench) -> None:
    assert call(bench, ACTS, OPEN, Origin="http://shop.example")[0] == 403
    status, said = call(bench, "/api/v1/bays/attic/acts", OPEN)
    assert status == 404
    assert "north, south" in said["error"]
    assert bench.events("job_opened") == []


def test_a_plain_stage_is_refused_while_a_job_is_open(bench: Bench) -> None:
    stage = "/api/v1/bays/north/stage"
    assert call(bench, stage, {"stage": "polish"})[0] == 200
    call(bench, ACTS, OPEN)
    wait_until(lambda: b'"260127-1"' in bench.stand.feed.jobs["north"].text, "the job")
    status, said = call(bench, stage, {"stage": "wipe"})
    assert status == 409
    assert "/bench/north" in said["error"]
    assert call(bench, "/api/v1/bays/south/stage", {"stage": "wipe"})[0] == 200


def test_jobs_are_listed_and_one_is_told_with_its_reference(bench: Bench) -> None:
    job_id = coating(bench)
    status, said = call(bench, "/api/v1/jobs")
    assert status == 200
    assert [(one["job"], one["bay"], one["closed_at"]) for one in said["jobs"]] == [
        (job_id, "north", None)
    ]
    assert "KQ 117" not in json.dumps(said)
    status, said = call(bench, f"/api/v1/jobs/{job_id}")
    assert (status, said["id"], said["reference"]) == (200, job_id, "KQ 117")
    assert [step["status"] for step in said["steps"]] == ["skipped", "active"]
    assert call(bench, "/api/v1/jobs/999999-1")[0] == 404


def test_a_reference_is_erased(bench: Bench) -> None:
    job_id = coating(bench)
    address = f"/api/v1/jobs/{job_id}/erase"
    assert call(bench, address, {"plate": 1})[0] == 422
    assert call(bench, "/api/v1/jobs/999999-1/erase", {})[0] == 404
    status, said = call(bench, address, {"by": "Ada"})
    assert (status, said["job"]) == (200, job_id)
    assert call(bench, f"/api/v1/jobs/{job_id}")[1]["reference"] is None
    assert call(bench, address, {})[0] == 409
    chain = json.dumps(bench.events("job_opened") + bench.events("reference_erased"))
    assert "KQ 117" not in chain
