"""When resin is due, from what was noted by hand over litres or dates.

The notes are made with a trend of their own, so what must come out is known beforehand.
"""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import InputError
from envmon.sums.mix_resin import forecast, resin_noted

TODAY = date(2026, 1, 27)


def by_litres(ppm: list[float], step_l: float = 200) -> list[str]:
    return [f"{step_l * place:g} l={value:g}" for place, value in enumerate(ppm)]


def by_days(ppm: list[float], last: date = TODAY) -> list[str]:
    first = last - timedelta(days=len(ppm) - 1)
    return [f"{first + timedelta(days=place)}={value:g} ppm" for place, value in enumerate(ppm)]


STEADY = [1 + 0.5 * place for place in range(10)]


def test_a_steady_rise_over_litres() -> None:
    """1 to 5.5 ppm over 1800 l: 4.5 ppm more are nine times 200 l (by hand)."""
    answer = resin_noted(by_litres(STEADY), TODAY)
    assert answer.possible
    assert answer.values["standing"] == "good"
    assert answer.values["limit_due"]["likely_l"] == pytest.approx(1800)
    assert answer.values["change_due"]["likely_l"] == pytest.approx(5800)
    assert "about 1800 l on; from" in dict(answer.lines)["10 ppm, spots"]


def test_us_gallons_are_litres_too() -> None:
    """A US gallon is 3.785411784 l by definition."""
    notes = [note.replace(" l", " gal") for note in by_litres(STEADY)]
    due = resin_noted(notes, TODAY).values["limit_due"]
    assert due["likely_l"] == pytest.approx(1800 * 3.785411784)


def test_a_steady_rise_over_dates() -> None:
    due = resin_noted(by_days(STEADY), TODAY)
    assert due.values["limit_due"]["likely_days"] == pytest.approx(9)
    assert dict(due.lines)["10 ppm, spots"].startswith("about 2026-02-05; from 2026-0")


def test_days_gone_since_the_newest_note_count() -> None:
    later = TODAY + timedelta(days=3)
    due = resin_noted(by_days(STEADY), later)
    assert due.values["limit_due"]["likely_days"] == pytest.approx(6)
    assert dict(due.lines)["10 ppm, spots"].startswith("about 2026-02-05")


def test_old_notes_say_nothing_of_now() -> None:
    answer = resin_noted(by_days(STEADY), TODAY + timedelta(days=8))
    assert not answer.possible
    assert answer.values["standing"] == "unknown"
    assert answer.values["dissolved_solids_ppm"] is None
    assert answer.values["limit_due"]["likely_days"] is None
    assert "too old" in answer.say


def test_life_is_counted_from_the_change() -> None:
    answer = resin_noted(by_litres([8, 12, 17, 0.5, 1, 1.5, 2, 2.5, 3, 3.5]), TODAY)
    assert answer.values["readings"] == 7
    assert answer.values["limit_due"]["likely_l"] == pytest.approx(2600)


@pytest.mark.parametrize(
    ("newest", "standing", "limit_due"), [(10.0, "good", 0), (12.0, "over", 0), (20.0, "change", 0)]
)
def test_what_is_reached_is_due_now(newest: float, standing: str, limit_due: float) -> None:
    answer = resin_noted(by_litres([1, newest]), TODAY)
    assert answer.values["standing"] == standing
    assert answer.values["limit_due"]["latest_l"] == limit_due
    assert dict(answer.lines)["10 ppm, spots"] == "now"
    assert answer.possible == (standing == "good")


@given(st.floats(0.4, 1), st.floats(1, 500))
def test_the_noted_line_ends_at_the_limit(slope: float, step_l: float) -> None:
    """Put back: rise times litres on, added to the newest, is the limit."""
    ppm = [0.5 + slope * place for place in range(4, 10)]
    notes = [f"{step_l * place:.6f} l={value:.6f}" for place, value in enumerate(ppm)]
    values = resin_noted(notes, TODAY).values
    likely = values["limit_due"]["likely_l"]
    assert ppm[-1] + slope * likely / step_l == pytest.approx(10, abs=1e-3)


@pytest.mark.parametrize(
    ("notes", "part"),
    [
        ([], "nothing was noted"),
        (["400 l"], "note is '400 l'"),
        (["400=2"], "with its unit"),
        (["400 l=two"], "dissolved solids is 'two'"),
        (["400 l=-2"], "dissolved solids is '-2'"),
        (["400 l=2", "2026-01-27=3"], "of one kind"),
        (["400 l=2", "300 l=3"], "not in order"),
        (["400 l=2", "400 l=3"], "not in order"),
        (["2026-01-28=2"], "1 days ahead of today, 2026-01-27"),
    ],
)
def test_what_cannot_be_read_says_what_is_allowed(notes: list[str], part: str) -> None:
    with pytest.raises(InputError) as refused:
        resin_noted(notes, TODAY)
    assert part in str(refused.value)


def test_a_forecast_has_two_digits() -> None:
    assert [forecast(n) for n in (0, 0.123, 9.96, 12.6, 1849)] == ["0", "0.12", "10", "13", "1800"]


def envmon_resin(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "envmon.cli", "mix", "resin", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


def test_the_command_takes_notes() -> None:
    options = [part for note in by_litres(STEADY) for part in ("--noted", note)]
    ran = envmon_resin(*options, "--json")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert json.loads(ran.stdout)["limit_due"]["likely_l"] == pytest.approx(1800)
    high = envmon_resin("--noted", "0 l=1", "--noted", "10 l=30")
    assert high.returncode == 1
    assert high.stdout.startswith("change the resin now, 30 ppm")


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        ((), "give SHOP.toml and --bay"),
        (("shop.toml",), "give SHOP.toml and --bay"),
        (("--bay", "north"), "give SHOP.toml and --bay"),
        (("--noted", "1 l=2", "--bay", "north"), "--noted stands alone"),
    ],
)
def test_bad_use_is_exit_2(arguments: tuple[str, ...], part: str) -> None:
    ran = envmon_resin(*arguments)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert part in ran.stderr
