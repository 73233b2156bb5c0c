"""``envmon jobs``: the newest first, and whether each cure held."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import ManualClock
from envmon.errors import StoreError
from envmon.job import events as names
from envmon.service.job.listing import list_jobs
from tests.record_support import JOB, REFERENCE, STEPS, Story, at_us

if TYPE_CHECKING:
    from pathlib import Path


def said(story: Story, capsys: pytest.CaptureFixture[str], minutes: float, *, as_json: bool) -> str:
    clock = ManualClock(at_us(minutes))
    assert list_jobs(story.shop_file, None, clock, as_json=as_json) == 0
    return capsys.readouterr().out


def jobs(story: Story, capsys: pytest.CaptureFixture[str], minutes: float) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(said(story, capsys, minutes, as_json=True))["jobs"]
    return found


def second_job(story: Story, minutes: float) -> None:
    story.say(
        minutes, names.OPENED, job="260127-2", procedure="winter", procedure_name="Winter coating",
        body="", steps=STEPS, products={}, limits={}, panels=[], in_flight=2, reference_digest="",
    )  # fmt: skip
    story.say(minutes, names.STAGE_STARTED, job="260127-2", step=0, stage="warm_up")


def test_the_newest_first_with_how_the_cure_went(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    story = Story(tmp_path)
    end = story.whole()
    second_job(story, end + 30)
    new, old = jobs(story, capsys, end + 60)
    assert (new["job"], new["stage"], new["closed_ms"], new["cure"]) == (
        "260127-2", "warm_up", None, None,
    )  # fmt: skip
    assert (old["job"], old["panels"]) == (JOB, 3)
    # Last panel levelled at 49.5 min; the window broken for half an hour; handed over at 654 min.
    assert old["cure"]["outside_s"] == 30 * 60
    assert old["cure"]["clock_s"] == pytest.approx((end - 49.5) * 60)
    assert old["cure"]["inside_s"] == old["cure"]["clock_s"] - 30 * 60
    table = said(story, capsys, end + 60, as_json=False)
    assert table.index("260127-2") < table.index(JOB)
    assert "Warm-up" in table
    assert "outside" in table
    assert REFERENCE not in table


@pytest.mark.parametrize("columns", [80, 100])
def test_the_list_fits_the_terminal(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    columns: int,
) -> None:
    """Half a dozen lines for two jobs, not one of them wider than the terminal."""
    monkeypatch.setenv("COLUMNS", str(columns))
    story = Story(tmp_path)
    end = story.whole()
    second_job(story, end + 30)
    table = said(story, capsys, end + 60, as_json=False).splitlines()
    assert max(map(len, table)) <= columns
    assert len(table) <= 6
    assert table[0].split() == ["job", "bay", "opened", "stands", "at", "work"]
    old = next(place for place, line in enumerate(table) if line.startswith(JOB))
    assert "handed over  Winter coating" in table[old]
    assert table[old + 1].lstrip().startswith("cure: ")


def test_a_cure_that_held_and_one_under_way(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    story = Story(tmp_path)
    story.open()
    story.say(1, names.CURE_FITNESS, fitness="fit")
    story.start(2, 3)
    story.coat(3)
    (job,) = jobs(story, capsys, 11.5 + 120)
    assert job["cure"]["text"].startswith("Held: 2")
    assert job["cure"]["inside_s"] == 7200
    assert [mark["left_s"] == 0 for mark in job["cure"]["milestones"]] == [True, False, False]


def test_no_job_and_no_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    story = Story(tmp_path)
    assert jobs(story, capsys, 1) == []
    assert "no job was opened yet" in said(story, capsys, 1, as_json=False)
    with pytest.raises(StoreError, match="no data in"):
        list_jobs(story.shop_file, str(tmp_path / "none"), ManualClock(0), as_json=True)


def test_a_cure_is_counted_only_as_far_as_the_watch_has_judged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    story = Story(tmp_path)
    story.open()
    story.say(1, names.CURE_FITNESS, fitness="fit")
    story.start(2, 3)
    story.coat(3)
    story.store.save_snapshot("guard", at_us(11.5 + 120), b"{}")
    watched, later = (jobs(story, capsys, minutes)[0]["cure"] for minutes in (140, 5_000))
    assert watched["clock_s"] == watched["inside_s"] == 7200
    assert later == watched
