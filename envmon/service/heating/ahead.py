"""What the coming night is asked from: the last weeks by the minute, what stands in the bays."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import DAY_US, MINUTE_US
from envmon.heating.ahead import Night
from envmon.heating.setback import Bay
from envmon.job.cure import cure_state
from envmon.outlook.weather import Seen
from envmon.service.heating.read import winter_of
from envmon.service.job.book import book_from
from envmon.service.outlook.facts import read_facts
from envmon.service.outlook.read import frames_between
from envmon.service.outlook.weather import weather_taken

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.guard.plan import GuardPlan
    from envmon.heating.model import Winter
    from envmon.outlook.model import ModelFacts
    from envmon.shop.models import Shop
    from envmon.store.base import Store
    from envmon.store.past import Past

QUARTER_US = 15 * MINUTE_US
BACK_DAYS = 60
"""So many days of mornings are looked back on."""
COATED = frozenset({"coating", "cure"})
"""While one of these stages is worked something coated stands in the bay."""


def night_of(
    past: Past, shop: Shop, plan: GuardPlan, now_us: int, loss_w_k: Mapping[str, float]
) -> Night:
    """Return what is known of the coming night.

    Args:
        past: Everything kept.
        shop: The shop file.
        plan: The same, compiled.
        now_us: Time now [µs].
        loss_w_k: Bay id -> its loss by the energy signature [W/K].

    Raises:
        StoreError: The live file cannot be read.
    """
    # Of the same quarter of an hour everything that is asked says the same.
    asked_us, now_us = now_us, now_us // QUARTER_US * QUARTER_US
    end = now_us
    span = (end - BACK_DAYS * DAY_US, end)
    winter, facts = winter_of(past, shop, plan, span), learned_of(past)
    frames = frames_between(past, shop, plan, span) if facts else {}
    cures = cures_in(past.store, winter, shop, now_us)
    frost = float(shop.alarms.frost_low)
    bays = {
        bay.id: Bay(cures.get(bay.id, ""), frost if bay.keeps_stock else None) for bay in shop.bay
    }
    names = {bay.id: bay.name for bay in shop.bay}
    seen = None if winter.outdoor_c is None else Seen(winter.start_us, winter.outdoor_c)
    outdoor = weather_taken(past.store.foretold(), seen, now_us).outdoor
    return Night(winter, now_us, names, bays, loss_w_k, facts, frames, outdoor, asked_us)


def learned_of(past: Past) -> dict[str, ModelFacts]:
    """Return bay id -> what the outlook learned of it, without those that still guess."""
    kept = read_facts(past.store.path.parent)
    return {bay: facts for bay, facts in kept.items() if not facts.guessing}


def cures_in(store: Store, winter: Winter, shop: Shop, now_us: int) -> dict[str, str]:
    """Return bay id -> what cures in it: a job not yet through its cure, or a stage of coating.

    Args:
        store: Where the chain is.
        winter: The last weeks.
        shop: The shop file.
        now_us: Time now [µs].
    """
    zone, units = shop.shop.timezone, shop.shop.units
    found = {
        stage.bay: "something coated"
        for stage in winter.stages
        if stage.to_us is None and stage.what in COATED
    }
    for job in book_from(store, whole=False).jobs.values():
        cure = cure_state(job, now_us, zone, units)
        if cure is not None and any(mark.left_s > 0 for mark in cure.milestones):
            found[job.bay] = f"job {job.id}"
    return found
