"""Where the demo's simulated time begins, and what it refuses to begin with."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest

from envmon.clock import SECOND_US, us_from_iso
from envmon.errors import InputError
from envmon.service.demo import DEMO_START, DemoOptions, _start_us
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from pathlib import Path

ALASKA = ZoneInfo("America/Anchorage")


def keep_until(folder: Path, text: str) -> None:
    store = SqliteStore(folder)
    store.save_snapshot("guard", us_from_iso(text), b"{}")
    store.close()


def begins(folder: Path, begin: str | None) -> str:
    moment = datetime.fromtimestamp(_start_us(folder, begin) // SECOND_US, ALASKA)
    return f"{moment:%Y-%m-%d %H:%M}"


@pytest.mark.parametrize("text", ["7:00", "24:00", "07:60", "0700", "07:00:00", "seven", ""])
def test_no_time_of_day_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="allowed is a time of day such as 07:00"):
        DemoOptions(begin=text)


def test_a_new_demo_begins_when_it_is_told(tmp_path: Path) -> None:
    assert _start_us(tmp_path, None) == us_from_iso(DEMO_START)
    assert begins(tmp_path, "07:00") == "2026-01-27 07:00"
    assert begins(tmp_path, "23:59") == "2026-01-27 23:59"


@pytest.mark.parametrize(
    ("kept", "begin", "first"),
    [
        ("2026-01-27T08:00:00-09:00", "07:00", "2026-01-28 07:00"),
        ("2026-01-27T06:00:00-09:00", "07:00", "2026-01-27 07:00"),
        ("2026-01-27T07:00:00-09:00", "07:00", "2026-01-27 07:00"),
        ("2026-01-30T15:00:00-09:00", "07:00", "2026-01-31 07:00"),
        ("2026-01-30T15:00:00-09:00", None, "2026-01-30 15:00"),
        ("2026-01-20T15:00:00-09:00", None, "2026-01-27 09:58"),
    ],
)
def test_kept_data_is_never_begun_before_its_end(
    tmp_path: Path, kept: str, begin: str | None, first: str
) -> None:
    keep_until(tmp_path, kept)
    assert begins(tmp_path, begin) == first
