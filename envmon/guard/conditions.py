"""What is true of a bay now: measured quantities with age and quality, and derived ones."""

from __future__ import annotations

import math
from statistics import median
from typing import TYPE_CHECKING, Literal, NamedTuple

from envmon.errors import InputError
from envmon.guard.trail import RATES, rate_per_h
from envmon.physics.air import moist_air_state
from envmon.physics.surface import dew_margin_k
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from envmon.guard.live import Quality
    from envmon.guard.plan import BayPlan, Series
    from envmon.guard.state import BayNow, Last

Why = Literal["", "no_sensor", "silent", "stale", "suspect", "input", "disagree", "warming"]


class Known(NamedTuple):
    """One condition.

    Attributes:
        value: In the quantity's unit; None when it cannot be told.
        quality: How far it can be trusted.
        t_us: Time of the newest reading behind it, even when stale.
        points: Points behind it.
        why: Why it is not good.
        spread: Lowest and highest healthy value where sensors disagree; the value that cannot
            be, twice, where that is why.
        cause: For a derived quantity, the measured one that is missing.
        left_out: Points that should speak and do not, with the time of their last word [µs].
    """

    value: float | None
    quality: Quality
    t_us: int | None = None
    points: tuple[str, ...] = ()
    why: Why = ""
    spread: tuple[float, float] | None = None
    cause: str = ""
    left_out: tuple[tuple[str, int | None], ...] = ()


Conditions = dict[str, Known]
NO_SENSOR = Known(None, "missing", why="no_sensor")


AGREE_AGAIN = 0.8
"""Sensors that disagreed must come this much nearer before they agree again."""


def apart_from(quantity: str, *, apart: bool) -> float:
    """Return how far sensors of one quantity may lie apart and still agree.

    Args:
        quantity: Name of the quantity.
        apart: They disagreed when they were last judged.
    """
    known = QUANTITIES[quantity]
    if known.dimension == "state":
        return math.inf
    return known.agree_within * (AGREE_AGAIN if apart else 1.0)


def is_healthy(series: Series, last: Last, at_us: int) -> bool:
    """Return whether a series may speak: usable, and not older than its stale time."""
    return last.usable and at_us - last.alive_us <= series.stale_us


def measured(
    quantity: str,
    group: tuple[Series, ...],
    newest: dict[str, Last],
    at_us: int,
    *,
    apart: bool = False,
) -> Known:
    """Return a quantity from its points: the median of the healthy ones.

    A point is healthy when its newest reading is usable and not older than its stale time.

    Args:
        quantity: Name of the quantity.
        group: The points that measure it in this bay.
        newest: Series key -> newest reading.
        at_us: Time to judge at [µs].
        apart: They disagreed when they were last judged.
    """
    healthy: list[tuple[float, str]] = []
    t_us: int | None = None
    why: Why = "silent"
    odd: float | None = None
    left_out: list[tuple[str, int | None]] = []
    for series in group:
        last = newest.get(series.key)
        if last is None:
            left_out.append((series.point, None))
            continue
        t_us = last.t_us if t_us is None else max(t_us, last.t_us)
        if at_us - last.alive_us > series.stale_us:
            why = "stale" if why == "silent" else why
            left_out.append((series.point, last.t_us))
        elif not last.usable:
            why, odd = "suspect", last.value
            left_out.append((series.point, last.t_us))
        else:
            healthy.append((last.value, series.point))
    if not healthy:
        quality: Quality = {"suspect": "suspect", "stale": "stale"}.get(why, "missing")  # type: ignore[assignment]
        spread = None if odd is None or quality != "suspect" else (odd, odd)
        return Known(None, quality, t_us, tuple(s.point for s in group), why, spread)
    points = tuple([point for _, point in healthy])
    if len(healthy) == 1:
        return Known(healthy[0][0], "good", t_us, points, left_out=tuple(left_out))
    values = [value for value, _ in healthy]
    low, high = min(values), max(values)
    known = Known(median(values), "good", t_us, points, left_out=tuple(left_out))
    if high - low > apart_from(quantity, apart=apart):
        return known._replace(quality="disagree", why="disagree", spread=(low, high))
    return known


def air_conditions(plan: BayPlan, newest: dict[str, Last], now: BayNow, at_us: int) -> Conditions:
    """Return the measured conditions, and moist air where a limit hangs on it.

    Arguments as for ``conditions``.
    """
    known = measured_conditions(plan, newest, now, at_us)
    if plan.holds_moist:
        known.update(moist_conditions(plan, known))
    return known


