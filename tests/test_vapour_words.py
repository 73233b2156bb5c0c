"""The vapour's answer in words: never better than the numbers."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.physics.solvent import BayAir, Spread, Vapour
from envmon.physics.solvent_limits import SOLVENTS
from envmon.sums.vapour_question import Work
from envmon.sums.vapour_report import answer_of
from envmon.sums.vapour_texts import (
    help_of,
    limit_rows,
    lines_of,
    power_text,
    say_of,
    span_text,
    weight_text,
)

works = st.builds(
    lambda carrier, mass, time, volume, changes: Work(
        Vapour(Spread(carrier, mass, time), BayAir(volume, changes)), -10.0
    ),
    st.sampled_from(SOLVENTS), st.floats(0.001, 2), st.floats(60, 28_800), st.floats(20, 1_000),
    st.floats(0, 60),
)  # fmt: skip


@given(works)
def test_the_air_that_is_said_is_enough(work: Work) -> None:
    """Rounded up, so that whoever does as told stays under."""
    answer = answer_of(work)
    for held, row in zip(answer.held, limit_rows(answer, "metric"), strict=True):
        found = re.search(r"needs ([\d.]+) air changes an hour \((\d+) m³/h\)", row.needs)
        if held.changes:
            assert found is not None
            assert float(found[1]) >= held.changes - 1e-6
            assert float(found[2]) >= held.changes * work.vapour.air.volume_m3 - 1e-3
        else:
            assert found is None
            assert ("without" in row.needs) == (held.changes == 0)


@given(works)
def test_words_and_kind_follow_the_limits(work: Work) -> None:
    answer = answer_of(work)
    words = {row.word for row in limit_rows(answer, "metric")}
    expected = "unfit" if "OVER" in words else "marginal" if "close" in words else "fit"
    assert answer.kind == expected
    said = say_of(answer, "metric")
    assert said.startswith(("Over ", "Can explode")) == (answer.kind == "unfit")
    assert not answer.explosive or answer.kind == "unfit"
    assert bool(help_of(answer, "metric")) == (answer.kind == "unfit")
    for each in answer.over:
        assert each.limit.name in said


@given(works)
def test_more_air_than_needed_for_all_is_under_all(work: Work) -> None:
    answer = answer_of(work)
    if answer.changes is not None:
        air = work.vapour.air._replace(changes_per_h=answer.changes)
        assert not answer_of(Work(work.vapour._replace(air=air), None)).over
    elif answer.kind != "unfit":
        pytest.fail("under every limit, yet no ventilation keeps it there")


@given(works)
def test_the_most_that_is_said_stays_under(work: Work) -> None:
    """Put back: the mass as written, rounded down, is under every limit; 1 % more is not."""
    answer = answer_of(work)
    said = float(weight_text(answer.most_kg, "metric", down=True).removesuffix(" g"))

    def over(mass_kg: float) -> bool:
        spread = work.vapour.spread._replace(mass_kg=mass_kg)
        return bool(answer_of(Work(work.vapour._replace(spread=spread), None)).over)

    assert not over(said / 1000)
    assert over(1.01 * answer.most_kg)


def test_a_warm_night_costs_nothing() -> None:
    work = Work(Vapour(Spread("ethanol", 0.05, 600), BayAir(200, 3)), 24.0)
    assert ("heat it costs", "none at 24 °C outdoors") in lines_of(answer_of(work), "metric")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(45, "45 s"), (119, "119 s"), (1_200, "20 min"), (3_600, "1 h 00 min"), (3_899, "1 h 05 min")],
)
def test_times(seconds: float, text: str) -> None:
    assert span_text(seconds) == text


def test_heat_in_both_units() -> None:
    """3 412 BTU are 1 kWh: a row of the check collection."""
    assert power_text(1_000, "metric") == "1 kW"
    assert power_text(1_000, "us") == "3412 BTU/h"
