"""Water carried over from a bay beside: humidity that rises out of its window.

What the outlook expects of a quiet bay comes from quiet hours, so it hears too late of a wash
beside it. There the humidity's own rise is asked as a second voice, and only there: elsewhere it is
mostly the swing of the thermostat.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from envmon.guard.plan import StagePlan
    from envmon.outlook.frame import BayFrame

EXCESS = 0.001
"""The air beside holds so much more water [kg/kg]."""
BACK_MIN, LEAST_ROWS, NOW_ROWS = 10, 5, 3
"""The rise is that of so many minutes, so many of them known; now is the mean of the last."""
SHARE, MARGIN_PCT = 0.75, 2.0
"""It counts when, gone on for so much of the lead, it comes out so far above the limit [%]. Chosen
with the others on one simulated autumn, see ``benchmarks/outlook_leaving.py``."""


def leaves_beside(frame: BayFrame, stage: StagePlan, lead_min: float) -> float | None:
    """Return when the humidity leaves by what is carried over [min from now]; None for not at all.

    Args:
        frame: The bay's rows up to now.
        stage: The stage worked.
        lead_min: How far ahead a stage is about to leave its window [min].
    """
    high = min((x.high for x in stage.limits if x.quantity == "rel_hum_pct"), default=np.inf)
    lately = frame.rows(max(0, len(frame) - BACK_MIN), len(frame))
    humid_pct = lately["rel_hum_pct"]
    known = np.isfinite(humid_pct)
    wetter = (lately.shared_ratio - lately.ratio)[-NOW_ROWS:]
    if not np.isfinite(high) or known.sum() < LEAST_ROWS or not np.isfinite(wetter).any():
        return None
    if np.nanmean(wetter) <= EXCESS:
        return None
    slope = float(np.polyfit(np.flatnonzero(known), humid_pct[known], 1)[0])
    now_pct = float(humid_pct[known][-NOW_ROWS:].mean())
    if now_pct + slope * SHARE * lead_min <= high + MARGIN_PCT or slope <= 0:
        return None
    return max(0.0, (high - now_pct) / slope)
