"""Where a bay is calm: the values its series may take without anything changing.

A judgement is the same for every reading that leaves each limit where it stands. So a bay keeps,
for each healthy series, an interval: as long as every one of them stays in its own, no limit of
any stage moves and no sensors begin or cease to disagree, and a reading need not be judged. What
follows from several quantities (dew margin, wet bulb) rises or falls with each of them, so its
extremes lie in the corners of the box of intervals; the box is made small enough for them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.guard.conditions import MOIST, NO_SENSOR, apart_from, is_healthy
from envmon.guard.fitness import zone
from envmon.guard.trail import RATES
from envmon.physics.air import dew_point_c, frost_point_c, moist_air_state
from envmon.physics.surface import dew_margin_k

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.guard.conditions import Conditions, Known
    from envmon.guard.plan import BayPlan
    from envmon.guard.state import BayNow, Last

Span = tuple[float, float]
Spans = dict[str, Span]

FAR = 1e300
"""Ends an interval that has no end: JSON knows no infinity."""
SLACK = 1e-9
"""Share of a value, at least of 1, that is left free for rounding."""
MOIST_SLACK = 2e-5
"""The same for what follows from moist air: ice and water meet within 1e-5 K at 0.01 °C."""

_REACH: dict[str, tuple[float, float, float]] = {
    "air_temp_c": (1.0, -60.0, 80.0),
    "rel_hum_pct": (4.0, 0.0, 103.0),
    "panel_temp_c": (2.0, -60.0, 120.0),
    "air_pressure_pa": (1000.0, 60_000.0, 110_000.0),
}
"""How far the box reaches at most where moist air counts, and between which ends."""
_TRIES = 6


def calm_spans(
    bay: BayPlan, newest: dict[str, Last], known: Conditions, now: BayNow, at_us: int
) -> Spans:
    """Return the interval of each healthy series of a bay that was just judged.

    Args:
        bay: The bay.
        newest: Series key -> newest reading.
        known: The conditions it was judged by.
        now: What is remembered of it, after the judgement.
        at_us: When it was judged [µs].

    Returns:
        Series key -> lowest and highest value, both included; the present one is among them.
    """
    zones = _zones(bay, known, now)
    spans = {
        quantity: _ended(zones.get(quantity, (-FAR, FAR)))
        for quantity in bay.sources
        if known[quantity].value is not None
    }
    if bay.holds_moist:
        spans.update(_moist_spans(bay, known, zones, spans))
    calm: Spans = {}
    for quantity, span in spans.items():
        healthy = [
            (series.key, newest[series.key].value)
            for series in bay.sources[quantity]
            if series.key in newest and is_healthy(series, newest[series.key], at_us)
        ]
        if len(healthy) == 1:
            calm[healthy[0][0]] = span
        else:
            down, up = _shifts(quantity, [v for _, v in healthy], known[quantity], span, now)
            calm.update((key, (value - down, value + up)) for key, value in healthy)
    return calm


def keeps_calm(bay: BayPlan, newest: dict[str, Last], now: BayNow, at_us: int) -> bool:
    """Return whether the healthy series are those of ``now.calm``, each in its interval.

    Then no limit has moved since the intervals were worked out, and they hold on.
    """
    count = 0
    for group in bay.sources.values():
        for series in group:
            last = newest.get(series.key)
            if last is not None and is_healthy(series, last, at_us):
                low, high = now.calm.get(series.key, (FAR, -FAR))
                if not low <= last.value <= high:
                    return False
                count += 1
    return count == len(now.calm)


def _zones(bay: BayPlan, known: Conditions, now: BayNow) -> Spans:
    """Return for each quantity with limits and a value where it may move."""
    zones: Spans = {}
    for limit in (*bay.watched, *(limit for stage in bay.stages for limit in stage.limits)):
        held = known.get(limit.quantity, NO_SENSOR)
        if held.value is None or limit.quantity in RATES:
            continue
        low, high = zone(limit, held, now.limits[limit.key])
        before = zones.get(limit.quantity, (low, high))
        zones[limit.quantity] = (max(low, before[0]), min(high, before[1]))
    return zones


def _ended(span: Span) -> Span:
    return max(span[0], -FAR), min(span[1], FAR)


def _shifts(
    quantity: str, values: list[float], known: Known, span: Span, now: BayNow
) -> tuple[float, float]:
    """Return how far each of several sensors may move down and up.

    Their median moves no farther than the one that moves most, and the lowest and highest come
    nearer or part by no more than both ways together.
    """
    assert known.value is not None
    slack = SLACK * max(1.0, *map(abs, values))
    apart = quantity in now.apart
    room = apart_from(quantity, apart=apart) - (max(values) - min(values))
    half = (-room if apart else room) / 2
    down, up = (min(way, half) - slack for way in (known.value - span[0], span[1] - known.value))
    return max(down, 0.0), max(up, 0.0)


def _moist_spans(bay: BayPlan, known: Conditions, zones: Spans, spans: Spans) -> Spans:
    """Return smaller intervals of what moist air depends on, so that it keeps to its zones."""
    inputs = {name: known[name].value for name in _REACH if name in spans}
    values = {name: value for name, value in inputs.items() if value is not None}
    held = {
        name: (known[name].value or 0.0, *zones[name])
        for name in (*MOIST, "dew_margin_k")
        if name in zones
    }
    if "air_temp_c" not in values or "rel_hum_pct" not in values:
        return {}
    if known["dew_point_c"].value is None:
        return {name: (value, value) for name, value in values.items()}
    if not held:
        return {}
    widest = {name: _reach(name, value, spans[name]) for name, value in values.items()}
    scale = 1.0
    for _ in range(_TRIES):
        box = {name: _scaled(values[name], span, scale) for name, span in widest.items()}
        share = _share_held(held, _extremes(held, box, bay.pressure_pa))
        if share >= 1.0:
            return box
        scale *= 0.9 * share
    return {name: (value, value) for name, value in values.items()}


def _reach(name: str, value: float, span: Span) -> Span:
    reach, lowest, highest = _REACH[name]
    low, high = max(value - reach, span[0], lowest), min(value + reach, span[1], highest)
    return (low, high) if low <= value <= high else (value, value)


def _scaled(value: float, span: Span, scale: float) -> Span:
    low, high = span
    return max(low, value - scale * (value - low)), min(high, value + scale * (high - value))


def _extremes(held: Iterable[str], box: Spans, pressure_pa: float) -> Spans | None:
    """Return between what derived quantities lie in a box; None where they end inside it."""
    (cold, warm), (dry, humid) = box["air_temp_c"], box["rel_hum_pct"]
    try:
        if _FROM_VAPOUR.issuperset(held):
            return _vapour_extremes(held, box)
        # With pressure the wet bulb rises in dry air and falls over 100 %: both ends are tried.
        ends = [
            moist_air_state(*air, pressure or pressure_pa)
            for air in ((cold, dry), (warm, humid))
            for pressure in box.get("air_pressure_pa", (pressure_pa,))
        ]
    except InputError:
        return None
    found: Spans = {}
    for name in MOIST:
        values = [getattr(state, name) for state in ends]
        found[name] = min(values), max(values)
    if "panel_temp_c" in box:
        found["dew_margin_k"] = _margin_extremes(
            box["panel_temp_c"], found["dew_point_c"], found["frost_point_c"]
        )
    return found


_FROM_VAPOUR = {"dew_point_c", "frost_point_c", "dew_margin_k"}
"""What does not depend on the air pressure; with these alone, most shops are served."""


def _vapour_extremes(held: Iterable[str], box: Spans) -> Spans:
    corners = tuple(zip(box["air_temp_c"], box["rel_hum_pct"], strict=True))
    found: Spans = {}
    for name, point_c in (("dew_point_c", dew_point_c), ("frost_point_c", frost_point_c)):
        low, high = (point_c(*air) for air in corners)
        found[name] = low, high
    if "dew_margin_k" in held:
        found["dew_margin_k"] = _margin_extremes(
            box["panel_temp_c"], found["dew_point_c"], found["frost_point_c"]
        )
    return found


def _margin_extremes(panel: Span, dew: Span, frost: Span) -> Span:
    # A panel that rises over 0 °C is held against a lower point: the step goes the same way.
    return dew_margin_k(panel[0], dew[1], frost[1]), dew_margin_k(panel[1], dew[0], frost[0])


def _share_held(held: dict[str, tuple[float, float, float]], found: Spans | None) -> float:
    """Return 1 where the extremes keep to their zones, else about the share of them that does."""
    if found is None:
        return 0.5
    share = 1.0
    for name, (value, low, high) in held.items():
        slack = MOIST_SLACK * max(1.0, abs(value))
        below, above = found[name]
        for room, used in ((value - low, value - below), (high - value, above - value)):
            free = max(room - slack, 0.0)
            if used > free:
                share = min(share, free / used, 0.99)
    return share
