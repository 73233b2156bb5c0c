"""The record of a job that the real watch led: entered, proven, its reference erased."""

from __future__ import annotations

import json
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest

from envmon.job import events as names
from envmon.service.keeping.exporting import ExportJob, export
from envmon.service.record.make import RecordDesk
from envmon.service.record.verifying import checked
from envmon.service.record.verifying_shop import held_to_shop
from envmon.store.sqlite import SqliteStore
from tests import record_reference as reference
from tests.job_support import JOB_SHOP, JobHand
from tests.record_support import shop_from

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

REFERENCE = "black trike, invented plate TR-7"
REASON = "a vehicle of the tests"


class Led:
    """A job led by the watch from the first wipe to the hand-over."""

    def __init__(self, folder: Path) -> None:
        self.shop_file = folder / "shop.toml"
        self.shop_file.write_text(JOB_SHOP, encoding="utf-8")
        self.data = folder / "data"
        self.hand = JobHand(self.data)
        self.hand.go(1200)
        asked = {"procedure": "coat", "body": "trike", "reference": REFERENCE, "by": "Ada"}
        self.hand.ask("open", **asked, batches={"hard_coat": "B7"})
        self.job = self.hand.job().id
        for step in (0, 1):
            self.hand.ask("start", step=step, reason=REASON)
            self.hand.go(180)
        self.hand.ask("start", step=2, reason=REASON)
        for panel in self.hand.job().panels:
            self.hand.ask("apply", panel=panel.id)
            self.hand.go(150)
            self.hand.ask("level", panel=panel.id)
        self.hand.ask("finish", step=2)
        self.hand.go(2400)
        self.hand.go(900, temp_c=12.0, panel_c=12.0)  # the heater fails
        self.hand.go(1800)
        self.hand.ask("close", reason=REASON)
        self.hand.go(60)

    def handed_out(self, form: Any = "json") -> bytes:
        """Hand the record out as a command does, beside the watch."""
        with closing(SqliteStore(self.data)) as store:
            now_us = self.hand.clock.at_us
            desk = RecordDesk(shop_from(JOB_SHOP), store, self.data, now_us)
            return desk.handed_out(self.job, form)

    def taken_up(self) -> None:
        """Let the watch take up what was asked."""
        self.hand.look_now()
        self.hand.go(20)

    def wrong(self, raw: bytes) -> tuple[str, ...]:
        shop_file, data = self.shop_file, str(self.data)
        return held_to_shop(checked(raw), json.loads(raw), shop_file, data).wrong


@pytest.fixture(scope="module")
def led(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Led]:
    job = Led(tmp_path_factory.mktemp("led"))
    yield job
    job.hand.store.close()


def test_the_watch_enters_it_and_it_is_proven(led: Led) -> None:
    raw = led.handed_out()
    led.handed_out("html")
    assert any("waits for the watch" in text for text in led.wrong(raw))
    led.taken_up()
    made = [event.data for event in led.hand.store.events_of(names.RECORD_MADE)]
    assert [(data["form"], data["digest"]) for data in made] == [
        (form, json.loads(raw)["digest"]) for form in ("json", "html")
    ]
    assert led.wrong(raw) == ()


def test_it_tells_what_the_watch_led(led: Led) -> None:
    document = json.loads(led.handed_out())
    assert [step["status"] for step in document["stages"]][:3] == ["done"] * 3
    assert [row["wait_s"] for row in document["panels"]] == [pytest.approx(150, abs=2)] * 3
    assert {row["flash"]["sheet_to_s"] for row in document["panels"]} == {300.0}
    assert {row["reason"] for row in document["overrides"]} == {REASON}
    assert document["aftercare"]["first_wash_days"] == 7
    assert [p["batch"] for p in document["products"] if p["id"] == "hard_coat"] == ["B7"]
    cure = document["cure"]
    assert cure["held"] is False
    assert 600 < cure["outside_s"] < 1500
    assert cure["clock_s"] == pytest.approx(
        cure["inside_s"] + cure["outside_s"] + cure["unknown_s"]
    )
    assert any(row["name"] == "outside its window" for row in document["alarms"])


def test_its_numbers_are_those_of_pandas(led: Led, tmp_path: Path) -> None:
    document = json.loads(led.handed_out())
    csv = tmp_path / "all.csv"
    job = ExportJob(led.shop_file, "2026-01-27", "2026-01-28", out=csv, data=str(led.data))
    assert export(job, print) == 0
    readings = reference.readings_of(csv, document["measured"]["taken_in_until"])
    checked_rows = 0
    for run in document["measured"]["runs"]:
        ends = reference.us(run["from"]), reference.us(run["to"])
        for row in run["limits"]:
            sources = document["measured"]["sources"].get(row["quantity"])
            if not sources:
                continue
            own = readings[readings["quantity"] == row["quantity"]]
            whole = reference.held(own, {s["point"]: s["stale_s"] for s in sources}, ends)
            low = -float("inf") if row["low"] is None else row["low"]
            high = float("inf") if row["high"] is None else row["high"]
            found = reference.numbers(whole, reference.Limit(row["quantity"], low, high))
            for name in ("min", "mean", "max", "inside_s", "outside_s", "unknown_s"):
                assert row[name] == pytest.approx(found[name], abs=2e-6), (run["stage"], row)
            checked_rows += 1
    assert checked_rows >= 8


def test_erasing_the_reference_keeps_the_proof(led: Led) -> None:
    before = led.handed_out()
    assert json.loads(before)["reference"]["text"] == REFERENCE
    led.hand.ask("erase", job=led.job)
    led.taken_up()
    after = led.handed_out()
    assert json.loads(after)["reference"] is None
    assert REFERENCE.encode() not in after
    assert REFERENCE not in led.handed_out("html").decode()
    led.taken_up()
    for raw in (before, after):
        assert checked(raw).wrong == ()
        assert led.wrong(raw) == ()
