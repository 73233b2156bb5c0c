"""Signs: whether what an alarm is about is so: sensors, water, frost, heater, drift.

A sign is on or off since a time; delays come after it. What a rate decides changes only when the
trail of the bay has grown, by what the trail says: so a judgement too many, or one that calm has
saved, makes no difference.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import HOUR_US, MINUTE_US
from envmon.facts import Flag
from envmon.guard.alarm_kinds import TROUBLE_KINDS
from envmon.guard.drift import drifted, next_gaps
from envmon.guard.foreseen import is_foreseen
from envmon.guard.plan import SHOP
from envmon.guard.state import Sign
from envmon.guard.trail import COLUMNS, rate_per_h, steady_rate_per_h

if TYPE_CHECKING:
    from collections.abc import Iterator

    from envmon.guard.plan import BayPlan, GuardPlan, HeldLimit, Series, StagePlan
    from envmon.guard.state import BayNow, GuardState, Last
    from envmon.guard.trail import Trail

WILD = Flag.RANGE
FIRST_WORD_US = 10 * MINUTE_US
"""A sensor never heard of is lost after this."""
WAITING_US = 2**61
"""In place of a time: sensors cannot be heard yet, so none is lost for never being heard."""
WARMING_K_H = 0.3
"""Air that warms more slowly than this does not answer the heater (common practice) [K/h]."""
WARMING_AGAIN_K_H = 0.6
"""From this on it does again [K/h]."""


def active_stage(place: BayPlan, now: BayNow) -> StagePlan | None:
    """Return the stage being worked in a bay, or None."""
    return next((stage for stage in place.stages if stage.id == now.stage), None)


def held_stage(place: BayPlan, now: BayNow) -> StagePlan | None:
    """Return the stage being worked if its window is to be kept; None for none or a goal."""
    stage = active_stage(place, now)
    return None if stage is None or stage.goal else stage


def needs_trail(place: BayPlan, now: BayNow) -> bool:
    """Return whether what the trail says can change anything but the trail."""
    return bool(
        place.held_rates
        or place.has_partners
        or held_stage(place, now) is not None
        or is_cold(place, now)
    )


def is_cold(place: BayPlan, now: BayNow) -> bool:
    """Return whether the air is colder than the stage being worked, or the stores, can bear."""
    stage = active_stage(place, now)
    limits = [*(stage.limits if stage else ()), *place.watched]
    return any(
        limit.quantity == "air_temp_c" and _is_below(limit, now)
        for limit in limits
        if limit.key in now.limits
    )


def _is_below(limit: HeldLimit, now: BayNow) -> bool:
    if now.limits[limit.key].group != "unfit" or not now.trail:
        return False
    return now.trail[-1].air_temp_c < limit.low + limit.deadband


def update_signs(
    plan: GuardPlan, place: BayPlan, state: GuardState, now: BayNow, at_us: int
) -> None:
    """Bring every sign up to date that does not hang on the trail; ``now.signs`` is changed.

    Args:
        plan: The compiled shop file.
        place: The bay, or the shop.
        state: What the guard remembers.
        now: What is remembered of the place.
        at_us: Time to judge at [µs].
    """
    for point, group in place.points.items():
        # One lost for never being heard stays so, though a changed shop file begins the wait anew.
        waited = is_on(now, f"{point}-lost") or at_us >= now.begun_us + FIRST_WORD_US
        for what, on in _sensor_signs(group, state.newest, at_us, waited=waited):
            _set(now, f"{point}-{what}", at_us, on=on)
    if place.id == SHOP:
        for what in TROUBLE_KINDS:
            _set(now, f"shop-{what}", at_us, on=what in now.troubles)
        _set(now, "shop-silence", at_us, on=_is_silent(plan, state, at_us))
        return
    _set(now, place.alarm_id("apart"), at_us, on=any(map(place.is_own, now.apart)))
    _set(now, place.alarm_id("frost_unknown"), at_us, on=_is_cold_hidden(place, now))
    for limit in place.watched:
        group_now = now.limits[limit.key].group
        if group_now != "unknown":
            what = limit.key.partition("/")[0]
            _set(now, place.alarm_id(what), at_us, on=group_now == "unfit")


def update_trail_signs(place: BayPlan, state: GuardState, now: BayNow, at_us: int) -> None:
    """Bring the signs up to date that the trail decides; call it when the trail has grown.

    Arguments as for ``update_signs``; ``now.signs`` and ``now.gaps`` are changed.
    """
    update_leaving(place, now, at_us)
    heater, drift = (place.alarm_id(what) for what in ("heater", "drift"))
    _set(now, heater, at_us, on=_is_heater_silent(now, heater, at_us, cold=is_cold(place, now)))
    if place.has_partners:
        now.gaps = next_gaps(place, now.gaps, state.newest, at_us)
        before = is_on(now, drift)
        _set(now, drift, at_us, on=bool(drifted(place, now.gaps, at_us, before=before)))


def update_leaving(place: BayPlan, now: BayNow, at_us: int) -> None:
    """Bring up to date whether a stage is about to leave its window; ``now.signs`` is changed.

    Call it when the trail has grown and when the outlook has spoken: it knows more than the trail,
    which is not asked where a word of the outlook holds.

    Args:
        place: The bay.
        now: What is remembered of it.
        at_us: Time now [µs].
    """
    leaves = is_foreseen(held_stage(place, now), now, at_us)
    if leaves is None:
        leaves = leaving_limit(place, now, at_us) is not None
    _set(now, place.alarm_id("leaving"), at_us, on=leaves)


def end_trail_signs(place: BayPlan, now: BayNow, at_us: int) -> None:
    """Forget what only a trail of the present can say; call it when the trail has grown old."""
    _set(now, place.alarm_id("leaving"), at_us, on=False)


COLD_ENOUGH_K = 10.0
"""Air that was warmer than the stores' limit by more than this takes hours to get there."""


