"""``envmon vapour``: the vapour of a work with solvent, worked out and written down."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.physics.solvent import (
    CAUTIONS,
    PANEL_FLOW_M3_S,
    Vapour,
    changes_needed,
    ventilation_heat_w,
)
from envmon.physics.solvent_limits import PART_OF_LEL, WINDOW_S, VapourLimit, limits_of

if TYPE_CHECKING:
    from typing import Literal

    from envmon.sums.vapour_question import Work

MODEL = (
    "Model: all of it evaporates while it is spread; the bay is one volume, its ventilation "
    "divided by the mixing factor; at the panel {flow} of air a minute take up what evaporates "
    "there."
)
LEFT_OUT = (
    "Left out: vapour from before and from other work of the shift, other solvents in the product, "
    "what towels give off later."
)
HEAT_LEFT_OUT = (
    "Sensible heat of dry air only: not humidifying, not walls and doors, not the heater's losses, "
    "not the fan. No heat is recovered."
)
_LITTLE_LEFT = 0.5
"""Over this part of a limit little is left (half, an action level; common practice)."""
_POINTS = 120


class Held(NamedTuple):
    """A limit and how a work stands to it.

    Attributes:
        limit: The limit.
        ppm: What is held against it.
        changes: Air changes that keep the work under it [1/h]; None when none do.
        heat_w: What these cost in heat [W]; None when it is not known.
    """

    limit: VapourLimit
    ppm: float
    changes: float | None
    heat_w: float | None

    @property
    def met(self) -> bool:
        """Whether the work stays under it."""
        return self.ppm <= self.limit.ppm

    @property
    def word(self) -> Literal["under", "close", "OVER"]:
        """The same as a word; ``close`` is over half of it."""
        if not self.met:
            return "OVER"
        return "close" if self.ppm > _LITTLE_LEFT * self.limit.ppm else "under"


class VapourAnswer(NamedTuple):
    """What was worked out for a work.

    Attributes:
        work: What was asked.
        held: Every limit.
    """

    work: Work
    held: tuple[Held, ...]

    @property
    def over(self) -> tuple[Held, ...]:
        """Limits that are not met."""
        return tuple(each for each in self.held if not each.met)

    @property
    def explosive(self) -> bool:
        """Whether the air at the panel reaches the lower explosive limit itself."""
        moments = (each for each in self.held if each.limit.over == "moment")
        return any(each.ppm * PART_OF_LEL >= each.limit.ppm for each in moments)

    @property
    def kind(self) -> Literal["fit", "marginal", "unfit"]:
        """Under every limit; over half of one; over one."""
        if self.over:
            return "unfit"
        close = any(each.word == "close" for each in self.held)
        return "marginal" if close else "fit"

    @property
    def changes(self) -> float | None:
        """Air changes that keep the work under every limit [1/h]; None when none do."""
        needed = [each.changes for each in self.held if each.changes is not None]
        return max(needed) if len(needed) == len(self.held) else None

    @property
    def most_kg(self) -> float:
        """So much, spread in the same time, stays under every limit [kg]: all is linear in it."""
        part = min(each.limit.ppm / each.ppm for each in self.held)
        return part * self.work.vapour.spread.mass_kg

    @property
    def kept_up_s(self) -> float:
        """From the start until a tenth of the bay's vapour is left [s]; inf without ventilation."""
        vapour = self.work.vapour
        return vapour.spread.spread_s + vapour.flush_s

    def heat_w(self, changes: float | None) -> float | None:
        """Return the heat that so many air changes cost [W]; None when it is not known."""
        return _heat_w(self.work, changes)


def _heat_w(work: Work, changes: float | None) -> float | None:
    if changes is None or work.outdoor_c is None:
        return None
    return ventilation_heat_w(work.vapour.air._replace(changes_per_h=changes), work.outdoor_c)


def answer_of(work: Work) -> VapourAnswer:
    """Return how a work stands to every limit of its solvent."""
    held = []
    for limit in limits_of(work.vapour.spread.carrier):
        changes = changes_needed(work.vapour, limit.over, limit.ppm)
        ppm = work.vapour.worst_ppm(limit.over)
        held.append(Held(limit, ppm, changes, _heat_w(work, changes)))
    return VapourAnswer(work, tuple(held))


def vapour_json(answer: VapourAnswer) -> str:
    """Return the answer as one JSON document, SI."""
    return json.dumps(vapour_document(answer))


def vapour_document(answer: VapourAnswer) -> dict[str, Any]:
    """Return the answer by its names, SI, JSON types only."""
    work, (spread, air) = answer.work, answer.work.vapour
    vapour = work.vapour
    heat_w = answer.heat_w(air.changes_per_h)
    finite = math.isfinite(answer.kept_up_s)
    return {
        **spread._asdict(), "volume_m3": air.volume_m3,
        "air_changes_per_h": air.changes_per_h, "flow_m3_s": _flow(air.changes_per_h, vapour),
        "mixing_factor": air.mixing, "air_temp_c": air.temp_c, "air_pressure_pa": air.pressure_pa,
        "outdoor_temp_c": work.outdoor_c,
        "bay_ppm": vapour.bay_ppm(spread.spread_s), "panel_ppm": vapour.worst_ppm("moment"),
        "saturated_ppm": vapour.saturated_ppm,
        "under_all": not answer.over, "explosive": answer.explosive,
        "limits": [_held_document(each, vapour) for each in answer.held],
        "air_changes_needed_per_h": answer.changes, "most_mass_kg": answer.most_kg,
        "heat_w": heat_w, "kept_up_s": answer.kept_up_s if finite else None,
        "heat_kwh": heat_w * answer.kept_up_s / 3.6e6 if finite and heat_w is not None else None,
        "course": course_of(vapour),
        "model": MODEL.format(flow=f"{60 * PANEL_FLOW_M3_S:.0f} m³"),
        "left_out": [LEFT_OUT, HEAT_LEFT_OUT],
        "cautions": list(CAUTIONS),
    }  # fmt: skip


def _flow(changes: float, vapour: Vapour) -> float:
    return changes * vapour.air.volume_m3 / 3600


def _held_document(held: Held, vapour: Vapour) -> dict[str, Any]:
    return {
        "name": held.limit.name, "limit_ppm": held.limit.ppm, "over_s": WINDOW_S[held.limit.over],
        "vapour_ppm": held.ppm, "met": held.met, "air_changes_needed_per_h": held.changes,
        "flow_needed_m3_s": None if held.changes is None else _flow(held.changes, vapour),
        "heat_needed_w": held.heat_w, "source": held.limit.source,
    }  # fmt: skip


def course_of(vapour: Vapour) -> dict[str, list[float]]:
    """Return the vapour over time: while it is spread and as long again, one hour at least."""
    end_s = vapour.spread.spread_s
    last_s = max(2 * end_s, 3600.0)
    rising = [end_s * n / _POINTS for n in range(_POINTS + 1)]
    falling = [end_s + (last_s - end_s) * n / _POINTS for n in range(_POINTS + 1)]
    near = [vapour.near_ppm] * len(rising) + [0.0] * len(falling)
    bay = [vapour.bay_ppm(t_s) for t_s in rising + falling]
    return {
        "t_s": rising + falling,
        "bay_ppm": bay,
        "panel_ppm": [low + more for low, more in zip(bay, near, strict=True)],
    }
