"""Alarms in words: what is wrong, where and how bad, in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.clock import HOUR_US
from envmon.facts import Flag
from envmon.guard.alarm_kinds import GROUPS, KINDS
from envmon.guard.conditions import NO_SENSOR
from envmon.guard.drift import drifted
from envmon.guard.foreseen import is_foreseen
from envmon.guard.signs import WILD, active_stage, leaving_limit
from envmon.guard.words import clock_time, reason_text, span_text, value_text, why_text
from envmon.units import QUANTITIES, format_value

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.guard.alarm import Scene
    from envmon.guard.conditions import Known
    from envmon.guard.plan import HeldLimit, StagePlan
    from envmon.guard.state import Foreseen


def alarm_text(scene: Scene, alarm_id: str, what: str) -> str:
    """Return what is wrong now in the shop's units, without the name of the bay.

    Args:
        scene: The place, judged up to the present.
        alarm_id: The alarm.
        what: Its kind.
    """
    if what in GROUPS:
        return _stage_text(scene, what)
    say = _SAY.get(what)
    if say is not None:
        return say(scene)
    point = alarm_id.removesuffix(f"-{what}")
    if point in scene.place.points:
        return _sensor_text(scene, point, what)
    return scene.now.troubles.get(what) or KINDS[what].name


def _stage_text(scene: Scene, what: str) -> str:
    stage = active_stage(scene.place, scene.now)
    if stage is None:
        return KINDS[what].name
    name = KINDS[what].name if what == "cure_break" else f"{stage.name} {KINDS[what].name}"
    reasons = [
        reason_text(limit, _known(scene, limit.quantity), stands.fitness, scene.plan)
        for limit in stage.limits
        if (stands := scene.now.limits[limit.key]).group == GROUPS[what]
    ]
    return f"{_first_up(name)}: {'; '.join(dict.fromkeys(reasons)) or 'coming back'}"


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _known(scene: Scene, quantity: str) -> Known:
    return scene.known.get(quantity, NO_SENSOR)


def _leaving_text(scene: Scene) -> str:
    stage = active_stage(scene.place, scene.now)
    if stage is not None and is_foreseen(stage, scene.now, scene.at_us):
        return _foreseen_text(stage, scene)
    found = leaving_limit(scene.place, scene.now, scene.at_us)
    if stage is None or found is None:
        return "About to leave its window: coming back"
    limit, value, rate = found
    quantity = QUANTITIES[limit.quantity]
    way = "falling" if rate < 0 else "rising"
    edge = limit.low if rate < 0 else limit.high
    minutes = max(0.0, (edge - value) / rate * 60) if rate else 0.0
    said = format_value(value, quantity, scene.plan.units)
    return (
        f"{stage.name} about to leave its window: {_name(limit)} {said}, {way}, outside "
        f"{_span(limit, scene)} in about {minutes:.0f} min"
    )


def _name(limit: HeldLimit) -> str:
    if limit.quantity == "dew_margin_k":
        return "panel above dew point"
    return QUANTITIES[limit.quantity].label


def _foreseen_text(stage: StagePlan, scene: Scene) -> str:
    said = scene.now.foreseen
    assert said is not None
    head, when = f"{stage.name} about to leave its window:", _foreseen_when(said, scene)
    limit = next((limit for limit in stage.limits if limit.quantity == said.quantity), None)
    if limit is None:
        return f"{head} expected {when} by the outlook"
    value = value_text(_known(scene, limit.quantity), limit.quantity, scene.plan)
    outside = f"outside {_span(limit, scene)} {when} by the outlook"
    return f"{head} {_name(limit)} {value}, {outside}"


def _foreseen_when(said: Foreseen, scene: Scene) -> str:
    zone, first_us = scene.plan.timezone, max(said.from_us or 0, scene.at_us)
    first, last = clock_time(first_us, zone), clock_time(said.to_us, zone)
    if said.to_us is None:
        return f"after {first}"
    return "at any moment" if said.to_us <= first_us else f"between {first} and {last}"


def _span(limit: HeldLimit, scene: Scene) -> str:
    return span_text(limit.low, limit.high, limit.quantity, scene.plan)


def _wet_panel_text(scene: Scene) -> str:
    margin = _known(scene, "dew_margin_k")
    if margin.value is None:
        return f"Panel under the dew point: {why_text(margin, 'dew_margin_k', scene.plan)}"
    text = value_text(margin, "dew_margin_k", scene.plan).lstrip("−")
    if margin.value >= 0:
        return f"Panel was under the dew point: back above it by {text}"
    panel = value_text(_known(scene, "panel_temp_c"), "panel_temp_c", scene.plan)
    return f"Panel wet: {panel}, {text} below the dew point"


def _frost_text(scene: Scene) -> str:
    air = value_text(_known(scene, "air_temp_c"), "air_temp_c", scene.plan)
    return f"Stores near freezing: air {air}, keep {_frost_span(scene)}"


def _frost_span(scene: Scene) -> str:
    limit = scene.place.frost_limit
    return _span(limit, scene) if limit else "it from freezing"


def _cold_text(scene: Scene) -> str:
    trail = scene.now.trail
    last = format_value(trail[-1].air_temp_c, QUANTITIES["air_temp_c"], scene.plan.units)
    since = clock_time(trail[-1].at_us, scene.plan.timezone)
    return f"Stores: cold not known, air was {last} at {since}, keep {_frost_span(scene)}"


def _heater_text(scene: Scene) -> str:
    air = value_text(_known(scene, "air_temp_c"), "air_temp_c", scene.plan)
    said = {None: "", 0.0: "; heater says it is off", 1.0: "; heater says it is on"}
    return f"Air {air} and not getting warmer{said.get(_heater_on(scene), '')}"


def _heater_on(scene: Scene) -> float | None:
    group = scene.place.sources.get("heater_on") or scene.plan.shop.sources.get("heater_on", ())
    values = [
        last.value
        for series in group
        if (last := scene.state.newest.get(series.key)) is not None
        and last.usable
        and scene.at_us - last.alive_us <= series.stale_us
    ]
    return max(values, default=None)


def _apart_text(scene: Scene) -> str:
    texts = [
        why_text(scene.known[name], name, scene.plan)
        for name in scene.now.apart
        if name in scene.known and scene.place.is_own(name)
    ]
    return "; ".join(texts) or "Sensors disagree: coming together"


def _drift_text(scene: Scene) -> str:
    found = drifted(scene.place, scene.now.gaps, scene.at_us, before=True)
    texts = []
    for key, far in sorted(found.items()):
        point, _, quantity = key.partition("/")
        size = f"{abs(far):.1f} {'%' if quantity.endswith('pct') else 'K'}"
        texts.append(f"{point} {QUANTITIES[quantity].label} moved {size} against the others")
    return f"Sensors drift apart: {'; '.join(texts) or 'coming back'}"


def _silence_text(scene: Scene) -> str:
    heard_us = max((last.alive_us for last in scene.state.newest.values()), default=None)
    since = clock_time(heard_us, scene.plan.timezone)
    return f"Nothing heard from any sensor since {since}: nothing is known of any bay"


_SAY: dict[str, Callable[[Scene], str]] = {
    "leaving": _leaving_text,
    "condensation": _wet_panel_text,
    "frost": _frost_text,
    "frost_unknown": _cold_text,
    "heater": _heater_text,
    "apart": _apart_text,
    "drift": _drift_text,
    "silence": _silence_text,
}


_AGAINST = {
    "stuck": (Flag.FLAT, "has not moved for long"),
    "wild": (WILD, "that cannot be"),
    "wet": (Flag.WET, "for long: wet, reads high"),
}


def _sensor_text(scene: Scene, point: str, what: str) -> str:
    if what == "lost":
        return _lost_text(scene, point)
    return _says(scene, point, *_AGAINST[what])


def _lost_text(scene: Scene, point: str) -> str:
    parts = []
    for series in scene.place.points[point]:
        last = scene.state.newest.get(series.key)
        if last is None or scene.at_us - last.alive_us > series.stale_us:
            label = QUANTITIES[series.key.partition("/")[2]].label
            heard = "never heard" if last is None else _since(scene, last.t_us)
            parts.append(f"{label} {heard}")
    return f"Sensor {point} lost: {', '.join(parts) or 'heard again'}"


def _since(scene: Scene, t_us: int) -> str:
    days = (scene.at_us - t_us) // (24 * HOUR_US)
    ago = f", {days} days ago" if days > 1 else ""
    return f"last {clock_time(t_us, scene.plan.timezone)}{ago}"


def _says(scene: Scene, point: str, flags: Flag, why: str) -> str:
    for series in scene.place.points[point]:
        last = scene.state.newest.get(series.key)
        if last is not None and last.flag & flags:
            quantity = QUANTITIES[series.key.partition("/")[2]]
            said = format_value(last.value, quantity, scene.plan.units)
            return f"Sensor {point}: {quantity.label} {said} {why}"
    return f"Sensor {point}: well again"
