"""The vapour of a work in words, in the units asked for."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from envmon.physics.solvent import CAUTIONS, MOST_CHANGES, PANEL_FLOW_M3_S
from envmon.sums.mix_texts import celsius_text, digits
from envmon.sums.vapour_report import HEAT_LEFT_OUT, LEFT_OUT, MODEL
from envmon.units import convert

if TYPE_CHECKING:
    from envmon.physics.solvent import BayAir
    from envmon.physics.solvent_limits import Over
    from envmon.sums.vapour_report import Held, VapourAnswer
    from envmon.units import UnitSystem

OVER_WORDS: dict[Over, str] = {
    "moment": "at any moment", "quarter": "mean of 15 min", "shift": "mean of 8 h",
}  # fmt: skip
_OUNCE_KG = 0.028349523125
_LONG_S = 86_400.0


class LimitRow(NamedTuple):
    """A limit as a person reads it.

    Attributes:
        name: Who says it.
        over: Over which time.
        ppm: Vapour and limit.
        word: ``under``, ``close`` or ``OVER``.
        needs: What ventilation keeps it under.
        source: Where it stands.
    """

    name: str
    over: str
    ppm: str
    word: str
    needs: str
    source: str


def say_of(answer: VapourAnswer, units: UnitSystem) -> str:
    """Return the answer in one line."""
    if not answer.over:
        if answer.kind == "fit":
            return "Under every limit by this estimate"
        worst = max(answer.held, key=lambda each: each.ppm / each.limit.ppm)
        return f"Under every limit, little left: {worst.limit.name}, {_ppm_of(worst)}"
    names = ", ".join(each.limit.name for each in answer.over)
    if answer.explosive:
        return f"Can explode at the panel; over {names}"
    if answer.changes is None:
        return f"Over {names}: no ventilation of the bay is enough"
    air = answer.work.vapour.air
    return f"Over {names}: ventilate with {_air_text(answer.changes, air, units)}"


def help_of(answer: VapourAnswer, units: UnitSystem) -> str:
    """Return what else helps when a limit is not met, or empty."""
    if not answer.over:
        return ""
    most = weight_text(answer.most_kg, units, down=True)
    less = f"Spread over longer, or less: {most} in this time would stay under."
    if answer.changes is not None:
        return less
    vapour = answer.work.vapour
    if any(vapour.near_mean_ppm(each.limit.over) >= each.limit.ppm for each in answer.over):
        return f"The air at the panel alone is over: draw it off there. {less}"
    return f"It would take more than {MOST_CHANGES:g} air changes an hour. {less}"


def lines_of(answer: VapourAnswer, units: UnitSystem) -> tuple[tuple[str, str], ...]:
    """Return what was asked and what follows, as (what, value)."""
    vapour = answer.work.vapour
    spread, air = vapour
    weight = weight_text(spread.mass_kg, units)
    lines = [
        ("evaporates", f"{weight} {spread.carrier} in {span_text(spread.spread_s)}"),
        (
            "ventilation",
            f"{_air_text(air.changes_per_h, air, units)}; mixing factor {air.mixing:g}",
        ),
        ("in the bay", f"{ppm_text(vapour.bay_ppm(spread.spread_s))} when it is spread"),
        ("at the panel", f"{ppm_text(vapour.worst_ppm('moment'))} at the worst"),
        ("down to a tenth", _flush_text(vapour.flush_s)),
        ("heat it costs", _heat_text(answer, units)),
    ]
    if vapour.worst_ppm("moment") > vapour.saturated_ppm:
        held = f"air holds no more than {ppm_text(vapour.saturated_ppm)}, the rest stays wet"
        lines.insert(4, ("saturated", held))
    return tuple(lines)


def limit_rows(answer: VapourAnswer, units: UnitSystem) -> tuple[LimitRow, ...]:
    """Return every limit in words."""
    return tuple(
        LimitRow(
            each.limit.name, OVER_WORDS[each.limit.over], _ppm_of(each), each.word,
            _needs_text(each, answer, units), each.limit.source,
        )
        for each in answer.held
    )  # fmt: skip


def text_lines(answer: VapourAnswer, units: UnitSystem) -> list[str]:
    """Return the answer as lines to read."""
    told = [f"{what:<16} {value}" for what, value in lines_of(answer, units)]
    limits = []
    for row in limit_rows(answer, units):
        limits.append(f"{row.name:<16} {row.word:<5} {row.ppm}, {row.over} ({row.source})")
        limits.append(f"{'':<22} {row.needs}")
    head = [text for text in (say_of(answer, units), help_of(answer, units)) if text]
    cautions = [f"! {text}" for text in CAUTIONS]
    return [*head, "", *told, "", *limits, "", *notes_of(units), *cautions]


def notes_of(units: UnitSystem) -> tuple[str, ...]:
    """Return what is left out, and the model."""
    flow_m3 = 60 * PANEL_FLOW_M3_S
    cubic_feet = flow_m3 / convert(1.0, "ft3", "volume")
    flow = f"{digits(cubic_feet, 2)} ft³" if units == "us" else f"{flow_m3:.0f} m³"
    return (LEFT_OUT, HEAT_LEFT_OUT, MODEL.format(flow=flow))


def weight_text(mass_kg: float, units: UnitSystem, *, down: bool = False) -> str:
    """Return a mass as a person reads it, in three digits; rounded down where it is a most."""
    number, unit = (mass_kg / _OUNCE_KG, "oz") if units == "us" else (1000 * mass_kg, "g")
    if down:
        scale = 10 ** (2 - math.floor(math.log10(number)))
        number = math.floor(number * scale) / scale
    return f"{digits(number)} {unit}"


def ppm_text(ppm: float) -> str:
    """Return a concentration as a person reads it: two digits below 100, whole ones above."""
    return f"{digits(ppm, 2 if ppm < 100 else 3)} ppm"


def _ppm_of(held: Held) -> str:
    return f"{ppm_text(held.ppm).removesuffix(' ppm')} of {held.limit.ppm:g} ppm"


def span_text(seconds: float) -> str:
    """Return a time as a person reads it: ``45 s``, ``20 min``, ``1 h 05 min``."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def _flush_text(flush_s: float) -> str:
    if math.isinf(flush_s):
        return "never without ventilation"
    return "more than a day later" if flush_s > _LONG_S else f"{span_text(flush_s)} later"


