"""How long a heater ran: from its state, from its power, or else from the temperature curve."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from envmon.heating.model import BayMinutes, Floats, Kind
    from envmon.shop.heat import Heater

    Bools = NDArray[np.bool_]


class RunTime(NamedTuple):
    """A heater's run time by the minute.

    Attributes:
        share: Share of each minute it ran, 0…1; NaN where not known (n,).
        kind: How most of what is known was come by.
        error_share: Error of a day's run time that four days of five stay under, as a share of
            it; 0 where measured, NaN where nothing is known.
        inferred: Minutes whose share is inferred (n,).
    """

    share: Floats
    kind: Kind
    error_share: float
    inferred: Bools


def run_share(bay: BayMinutes, heater: Heater | None = None) -> RunTime:
    """Return how much of each minute a bay's heater ran.

    Args:
        bay: Its minutes.
        heater: What the shop file says of it.
    """
    said = measured_share(bay, heater)
    count = len(said) if said is not None else len(bay.air_c) if bay.air_c is not None else 0
    nothing = np.zeros(count, bool)
    if said is None or not np.isfinite(said).any():
        return RunTime(np.full(count, np.nan), "unknown", np.nan, nothing)
    return RunTime(said, "measured", 0.0, nothing)


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
