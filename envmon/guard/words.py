"""Findings in words a person can act on, in the shop's units."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from envmon.clock import SECOND_US
from envmon.units import QUANTITIES, format_value, shown

if TYPE_CHECKING:
    from envmon.guard.conditions import Known
    from envmon.guard.plan import GuardPlan, HeldLimit

_TOO_LOW = {
    "air_temp_c": "heat",
    "rel_hum_pct": "add moisture or air in less",
    "panel_temp_c": "let it warm",
    "water_temp_c": "warmer water",
    "dew_margin_k": "dry the air or warm the panel",
}
_TOO_HIGH = {
    "air_temp_c": "less heat",
    "rel_hum_pct": "ventilate or heat",
    "panel_temp_c": "let it cool",
    "water_temp_c": "cooler water",
    "dissolved_solids_ppm": "check the resin",
}


def clock_time(at_us: int | None, timezone: str) -> str:
    """Return ``14:05`` in the shop's time, with its daylight-saving rule; ``—`` for None."""
    if at_us is None:
        return "—"
    return datetime.fromtimestamp(at_us / SECOND_US, ZoneInfo(timezone)).strftime("%H:%M")


def span_text(low: float, high: float, quantity: str, plan: GuardPlan) -> str:
    """Return a limit as people say it: ``15–25 °C``, ``at most 60 %``, ``at least 10 °C``."""
    known = QUANTITIES[quantity]
    how = shown(known, plan.units)
    unit = f" {how.unit}" if how.unit else ""
    ends = [_edge(value * how.factor + how.offset) for value in (low, high)]
    if math.isinf(high):
        return f"at least {ends[0]}{unit}"
    if math.isinf(low):
        return f"at most {ends[1]}{unit}"
    return f"{ends[0]}–{ends[1]}{unit}"


def _edge(value: float) -> str:
    return f"{round(value, 1):g}".replace("-", "−") if math.isfinite(value) else ""


def value_text(known: Known | None, quantity: str, plan: GuardPlan, finer: int = 0) -> str:
    """Return a condition's value as a person reads it; ``—`` when not known."""
    if known is None or known.value is None:
        return "—"
    return format_value(known.value, QUANTITIES[quantity], plan.units, finer=finer)


def why_text(known: Known, quantity: str, plan: GuardPlan) -> str:
    """Return why a condition is not good; empty when it is."""
    label = QUANTITIES[quantity].label
    points = ", ".join(known.points)
    last = clock_time(known.t_us, plan.timezone)
    if known.why == "disagree" and known.spread:
        low, high = (format_value(v, QUANTITIES[quantity], plan.units) for v in known.spread)
        return f"{label}: sensors disagree, {low} and {high} ({points})"
    if known.why == "suspect" and known.spread:
        odd = format_value(known.spread[0], QUANTITIES[quantity], plan.units)
        allowed = span_text(QUANTITIES[quantity].low, QUANTITIES[quantity].high, quantity, plan)
        return f"{label}: {points} says {odd}, a sensor can say {allowed}: check it"
    if known.why == "input":
        return f"{label}: not known without {QUANTITIES[known.cause].label}"
    return {
        "": "",
        "no_sensor": f"{label}: no sensor here",
        "silent": f"{label}: nothing heard yet from {points}",
        "stale": f"{label}: no reading since {last} from {points}",
        "suspect": f"{label}: {points} sends values it cannot have",
        "warming": f"{label}: not enough readings yet",
    }.get(known.why, label)


def left_out_texts(known: Known, quantity: str, plan: GuardPlan) -> list[str]:
    """Return a line for each point that should speak and does not, while others do."""
    if known.value is None:
        return []
    label = QUANTITIES[quantity].label
    return [
        f"{label}: nothing to trust from {point} since {clock_time(t_us, plan.timezone)}"
        if t_us is not None
        else f"{label}: nothing heard yet from {point}"
        for point, t_us in known.left_out
    ]


def reason_text(limit: HeldLimit, known: Known, fitness: str, plan: GuardPlan) -> str:
    """Return one limit held against the bay, as ``panel 12.1 °C, needs 15–25 °C: let it warm``."""
    if known.value is None:
        return why_text(known, limit.quantity, plan)
    span = span_text(limit.low, limit.high, limit.quantity, plan)
    # 60.3 % is not "60 %, needs 35–60 %": a digit more where rounding would hide the fault.
    shown_as = round(known.value, QUANTITIES[limit.quantity].decimals)
    outside = not limit.low <= known.value <= limit.high
    hidden = outside and limit.low <= shown_as <= limit.high
    text = f"{_said(limit.quantity, known, plan, finer=int(hidden))}, needs {span}"
    if fitness != "unfit":
        note = why_text(known, limit.quantity, plan) if known.quality != "good" else ""
        return f"{text} ({note})" if note else text
    # Held out by the deadband, the value itself may lie inside: then it is on its way back.
    if known.value < limit.low:
        hint = _TOO_LOW.get(limit.quantity, "")
    elif known.value > limit.high:
        hint = _TOO_HIGH.get(limit.quantity, "")
    else:
        hint = "only just back, wait"
    return f"{text}: {hint}" if hint else text


def _said(quantity: str, known: Known, plan: GuardPlan, finer: int = 0) -> str:
    text = value_text(known, quantity, plan, finer)
    if quantity != "dew_margin_k":
        return f"{QUANTITIES[quantity].label} {text}"
    if known.value is not None and known.value < 0:
        return f"panel {text.lstrip('−')} below dew point"
    return f"panel {text} above dew point"


def by_hand_text(limit: HeldLimit, plan: GuardPlan) -> str:
    """Return what the person must check with an instrument of their own."""
    span = span_text(limit.low, limit.high, limit.quantity, plan)
    return f"check by hand: {QUANTITIES[limit.quantity].label} {span}"
