"""The minutes of every bay as the outlook wants them, from the archive and the live store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import MINUTE_US
from envmon.outlook.constants import Priors
from envmon.outlook.frame import MEASURED, STANDARD_PA, Worked, frame_from_columns
from envmon.service.heating_read import stages_worked
from envmon.shop.air import others_in_air
from envmon.store.history import minute_means

if TYPE_CHECKING:
    from envmon.guard.plan import BayPlan, GuardPlan
    from envmon.outlook.frame import BayFrame
    from envmon.shop.models import Shop
    from envmon.store.columns import SeriesName
    from envmon.store.past import Past

USUAL_M3 = 250.0
"""Air volume of a bay whose shop file says none [m³] (common practice)."""


def priors_of(shop: Shop) -> dict[str, Priors]:
    """Return bay -> what the shop file says of its volume and its heater."""
    watts = {heater.bay: heater.output for heater in shop.heater if heater.output is not None}
    return {
        bay.id: Priors(USUAL_M3 if bay.volume_m3 is None else bay.volume_m3, watts.get(bay.id))
        for bay in shop.bay
    }


def frames_between(
    past: Past, shop: Shop, plan: GuardPlan, span: tuple[int, int]
) -> dict[str, BayFrame]:
    """Return the rows of every bay, each with those of the same air as neighbours.

    Args:
        past: Everything kept.
        shop: The shop file.
        plan: The same, compiled: says which points belong to a bay.
        span: Start and end [µs, UTC], on whole minutes.

    Raises:
        StoreError: The live file cannot be read.
    """
    edges = np.arange(span[0], span[1] + 1, MINUTE_US, dtype=np.int64)
    names = {name: _of_bay(bay) for name, bay in plan.bays.items()}
    wanted = dict.fromkeys(n for of in names.values() for group in of.values() for n in group)
    means = minute_means(past, wanted, edges)
    worked = _worked(past, plan, span)
    columns = {
        bay: {q: [means[n] for n in series if n in means] for q, series in of.items()}
        for bay, of in names.items()
    }
    for bay, of in columns.items():
        if not of["air_pressure_pa"]:
            # Where nobody measures it the height above the sea tells it.
            standing = plan.bays[bay].pressure_pa or STANDARD_PA
            of["air_pressure_pa"] = [np.full(len(edges) - 1, standing)]
    size = len(edges) - 1
    alone = {bay: frame_from_columns(of, worked[bay], span[0], size) for bay, of in columns.items()}
    return {
        bay: frame_from_columns(
            columns[bay], worked[bay], span[0], size, [alone[other] for other in others]
        )
        for bay, others in others_in_air(shop).items()
    }


def _of_bay(bay: BayPlan) -> dict[str, list[SeriesName]]:
    return {
        name: [(series.point, name) for series in bay.sources.get(name, ())] for name in MEASURED
    }


def _worked(past: Past, plan: GuardPlan, span: tuple[int, int]) -> dict[str, list[Worked]]:
    found: dict[str, list[Worked]] = {bay: [] for bay in plan.bays}
    for one in stages_worked(past.store, list(plan.bays), span):
        found[one.bay].append(Worked(one.what, one.from_us, one.to_us))
    return found