def _is_cold_hidden(place: BayPlan, now: BayNow) -> bool:
    """Return whether nobody can tell how cold it is, and it was cool when it last could be told."""
    limit = place.frost_limit
    if limit is None or not now.trail or now.limits[limit.key].group != "unknown":
        return False
    return now.trail[-1].air_temp_c < limit.low + COLD_ENOUGH_K


def is_on(now: BayNow, alarm_id: str) -> bool:
    """Return whether a sign is on."""
    sign = now.signs.get(alarm_id)
    return sign is not None and sign.on


def _set(now: BayNow, alarm_id: str, at_us: int, *, on: bool) -> None:
    sign = now.signs.get(alarm_id)
    if (sign.on if sign else False) == on:
        return
    alarm = now.alarms.get(alarm_id)
    if on or (alarm is not None and alarm.active):
        now.signs[alarm_id] = Sign(on, at_us)
    else:
        del now.signs[alarm_id]


def _sensor_signs(
    group: tuple[Series, ...], newest: dict[str, Last], at_us: int, *, waited: bool
) -> Iterator[tuple[str, bool]]:
    lost, against = False, 0
    for series in group:
        last = newest.get(series.key)
        if last is None:
            lost = lost or waited
        elif at_us - last.alive_us > series.stale_us:
            lost = True
        else:
            against |= last.flag
    yield "lost", lost
    yield "stuck", bool(against & Flag.FLAT)
    yield "wild", bool(against & WILD)
    yield "wet", bool(against & Flag.WET)


def _is_silent(plan: GuardPlan, state: GuardState, at_us: int) -> bool:
    from_us = silent_from(plan, state)
    return from_us is not None and at_us >= from_us


def silent_from(plan: GuardPlan, state: GuardState) -> int | None:
    """Return from when on silence counts if nothing is heard [µs]; None with a single sensor."""
    if len(state.newest) < 2:
        return None
    return max(last.alive_us for last in state.newest.values()) + plan.silence_us + 1


def leaving_limit(place: BayPlan, now: BayNow, at_us: int) -> tuple[HeldLimit, float, float] | None:
    """Return the limit that is about to be left, the value [its unit] and its rate [1/h].

    It is when the trail, carried on straight for the lead time, comes out outside; once said,
    it holds until it comes out inside by the deadband.

    Args:
        place: The bay.
        now: What is remembered of it.
        at_us: Time now [µs].
    """
    stage = held_stage(place, now)
    if stage is None:
        return None
    said = is_on(now, place.alarm_id("leaving"))
    lead_h = place.rules.leaving_lead_us / HOUR_US
    for limit in stage.limits:
        if limit.quantity not in COLUMNS or now.limits[limit.key].group != "inside":
            continue
        value = now.trail[-1][COLUMNS[limit.quantity]] if now.trail else None
        slack = limit.deadband if said else 0.0
        if value is None or not _is_in_reach(limit, now.trail, value, slack, lead_h):
            continue
        rate = steady_rate_per_h(now.trail, limit.quantity, at_us)
        if rate is None:
            continue
        ahead = value + rate * lead_h
        if ahead < limit.low + slack or ahead > limit.high - slack:
            return limit, value, rate
    return None


STEEPEST = 3.0
"""No line through values of a range R over a time T is steeper than this times R / T (for even
steps it is 1.5)."""


def _is_in_reach(limit: HeldLimit, trail: Trail, value: float, slack: float, lead_h: float) -> bool:
    """Return whether any line through the trail could leave a limit: a quick way to say no."""
    column = COLUMNS[limit.quantity]
    values = [known for entry in trail if (known := entry[column]) is not None]
    span_h = (trail[-1].at_us - trail[0].at_us) / HOUR_US
    if not span_h:
        return False
    reach = STEEPEST * (max(values) - min(values)) / span_h * lead_h
    return value - reach < limit.low + slack or value + reach > limit.high - slack


def _is_heater_silent(now: BayNow, alarm_id: str, at_us: int, *, cold: bool) -> bool:
    """Return whether the air is too cold and does not become warmer."""
    before = is_on(now, alarm_id)
    if not cold:
        return False
    rate = rate_per_h(now.trail, "air_temp_c", at_us)
    if rate is None:
        return before
    return rate < (WARMING_AGAIN_K_H if before else WARMING_K_H)
