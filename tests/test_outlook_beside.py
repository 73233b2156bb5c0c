"""Water carried over from the bay beside: heard while it rises, and only while it is wetter there.

Answers are worked out by hand from straight lines.
"""

from __future__ import annotations

import numpy as np
import pytest

from envmon.outlook.frame import frame_from_columns
from envmon.service.outlook.beside import BACK_MIN, leaves_beside
from tests.outlook_live_support import thinker_of
from tests.outlook_support import START_US

SIZE, LEAD_MIN = 30, 20.0
STAGES = {stage.id: stage for stage in thinker_of().plan.bays["north"].stages}
COATING = STAGES["coating"]
HIGH = next(limit.high for limit in COATING.limits if limit.quantity == "rel_hum_pct")


def found(
    slope: float, now_pct: float, beside_pct: float, *, gap: int = 0, stage: str = "coating"
) -> float | None:
    """Return what is heard of a bay at 20 °C whose humidity rises by so much a minute."""
    back = np.arange(SIZE - 1, -1, -1.0)
    humid = now_pct - slope * back
    humid[SIZE - gap :] = np.nan
    air = np.full(SIZE, 20.0)
    beside = {"air_temp_c": [air], "rel_hum_pct": [np.full(SIZE, beside_pct)]}
    neighbour = frame_from_columns(beside, (), START_US, SIZE)
    rows = {"air_temp_c": [air], "rel_hum_pct": [humid]}
    frame = frame_from_columns(rows, (), START_US, SIZE, [neighbour])
    return leaves_beside(frame, STAGES[stage], LEAD_MIN)


def test_a_rise_beside_a_wetter_bay_leaves_when_the_line_does() -> None:
    minutes = found(0.8, HIGH - 8.0, 85.0)
    # Now is the mean of the last three minutes, so one minute of the rise behind.
    assert minutes == pytest.approx((8.0 + 0.8) / 0.8, abs=0.05)


@pytest.mark.parametrize(
    ("slope", "below", "beside_pct"),
    [
        (0.8, 8.0, 55.0),  # as dry beside as here
        (0.4, 8.0, 85.0),  # too slow to come out above the limit in three quarters of the lead
        (0.0, 0.0, 85.0),
        (-0.5, 1.0, 85.0),
    ],
)
def test_nothing_is_heard_of(slope: float, below: float, beside_pct: float) -> None:
    assert found(slope, HIGH - below, beside_pct) is None


def test_nor_where_it_is_not_known_or_not_limited() -> None:
    assert found(0.8, HIGH - 8.0, 85.0, gap=BACK_MIN) is None
    alone = frame_from_columns(
        {"air_temp_c": [np.full(SIZE, 20.0)], "rel_hum_pct": [np.linspace(30, 58, SIZE)]},
        (), START_US, SIZE,
    )  # fmt: skip
    assert leaves_beside(alone, COATING, LEAD_MIN) is None
    free = next(name for name, stage in STAGES.items() if "rel_hum_pct" not in _limited(stage.id))
    assert found(0.8, HIGH - 8.0, 85.0, stage=free) is None


def _limited(stage: str) -> set[str]:
    return {limit.quantity for limit in STAGES[stage].limits}
