"""From a cold vehicle to a signed record, on the demo at 60 times real speed.

A scripted person drives a motorcycle through the bench board in a real Chromium, and only
through it; then the commands export the readings, write the record and prove it. The record's
numbers are held against plain pandas on the exported CSV (``record_reference``).
"""

from __future__ import annotations

import json
import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest

from envmon.clock import us_from_iso
from tests.bench_hand import BenchHand, HandDemo, envmon, hand_demo
from tests.boards_support import page_of
from tests.record_reference import (
    MARGIN_TOLERANCE_K,
    Limit,
    dew_margin,
    held,
    numbers,
    readings_of,
)

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = [
    pytest.mark.broker, pytest.mark.browser, pytest.mark.long, pytest.mark.timeout(600),
]  # fmt: skip

TABLET = {"width": 1180, "height": 820}
REFERENCE = "blue tourer, invented plate QK-31"
WARM_UP, FOAM, RINSE, DRYING, WIPE, COATING, EARLY_CURE, HAND_OVER = range(8)
WHY = "the day is short"
MEASURED = ("air_temp_c", "rel_hum_pct", "panel_temp_c", "water_temp_c", "dissolved_solids_ppm")


class Worked(NamedTuple):
    """A job that was worked: its papers' folder, its id, and what stood against each step."""

    folder: Path
    job: str
    against: dict[int, list[str]]


def drive(demo: HandDemo, hand: BenchHand) -> tuple[str, dict[int, list[str]]]:
    """Work the whole job; return its id and what stood against each step."""
    against: dict[int, list[str]] = {}
    demo.wait_until_clock("07:06")
    demo.wait_for("the motorcycle, cold", 30, lambda: panel_c(demo) < 10)
    job = hand.open_job("short_coating", "quay_motorcycle", REFERENCE, ("harbour_glaze", "HG-2207"))
    against[WARM_UP] = hand.start(WARM_UP, WHY)
    for step, clock in ((FOAM, "07:31"), (RINSE, "07:39"), (DRYING, "07:50"), (WIPE, "08:34")):
        demo.wait_until_clock(clock)
        hand.finish(step - 1)
        against[step] = hand.start(step, WHY)
    demo.wait_until_clock("08:41")
    hand.finish(WIPE)
    against[COATING] = hand.start(COATING, WHY)
    coat(hand)
    hand.finish(COATING)
    hand.status(EARLY_CURE, "active")
    demo.wait_until_clock("10:04")
    hand.finish(EARLY_CURE)
    against[HAND_OVER] = hand.start(HAND_OVER, WHY)
    hand.finish(HAND_OVER)
    hand.press('[data-act="close"]')
    if hand.page.locator(".bench-ask").count():
        hand.press('.bench-ask [data-act="ask-yes"]')
    hand.wait('[data-bench][data-job="no"]')
    return job, against


def coat(hand: BenchHand) -> None:
    """Work the panels, two in flight: half by their rows, the rest as the large button proposes."""
    panels = hand.panels()
    assert len(panels) == 6
    hand.act_on(panels[0], "apply")
    for before, panel in pairwise(panels[:3]):
        hand.act_on(panel, "apply")
        hand.finish_panel(before)
    proposed = hand.follow()
    assert sorted(proposed) == sorted(
        ["level"] * 4 + ["wipe"] * 4 + ["inspect"] * 4 + ["apply"] * 3
    )


def panel_c(demo: HandDemo) -> float:
    value = demo.get("/api/v1/bays/south")["conditions"]["panel_temp_c"]["value"]
    return 99.0 if value is None else float(value)


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Worked:
    """The job worked, its record in three forms, and the readings exported."""
    folder = tmp_path_factory.mktemp("job")
    with hand_demo(folder / "data", "06:52", 60) as demo:
        with page_of(browser, f"{demo.url}/bench/south", TABLET) as page:
            job, against = drive(demo, BenchHand(page))
        for name in ("record.json", "record.html", "record.pdf"):
            done = envmon("record", demo.shop_file, job, "--out", folder / name)
            assert done.returncode == 0, done.stderr
        span = ("--from", "2026-01-27T06:00", "--to", "2026-01-27T12:00")
        done = envmon(
            "export", demo.shop_file, *span, "--format", "csv", "--out", folder / "all.csv"
        )
        assert done.returncode == 0, done.stderr
        jobs = envmon("jobs", demo.shop_file)
        assert job in jobs.stdout
    return Worked(folder, job, against)


@pytest.fixture(scope="module")
def document(worked: Worked) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((worked.folder / "record.json").read_text("utf-8"))
    return found


@pytest.fixture(scope="module")
def readings(worked: Worked) -> pd.DataFrame:
    return readings_of(worked.folder / "all.csv")


def test_every_step_was_done_on_the_screen(worked: Worked, document: dict[str, Any]) -> None:
    assert document["job"]["id"] == worked.job
    assert [step["status"] for step in document["stages"]] == ["done"] * 8
    assert document["job"]["closed"]
    assert [p["batch"] for p in document["products"] if p["id"] == "harbour_glaze"] == ["HG-2207"]