def _needs_text(held: Held, answer: VapourAnswer, units: UnitSystem) -> str:
    if held.changes is None:
        return "no ventilation of the bay keeps it under"
    if held.changes == 0:
        return "stays under even without ventilation"
    needs = f"needs {_air_text(held.changes, answer.work.vapour.air, units)}"
    return needs if held.heat_w is None else f"{needs}, {power_text(held.heat_w, units)} of heat"


def _air_text(changes: float, air: BayAir, units: UnitSystem) -> str:
    """Return air changes and the flow they are, rounded up: what is said must be enough."""
    flow = changes * air.volume_m3
    if units == "us":
        flow_text = f"{_up(flow / 60 / convert(1.0, 'ft3', 'volume'))} cfm"
    else:
        flow_text = f"{_up(flow)} m³/h"
    return f"{_up(changes, 1)} air changes an hour ({flow_text})"


def _up(value: float, places: int = 0) -> str:
    scale = 10**places
    return f"{math.ceil(value * scale - 1e-6) / scale:.{places}f}".removesuffix(".0")


def _heat_text(answer: VapourAnswer, units: UnitSystem) -> str:
    vapour, outdoor_c = answer.work
    heat_w = answer.heat_w(vapour.air.changes_per_h)
    if outdoor_c is None or heat_w is None:
        return "not known without the outdoor temperature"
    place = f"at {celsius_text(outdoor_c, units)} outdoors"
    if heat_w == 0:
        return f"none {place}"
    power = f"{power_text(heat_w, units)} {place}"
    if answer.kept_up_s > _LONG_S:
        return power
    energy = digits(heat_w * answer.kept_up_s / 3.6e6)
    return f"{power}; {energy} kWh in the {span_text(answer.kept_up_s)} until a tenth is left"


def power_text(watts: float, units: UnitSystem) -> str:
    """Return a heating power as a person reads it."""
    if units == "us":
        return f"{digits(watts / convert(1.0, 'BTU/h', 'power'), 3)} BTU/h"
    return f"{digits(watts / 1000, 2 if watts < 10_000 else 3)} kW"