def conditions(plan: BayPlan, newest: dict[str, Last], now: BayNow, at_us: int) -> Conditions:
    """Return every condition of a bay, measured and derived.

    Args:
        plan: The bay.
        newest: Series key -> newest reading.
        now: What is remembered of the bay (for rates of change, and who disagreed).
        at_us: Time to judge at [µs].
    """
    known = measured_conditions(plan, newest, now, at_us)
    known.update(moist_conditions(plan, known))
    known.update(_rate(name, now, known, at_us) for name in RATES)
    return known


def rate_conditions(plan: BayPlan, known: Conditions, now: BayNow, at_us: int) -> Conditions:
    """Return the rates of change that a limit of the bay is on.

    Args:
        plan: The bay.
        known: Its measured conditions.
        now: What is remembered of the bay, the trail up to the present.
        at_us: Time to judge at [µs].
    """
    return dict(_rate(name, now, known, at_us) for name in plan.held_rates)


def measured_conditions(
    plan: BayPlan, newest: dict[str, Last], now: BayNow, at_us: int
) -> Conditions:
    """Return the measured conditions of a bay; arguments as for ``conditions``."""
    return {
        quantity: measured(quantity, group, newest, at_us, apart=quantity in now.apart)
        for quantity, group in plan.sources.items()
    }


def moist_conditions(plan: BayPlan, known: Conditions) -> Conditions:
    """Return what follows from air temperature, humidity, pressure and panel temperature."""
    moist = _moist_air(plan, known)
    moist["dew_margin_k"] = _dew_margin(known, moist)
    return moist


def _blocked(name: str, known: Conditions) -> Known | None:
    """Return what a derived quantity is when one it needs is not known, else None."""
    source = known.get(name, NO_SENSOR)
    if source.value is not None:
        return None
    return Known(None, source.quality, source.t_us, source.points, "input", cause=name)


MOIST = (
    "dew_point_c",
    "frost_point_c",
    "wet_bulb_c",
    "vapour_pressure_pa",
    "humidity_ratio_kg_kg",
)


def _moist_air(plan: BayPlan, known: Conditions) -> Conditions:
    blocked = _blocked("air_temp_c", known) or _blocked("rel_hum_pct", known)
    if blocked is not None:
        return dict.fromkeys(MOIST, blocked)
    air, humidity = known["air_temp_c"], known["rel_hum_pct"]
    assert air.value is not None
    assert humidity.value is not None
    pressure = known.get("air_pressure_pa", NO_SENSOR).value or plan.pressure_pa
    try:
        state = moist_air_state(air.value, humidity.value, pressure)
    except InputError:
        # 0 % (or next to nothing) has no dew point; a sensor that says so is broken.
        broken = Known(
            None, "suspect", humidity.t_us, humidity.points, "input", None, "rel_hum_pct"
        )
        return dict.fromkeys(MOIST, broken)
    quality: Quality = "good" if air.quality == humidity.quality == "good" else "disagree"
    t_us = min(air.t_us or 0, humidity.t_us or 0)
    points = (*air.points, *(p for p in humidity.points if p not in air.points))
    return {name: Known(getattr(state, name), quality, t_us, points) for name in MOIST}


def _dew_margin(known: Conditions, moist: Conditions) -> Known:
    dew, frost = moist["dew_point_c"], moist["frost_point_c"]
    blocked = _blocked("panel_temp_c", known) or _blocked("dew_point_c", moist)
    if blocked is not None:
        cause = dew.cause if blocked.cause == "dew_point_c" else blocked.cause
        return blocked._replace(cause=cause)
    panel = known["panel_temp_c"]
    assert panel.value is not None
    assert dew.value is not None
    assert frost.value is not None
    margin = dew_margin_k(panel.value, dew.value, frost.value)
    quality: Quality = "good" if panel.quality == dew.quality == "good" else "disagree"
    t_us = min(panel.t_us or 0, dew.t_us or 0)
    return Known(margin, quality, t_us, (*panel.points, *dew.points))


def _rate(name: str, now: BayNow, known: Conditions, at_us: int) -> tuple[str, Known]:
    source = RATES[name]
    blocked = _blocked(source, known)
    if blocked is not None:
        return name, blocked
    # The trail grows only while both are known; an old one says nothing of the present.
    rate = rate_per_h(now.trail, source, at_us)
    if rate is None:
        return name, Known(None, "missing", why="warming")
    return name, Known(rate, known[source].quality, now.trail[-1].at_us)