def test_guards_that_stood_are_in_the_record_with_their_reason(
    worked: Worked, document: dict[str, Any]
) -> None:
    """The wipe had not flashed and the panel was too cold for the sheet; both stood on screen."""
    against = worked.against
    assert against[COATING]
    asked = {
        (stage, text)
        for step, lines in against.items()
        for text in lines
        for stage in [document["stages"][step]["stage"]]
    }
    told = {(row["stage"], text) for row in document["overrides"] for text in row["against"]}
    assert {stage for stage, _ in asked} == {stage for stage, _ in told}
    assert {row["reason"] for row in document["overrides"]} == {WHY}


def test_two_panels_were_in_flight_and_each_was_levelled_in_its_window(
    document: dict[str, Any],
) -> None:
    turns = []
    for row in document["panels"]:
        assert row["result"] == "clean"
        assert row["wait_s"] >= row["flash"]["from_s"]
        turns += [(us_from_iso(row["applied"]), 1), (us_from_iso(row["levelled"]), -1)]
    flying, most = 0, 0
    for _, change in sorted(turns):
        flying += change
        most = max(most, flying)
    assert (len(document["panels"]), most, flying) == (6, 2, 0)


def limits(document: dict[str, Any]) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    return [(run, row) for run in document["measured"]["runs"] for row in run["limits"]]


def limit_of(row: dict[str, Any], wider: float = 0.0) -> Limit:
    low = -math.inf if row["low"] is None else row["low"] - wider
    high = math.inf if row["high"] is None else row["high"] + wider
    return Limit(row["quantity"], low, high)


def in_force(
    document: dict[str, Any], readings: pd.DataFrame, quantity: str, run: dict[str, Any]
) -> pd.Series[Any]:
    """Return what a measured quantity was over a run, by pandas."""
    sources = document["measured"]["sources"][quantity]
    ends = us_from_iso(run["from"]), us_from_iso(run["to"])
    own = readings[readings["quantity"] == quantity]
    return held(own, {source["point"]: source["stale_s"] for source in sources}, ends)


def test_numbers_of_every_measured_limit_are_those_of_pandas(
    document: dict[str, Any], readings: pd.DataFrame
) -> None:
    checked = set()
    for run, row in limits(document):
        quantity = row["quantity"]
        if quantity not in MEASURED:
            continue
        mine = numbers(in_force(document, readings, quantity, run), limit_of(row))
        for name in ("min", "mean", "max", "inside_s", "outside_s", "unknown_s"):
            assert row[name] == pytest.approx(mine[name], abs=2e-6), (run["stage"], quantity, name)
        assert row["excursions"]["count"] == mine["excursions"]
        checked.add((run["stage"], quantity))
    assert checked >= {
        ("warm_up", "panel_temp_c"), ("foam", "water_temp_c"), ("rinse", "dissolved_solids_ppm"),
        ("drying", "rel_hum_pct"), ("wipe", "air_temp_c"), ("coating", "air_temp_c"),
        ("coating", "rel_hum_pct"), ("coating", "panel_temp_c"), ("early_cure", "air_temp_c"),
    }  # fmt: skip


def test_dew_margin_is_that_of_another_library(
    document: dict[str, Any], readings: pd.DataFrame
) -> None:
    """Against psychrolib; seconds inside lie between those of limits 0.1 K wider and narrower."""
    checked = set()
    for run, row in limits(document):
        if row["quantity"] != "dew_margin_k":
            continue
        parts = [
            in_force(document, readings, name, run)
            for name in ("air_temp_c", "rel_hum_pct", "panel_temp_c")
        ]
        mine = dew_margin(*parts)
        plain = numbers(mine, limit_of(row))
        for name in ("min", "mean", "max"):
            assert row[name] == pytest.approx(plain[name], abs=MARGIN_TOLERANCE_K)
        assert row["unknown_s"] == pytest.approx(plain["unknown_s"], abs=2e-6)
        least = numbers(mine, limit_of(row, -MARGIN_TOLERANCE_K))["inside_s"]
        most = numbers(mine, limit_of(row, MARGIN_TOLERANCE_K))["inside_s"]
        assert least - 2e-6 <= row["inside_s"] <= most + 2e-6
        checked.add(run["stage"])
    assert checked >= {"warm_up", "drying", "coating", "early_cure"}


def test_the_record_is_proven_and_a_changed_byte_is_found(worked: Worked, tmp_path: Path) -> None:
    whole = (worked.folder / "record.json").read_bytes()
    good = envmon("verify", worked.folder / "record.json")
    assert good.returncode == 0, good.stderr
    changed = tmp_path / "changed.json"
    changed.write_bytes(whole.replace(b'"clean"', b'"cleam"', 1))
    assert whole != changed.read_bytes()
    bad = envmon("verify", changed)
    assert bad.returncode == 1


def test_pages_carry_the_digest_of_the_document(worked: Worked, document: dict[str, Any]) -> None:
    page = (worked.folder / "record.html").read_text("utf-8")
    assert document["digest"][:12] in page.replace(" ", "").replace("\u200b", "")
    assert (worked.folder / "record.pdf").read_bytes().startswith(b"%PDF-")
