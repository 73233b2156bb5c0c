"""``envmon alarms``: what stands and the figures, from the chain alone; JSON alone on stdout."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from envmon.clock import ManualClock
from envmon.errors import InputError, StoreError
from envmon.service.alarm_report import alarm_report, print_report
from envmon.store.sqlite import SqliteStore
from tests.alarm_board_support import add_events
from tests.boards_support import NOW_US, shop_text
from tests.test_now_command import envmon

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def shop_file(tmp_path: Path) -> Path:
    """A shop in which one alarm stands and another was acknowledged and is over."""
    file = tmp_path / "shop.toml"
    file.write_text(shop_text(), encoding="utf-8")
    add_events(
        tmp_path / "data",
        (48 * 60, "raised", "north-frost", {"priority": "high", "text": "Stores near freezing"}),
        (47 * 60, "acknowledged", "north-frost", {"by": "Signe"}),
        (46 * 60, "cleared", "north-frost", {}),
        (30, "raised", "north-window", {"priority": "high", "text": "Coating outside its window"}),
    )
    return file


def test_what_stands_and_the_figures(shop_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    report = alarm_report(shop_file, 30, clock=ManualClock(NOW_US))
    assert [one.alarm for one in report.standing] == ["north-window"]
    counts = report.figures.counts
    assert counts is not None
    assert (counts.days, counts.per_day, counts.answer_s) == (2.0, 1.0, 3600.0)
    print_report(report)
    said = capsys.readouterr().out
    assert "north-window" in said
    assert "alarms a day" in said
    assert "from memory" in said


def test_the_command_prints_one_json_document(shop_file: Path) -> None:
    done = envmon("alarms", shop_file, "--days", "3660", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert [one["alarm"] for one in document["standing"]] == ["north-window"]
    assert document["counts"]["alarms"] == 2
    assert {one["key"] for one in document["figures"]} >= {"per_day", "answer_s"}


def test_without_data_and_with_days_that_cannot_be(shop_file: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="days is 0"):
        alarm_report(shop_file, 0)
    with pytest.raises(StoreError, match="no data"):
        alarm_report(shop_file, 30, str(tmp_path / "elsewhere"))
    assert envmon("alarms", shop_file, "--days", "-1").returncode == 2


def test_a_young_shop_has_no_figures_yet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(shop_text(), encoding="utf-8")
    SqliteStore(tmp_path / "data").close()
    print_report(alarm_report(file, 30, clock=ManualClock(NOW_US)))
    said = capsys.readouterr().out
    assert "no alarm stands" in said
    assert "no figures yet" in said
