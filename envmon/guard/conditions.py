"""What is true of a bay now: measured quantities with age and quality, and derived ones."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING, Literal, NamedTuple

from envmon.clock import HOUR_US, MINUTE_US, SECOND_US
from envmon.errors import InputError
from envmon.physics.air import moist_air_state
from envmon.physics.surface import dew_margin_k
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from envmon.guard.live import Quality
    from envmon.guard.plan import BayPlan, Series
    from envmon.guard.state import BayNow, Last

Why = Literal["", "no_sensor", "silent", "stale", "suspect", "input", "disagree", "warming"]

TRAIL_STEP_US = 30 * SECOND_US
TRAIL_SPAN_US = 15 * MINUTE_US
TRAIL_NEEDED_US = 5 * MINUTE_US
TRAIL_OLD_US = 3 * MINUTE_US


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
    values = [value for value, _ in healthy]
    points = tuple(point for _, point in healthy)
    low, high = min(values), max(values)
    known = Known(median(values), "good", t_us, points, left_out=tuple(left_out))
    within = QUANTITIES[quantity].agree_within * (AGREE_AGAIN if apart else 1.0)
    if high - low > within and QUANTITIES[quantity].dimension != "state":
        return known._replace(quality="disagree", why="disagree", spread=(low, high))
    return known


def conditions(plan: BayPlan, newest: dict[str, Last], now: BayNow, at_us: int) -> Conditions:
    """Return every condition of a bay, measured and derived.

    Args:
        plan: The bay.
        newest: Series key -> newest reading.
        now: What is remembered of the bay (for rates of change, and who disagreed).
        at_us: Time to judge at [µs].
    """
    known = {
        quantity: measured(quantity, group, newest, at_us, apart=quantity in now.apart)
        for quantity, group in plan.sources.items()
    }
    known.update(_moist_air(plan, known))
    known["dew_margin_k"] = _dew_margin(known)
    known.update(_rates(now, known, at_us))
    return known


def _blocked(name: str, known: Conditions) -> Known | None:
    """Return what a derived quantity is when one it needs is not known, else None."""
    source = known.get(name, NO_SENSOR)
    if source.value is not None:
        return None
    return Known(None, source.quality, source.t_us, source.points, "input", cause=name)


_MOIST = (
    "dew_point_c",
    "frost_point_c",
    "wet_bulb_c",
    "vapour_pressure_pa",
    "humidity_ratio_kg_kg",
)


def _moist_air(plan: BayPlan, known: Conditions) -> Conditions:
    blocked = _blocked("air_temp_c", known) or _blocked("rel_hum_pct", known)
    if blocked is not None:
        return dict.fromkeys(_MOIST, blocked)
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
        return dict.fromkeys(_MOIST, broken)
    quality: Quality = "good" if air.quality == humidity.quality == "good" else "disagree"
    t_us = min(air.t_us or 0, humidity.t_us or 0)
    points = (*air.points, *(p for p in humidity.points if p not in air.points))
    return {name: Known(getattr(state, name), quality, t_us, points) for name in _MOIST}


def _dew_margin(known: Conditions) -> Known:
    blocked = _blocked("panel_temp_c", known) or _blocked("dew_point_c", known)
    if blocked is not None:
        cause = known["dew_point_c"].cause if blocked.cause == "dew_point_c" else blocked.cause
        return blocked._replace(cause=cause)
    panel, dew, frost = known["panel_temp_c"], known["dew_point_c"], known["frost_point_c"]
    assert panel.value is not None
    assert dew.value is not None
    assert frost.value is not None
    margin = dew_margin_k(panel.value, dew.value, frost.value)
    quality: Quality = "good" if panel.quality == dew.quality == "good" else "disagree"
    t_us = min(panel.t_us or 0, dew.t_us or 0)
    return Known(margin, quality, t_us, (*panel.points, *dew.points))


def longer_trail(
    trail: tuple[tuple[int, float, float], ...], known: Conditions, at_us: int
) -> tuple[tuple[int, float, float], ...]:
    """Return the trail with the present added, at most one entry each half minute."""
    air, humidity = (
        known.get("air_temp_c", NO_SENSOR).value,
        known.get("rel_hum_pct", NO_SENSOR).value,
    )
    if air is None or humidity is None or (trail and at_us - trail[-1][0] < TRAIL_STEP_US):
        return trail
    kept = tuple(entry for entry in trail if at_us - entry[0] <= TRAIL_SPAN_US)
    return (*kept, (at_us, air, humidity))


_RATES = (("air_temp_rate_k_h", "air_temp_c", 1), ("rel_hum_rate_pct_h", "rel_hum_pct", 2))


def _rates(now: BayNow, known: Conditions, at_us: int) -> Conditions:
    """Return the rates of change by least squares over the trail [K/h, %/h]."""
    return {name: _rate(now, known, source, column, at_us) for name, source, column in _RATES}


def _rate(now: BayNow, known: Conditions, source: str, column: int, at_us: int) -> Known:
    blocked = _blocked(source, known)
    if blocked is not None:
        return blocked
    trail = now.trail
    # The trail grows only while both are known; an old one says nothing of the present.
    if (
        len(trail) < 3
        or trail[-1][0] - trail[0][0] < TRAIL_NEEDED_US
        or at_us - trail[-1][0] > TRAIL_OLD_US
    ):
        return Known(None, "missing", why="warming")
    hours = [(entry[0] - trail[0][0]) / HOUR_US for entry in trail]
    slope = _slope(hours, [entry[column] for entry in trail])
    return Known(slope, known[source].quality, trail[-1][0])


def _slope(x: list[float], y: list[float]) -> float:
    mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
    above = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True))
    return above / sum((a - mean_x) ** 2 for a in x)
