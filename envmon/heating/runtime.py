"""How long a heater ran: from its state, from its power, or else from the temperature curve."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.heating.curve import inferred_share

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.heating.curve import Inferred
    from envmon.heating.model import BayMinutes, Floats, Kind
    from envmon.shop.heat import Heater

    Bools = NDArray[np.bool_]


_FEW = 0.01
_DAY = 1440
_LEAST_DAYS, _LEAST_MIN = 10, 20.0


class RunTime(NamedTuple):
    """A heater's run time by the minute.

    Attributes:
        share: Share of each minute it ran, 0…1; NaN where not known (n,).
        kind: How most of what is known was come by.
        error_share: Error of a day's run time that four days of five stay under, as a share of
            it; 0 where nothing is inferred, NaN where nothing is known.
        inferred: Minutes whose share is inferred (n,).
    """

    share: Floats
    kind: Kind
    error_share: float
    inferred: Bools


def run_share(bay: BayMinutes, heater: Heater | None = None) -> RunTime:
    """Return how much of each minute a bay's heater ran.

    What state and power leave open is inferred from the temperature curve. Where both are known
    for ten days, the curve is held against the state: its error is then the bay's own.

    Args:
        bay: Its minutes.
        heater: What the shop file says of it.
    """
    said = measured_share(bay, heater)
    missing = 1.0 if said is None else float(np.isnan(said).mean())
    curve = None
    if missing > _FEW and bay.air_c is not None:
        curve = inferred_share(bay.air_c, bay.door_open)
    if curve is None:
        return _as_said(bay, said)
    if said is None:
        return RunTime(curve.share, "inferred", curve.error_share, np.isfinite(curve.share))
    factor, error = _held_against(curve, said)
    share = np.where(np.isnan(said), np.minimum(curve.share * factor, 1.0), said)
    inferred = np.isnan(said) & np.isfinite(curve.share)
    return RunTime(share, "inferred" if missing > 0.5 else "measured", error, inferred)


def _as_said(bay: BayMinutes, said: Floats | None) -> RunTime:
    """Return what state and power say, and nothing else."""
    if said is None or not np.isfinite(said).any():
        minutes = next((values for values in bay if values is not None), np.empty(0))
        nothing = np.full(len(minutes), np.nan)
        return RunTime(nothing, "unknown", np.nan, np.zeros(len(nothing), bool))
    return RunTime(said, "measured", 0.0, np.zeros(len(said), bool))


def _held_against(curve: Inferred, said: Floats) -> tuple[float, float]:
    """Return by what the curve is to be multiplied, and its error then, from days with both."""
    whole = len(said) // _DAY * _DAY
    days, known = (part[:whole].reshape(-1, _DAY) for part in (curve.share, said))
    both = np.isfinite(days) & np.isfinite(known)
    ran = np.where(both, known, 0.0).sum(axis=1)
    usable = (both.mean(axis=1) > 0.9) & (ran > _LEAST_MIN)
    if usable.sum() < _LEAST_DAYS:
        return 1.0, curve.error_share
    ratio = np.where(both, days, 0.0).sum(axis=1)[usable] / ran[usable]
    middle = float(np.median(ratio))
    if not 0.5 < middle < 2:
        return 1.0, float(np.quantile(np.abs(ratio - 1), 0.8))
    return 1 / middle, float(np.quantile(np.abs(ratio / middle - 1), 0.8))


def measured_share(bay: BayMinutes, heater: Heater | None) -> Floats | None:
    """Return what a state or power point says; None without either.

    By a power point a minute at half power counts half, so a heater that modulates has hours at
    full power.
    """
    said = bay.heater_on
    if bay.heater_w is None:
        return said
    full_w = heater.output if heater is not None and heater.output else _full_w(bay.heater_w)
    by_power = np.clip(bay.heater_w / full_w, 0.0, 1.0) if full_w > 0 else bay.heater_w * 0.0
    return by_power if said is None else np.where(np.isnan(said), by_power, said)


def _full_w(power_w: Floats) -> float:
    """Return a heater's full power from what it drew, past single peaks [W]."""
    drawn = power_w[power_w > 0]
    return float(np.quantile(drawn, 0.95)) if len(drawn) else 0.0
