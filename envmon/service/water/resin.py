"""How long a bay's resin still lasts, from the dissolved solids kept of its rinse water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import DAY_US
from envmon.errors import InputError
from envmon.physics.solids import (
    FRESH_DAYS,
    RESIN_CHANGE_PPM,
    RINSE_LIMIT_PPM,
    Due,
    Standing,
    resin_left,
    since_change,
    solids_standing,
)
from envmon.service.span import parse_moment
from envmon.service.watch_process import data_folder, ensure_data
from envmon.service.water.rinse_water import ALL_WATER_DAYS, RINSE_STAGE, RinseDay, rinse_days
from envmon.shop.load import load_shop
from envmon.shop.points import expand_points
from envmon.shop.stages import stages_in_force
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.shop.models import Bay, Shop
    from envmon.store.columns import SeriesName

QUANTITY = "dissolved_solids_ppm"
LOOKED_BACK_DAYS = 120
"""A resin that lasted longer is looked at from here on."""
_NO_READINGS = f"no readings of rinse water in the last {ALL_WATER_DAYS} days"
_NOBODY_READS = "no sensor reads dissolved_solids_ppm in this bay"


@dataclass(frozen=True, slots=True)
class ResinAnswer:
    """How a bay's rinse water stands.

    Attributes:
        bay: Name of the bay.
        zone: The shop's time zone.
        limit_ppm: Final rinse is spot-free up to this [ppm].
        change_ppm: Resin is to be changed from this on [ppm].
        limit_source: Where the limit comes from.
        days: Days with readings since the resin was last changed.
        changed_us: When it was, as far as the readings or the person tell; None when not seen.
        only_rinse: The readings are those of final rinses; otherwise all of them.
        now_us: When it was asked.
    """

    bay: str
    zone: str
    limit_ppm: float
    change_ppm: float
    limit_source: str
    days: tuple[RinseDay, ...]
    changed_us: int | None
    only_rinse: bool
    now_us: int
    nothing: str = ""
    """Why there are no readings; empty when there are."""

    @property
    def newest(self) -> RinseDay | None:
        """The newest day, or None when nothing is fresh enough."""
        if not self.days or self.now_us - self.days[-1].at_us > FRESH_DAYS * DAY_US:
            return None
        return self.days[-1]

    @property
    def standing(self) -> Standing:
        """How the rinse water stands now."""
        newest = self.newest
        return solids_standing(newest.ppm if newest else None, self.limit_ppm, self.change_ppm)

    def due(self, mark_ppm: float) -> Due:
        """Return in how many days from now a mark is reached, as far as anybody can tell."""
        newest = self.newest
        if newest is None:
            return Due(None, None, None, self.nothing or "the newest readings are too old")
        place = np.array([(day.at_us - newest.at_us) / DAY_US for day in self.days])
        found = resin_left(place, np.array([day.ppm for day in self.days]), mark_ppm)
        return found.less((self.now_us - newest.at_us) / DAY_US)


@dataclass(frozen=True, slots=True)
class ResinQuestion:
    """Which rinse water.

    Attributes:
        bay: Id of the bay.
        changed: When the resin was last changed, as a person writes it; empty to look for it.
        at: The moment to look from, as a person writes it; empty for now.
    """

    bay: str
    changed: str = ""
    at: str = ""


def resin_of_shop(
    shop_path: Path, question: ResinQuestion, clock: Clock, folder: str | None = None
) -> ResinAnswer:
    """Return how a bay's rinse water stands, from the shop's data folder.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: No such bay, or no such moment.
        StoreError: There is no data yet, or it cannot be read.
    """
    shop = load_shop(shop_path)
    data = data_folder(shop, shop_path, folder)
    ensure_data(data, shop_path)
    store = SqliteStore(data)
    try:
        past = Past(store, data)
        try:
            return resin_of_past(shop, past, question, clock.now_us())
        finally:
            past.close()
    finally:
        store.close()


def resin_of_past(shop: Shop, past: Past, question: ResinQuestion, now_us: int) -> ResinAnswer:
    """Return how a bay's rinse water stands, from everything kept.

    Raises:
        InputError: No such bay, or no such moment.
        StoreError: The live file cannot be read.
    """
    bay, zone = _bay_of(shop, question.bay), shop.shop.timezone
    now_us = parse_moment(question.at, zone) if question.at else now_us
    changed_us = parse_moment(question.changed, zone) if question.changed else None
    from_us = now_us - LOOKED_BACK_DAYS * DAY_US if changed_us is None else changed_us
    limit_ppm, source = _limit_of(shop, bay)
    series = _series_of(shop, bay)
    days, only_rinse = rinse_days(past, series, bay.id, (from_us, now_us + 1), zone)
    if changed_us is None:
        first = since_change(np.array([day.ppm for day in days]), limit_ppm)
        days, changed_us = days[first:], days[first].at_us if first else None
    change_ppm = max(RESIN_CHANGE_PPM, limit_ppm)
    nothing = (
        ""
        if days
        else _NOBODY_READS
        if not series
        else f"no readings of rinse water in the last {ALL_WATER_DAYS} days"
    )
    return ResinAnswer(
        bay.name, zone, limit_ppm, change_ppm, source, tuple(days), changed_us, only_rinse,
        now_us, nothing,
    )  # fmt: skip


def _bay_of(shop: Shop, bay_id: str) -> Bay:
    for bay in shop.bay:
        if bay.id == bay_id:
            return bay
    raise InputError(f"bay is {bay_id!r}; allowed: {', '.join(bay.id for bay in shop.bay)}")


def _limit_of(shop: Shop, bay: Bay) -> tuple[float, str]:
    """Return the limit in force for the final rinse [ppm] and its source."""
    for stage in stages_in_force(shop, bay):
        for limit in stage.limits if stage.id == RINSE_STAGE else ():
            if limit.quantity == QUANTITY and limit.high is not None:
                return float(limit.high), limit.source or ""
    return RINSE_LIMIT_PPM, "common practice"


def _series_of(shop: Shop, bay: Bay) -> list[SeriesName]:
    points = expand_points(shop.point, [each.id for each in shop.bay])
    return [(p.id, QUANTITY) for p in points if p.bay == bay.id and QUANTITY in p.reads]
