"""The minutes of every bay as the outlook wants them, from the archive and the live store."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.job import events as names
from envmon.outlook.constants import Priors
from envmon.outlook.frame import MEASURED, STANDARD_PA, Worked, frame_from_columns
from envmon.service.heating.read import stages_worked
from envmon.shop.air import others_in_air
from envmon.store.history import minute_means

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.guard.plan import BayPlan, GuardPlan
    from envmon.heating.model import Span
    from envmon.outlook.frame import BayFrame
    from envmon.shop.models import Shop
    from envmon.store.base import Store
    from envmon.store.columns import SeriesName
    from envmon.store.past import Past

USUAL_M3 = 250.0
"""Air volume of a bay whose shop file says none [m³] (common practice)."""


def priors_of(shop: Shop) -> dict[str, Priors]:
    """Return bay -> what the shop file says of its volume, its heater and its clock."""
    watts = {heater.bay: heater.output for heater in shop.heater if heater.output is not None}
    return {
        bay.id: Priors(
            USUAL_M3 if bay.volume_m3 is None else bay.volume_m3,
            watts.get(bay.id),
            zone=shop.shop.timezone,
        )
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
    series = {name: _of_bay(bay) for name, bay in plan.bays.items()}
    wanted = dict.fromkeys(n for of in series.values() for group in of.values() for n in group)
    means = minute_means(past, wanted, edges)
    worked = _worked(past, plan, span)
    columns = {
        bay: {q: [means[n] for n in group if n in means] for q, group in of.items()}
        for bay, of in series.items()
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


class BodyThere(NamedTuple):
    """A body shape that stood in a bay while its job was open; ``to_us`` is None for still."""

    bay: str
    body: str
    from_us: int
    to_us: int | None

    def stands_at(self, at_us: int) -> bool:
        """Return whether it is there at a time [µs]."""
        return self.from_us <= at_us and (self.to_us is None or at_us < self.to_us)


def bodies_between(store: Store, span: tuple[int, int]) -> list[BodyThere]:
    """Return what stood where at some time of a span, by the jobs that were open.

    Args:
        store: Where the chain is.
        span: Start and end [µs, UTC].
    """
    closed = {event.data.get("job"): event.at_us for event in store.events_of(names.CLOSED)}
    found = []
    for event in store.events_of(names.OPENED):
        to_us = closed.get(event.data.get("job"))
        if event.at_us < span[1] and (to_us is None or to_us > span[0]):
            body = str(event.data.get("body") or "")
            found.append(BodyThere(event.bay, body, event.at_us, to_us))
    return found


def _worked(past: Past, plan: GuardPlan, span: tuple[int, int]) -> dict[str, list[Worked]]:
    """Return what was worked in every bay, and on which body.

    What stands there also counts between two stages.
    """
    there: dict[str, list[BodyThere]] = {bay: [] for bay in plan.bays}
    for one in bodies_between(past.store, span):
        there.get(one.bay, []).append(one)
    found = {
        bay: [Worked("", one.from_us, one.to_us, one.body) for one in bodies]
        for bay, bodies in there.items()
    }
    for stage in stages_worked(past.store, list(plan.bays), span):
        found[stage.bay] += _on_bodies(stage, there[stage.bay])
    return found


def _on_bodies(stage: Span, bodies: Sequence[BodyThere]) -> Iterator[Worked]:
    """Yield a stage cut where a job was opened or closed, each piece with its body."""
    edges = {edge for one in bodies for edge in (one.from_us, one.to_us) if edge is not None}
    end_us = stage.to_us
    inner = {e for e in edges if e > stage.from_us and (end_us is None or e < end_us)}
    starts = sorted({stage.from_us, *inner})
    for from_us, to_us in zip(starts, [*starts[1:], end_us], strict=True):
        body = next((one.body for one in bodies if one.stands_at(from_us)), "")
        yield Worked(stage.what, from_us, to_us, body)
