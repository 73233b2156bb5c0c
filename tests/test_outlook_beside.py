"""Water carried over from the bay beside: heard while it rises, and only while it is wetter there.

Answers are worked out by hand from straight lines.
"""

from __future__ import annotations

import numpy as np
import pytest

from envmon.outlook.frame import STANDARD_PA, frame_from_columns, ratio_from
from envmon.physics.room import rel_hum_share
from envmon.service.outlook.beside import RISE_MIN, leaves_beside
from tests.outlook_live_support import thinker_of
from tests.outlook_support import START_US

SIZE, LEAD_MIN = 30, 20.0
STAGES = {stage.id: stage for stage in thinker_of().plan.bays["north"].stages}
COATING = STAGES["coating"]
HIGH = next(limit.high for limit in COATING.limits if limit.quantity == "rel_hum_pct")


def found(
    slope: float,
    below: float,
    beside_pct: float = 85.0,
    *,
    gap: int = 0,
    swing_k: float = 0.0,
    stage: str = "coating",
) -> float | None:
    """Return what is heard of a bay of about 20 °C, so far below the limit and rising [%, %/min].

    Water in the air is all but proportional to the humidity at a temperature, so a line stays one.
    """
    back = np.arange(SIZE - 1, -1, -1.0)
    ratio = ratio_from(
        np.full(SIZE, 20.0), (HIGH - below - slope * back) / 100, np.full(SIZE, STANDARD_PA)
    )
    air = 20.0 + swing_k * np.sin(2 * np.pi * back / 10)
    humid = 100 * rel_hum_share(air, ratio, np.full(SIZE, STANDARD_PA))
    humid[SIZE - gap :] = np.nan
    beside = {"air_temp_c": [air], "rel_hum_pct": [np.full(SIZE, beside_pct)]}
    neighbour = frame_from_columns(beside, (), START_US, SIZE)
    rows = {"air_temp_c": [air], "rel_hum_pct": [humid]}
    frame = frame_from_columns(rows, (), START_US, SIZE, [neighbour])
    return leaves_beside(frame, STAGES[stage], LEAD_MIN)


@pytest.mark.parametrize("swing_k", [0.0, 0.6])
def test_a_rise_beside_a_wetter_bay_leaves_when_the_line_does(swing_k: float) -> None:
    """A thermostat's swing of 0.6 K moves the humidity by 4 %, five minutes' rise, and nothing."""
    assert found(0.8, 8.0, swing_k=swing_k) == pytest.approx(10.0, abs=0.5)


@pytest.mark.parametrize(
    ("slope", "below", "beside_pct"),
    [
        (0.8, 8.0, 55.0),  # as dry beside as here
        (0.48, 8.0, 85.0),  # too slow to come out two per cent above the limit within the lead
        (0.0, 0.0, 85.0),
        (-0.5, 1.0, 85.0),
    ],
)
def test_nothing_is_heard_of(slope: float, below: float, beside_pct: float) -> None:
    assert found(slope, below, beside_pct) is None


def test_nor_where_it_is_not_known_or_not_limited() -> None:
    assert found(0.8, 8.0, gap=RISE_MIN) is None
    alone = frame_from_columns(
        {"air_temp_c": [np.full(SIZE, 20.0)], "rel_hum_pct": [np.linspace(30, 58, SIZE)]},
        (), START_US, SIZE,
    )  # fmt: skip
    assert leaves_beside(alone, COATING, LEAD_MIN) is None
    free = next(name for name in STAGES if "rel_hum_pct" not in _limited(name))
    assert found(0.8, 8.0, stage=free) is None


def _limited(stage: str) -> set[str]:
    return {limit.quantity for limit in STAGES[stage].limits}
