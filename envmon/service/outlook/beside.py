"""Water carried over from a bay beside: humidity on its way out of its window.

What the outlook expects of a quiet bay comes from quiet hours, so it hears too late of a wash
beside it. There the rise of the air's water is asked as a second voice, and only there. It is asked
of the water and not of the humidity, which swings with the thermostat by more than it rises.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.outlook.frame import ratio_from

if TYPE_CHECKING:
    from envmon.guard.plan import StagePlan
    from envmon.outlook.frame import BayFrame

EXCESS = 0.001
"""The air beside holds so much more water [kg/kg]."""
RISE_MIN, NOW_MIN, LEAST_ROWS = 8, 3, 5
"""The rise is that of so many minutes, so many of them known; the excess the mean of the last."""
SWING_MIN = 20
"""The air's temperature is the mean of so many minutes: that of the thermostat's swings."""
MARGIN_PCT = 2.0
"""It counts when, gone on for the lead, it comes out so far above the limit [%]. Chosen with the
others on two simulated autumns and judged on others, see ``benchmarks/outlook_leaving.py``."""


def leaves_beside(frame: BayFrame, stage: StagePlan, lead_min: float) -> float | None:
    """Return when the humidity leaves by what is carried over [min from now]; None for not at all.

    Args:
        frame: The bay's rows up to now, the last ``SWING_MIN`` at least.
        stage: The stage worked.
        lead_min: How far ahead a stage is about to leave its window [min].
    """
    high_pct = min((x.high for x in stage.limits if x.quantity == "rel_hum_pct"), default=np.inf)
    lately = frame.rows(max(0, len(frame) - SWING_MIN), len(frame))
    ratio = lately.ratio
    rise, excess = ratio[-RISE_MIN:], (lately.shared_ratio - ratio)[-NOW_MIN:]
    known = np.isfinite(rise)
    if not np.isfinite(high_pct) or known.sum() < LEAST_ROWS or not np.isfinite(excess).any():
        return None
    minutes = np.arange(1.0 - len(rise), 1.0)[known]
    slope, now = (float(one) for one in np.polyfit(minutes, rise[known], 1))
    if np.nanmean(excess) <= EXCESS or slope <= 0:
        return None
    limit, beyond = _ratios(lately, (high_pct, high_pct + MARGIN_PCT))
    return max(0.0, (limit - now) / slope) if now + slope * lead_min > beyond else None


def _ratios(lately: BayFrame, humid_pct: tuple[float, ...]) -> tuple[float, ...]:
    """Return the water the air holds at some humidities, as warm as it was lately [kg/kg]."""
    air_c = float(np.nanmean(lately["air_temp_c"]))
    share = np.minimum(np.array(humid_pct) / 100, 1.0)
    found = ratio_from(np.full(len(share), air_c), share, lately.pressure_pa[-len(share) :])
    return tuple(float(one) for one in found)
