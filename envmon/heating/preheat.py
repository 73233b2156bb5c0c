"""When to start heating so that a bay is warm in time, with a stated chance.

The bay's model, or else past mornings, say how long warming takes. How far either was off on past
mornings, foreseen as long before, says how much earlier to start: the start is early enough in the
share of past mornings that is asked for (split conformal rule: the ⌈(n+1)·p⌉-th of n; Vovk, from
memory). With too few mornings for that a usual scatter stands in, and this is said.
"""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.errors import InputError
from envmon.heating.mornings import mornings_of
from envmon.heating.warming import LEAST_MORNINGS, Aim, PastMornings
from envmon.outlook.weather import outdoor_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.heating.model import Floats
    from envmon.heating.mornings import BayPast
    from envmon.heating.warming import Warmer
    from envmon.outlook.ahead import Outside

STEP_MIN = 5.0
LONGEST_MIN = 16 * 60.0
CHANCE = 0.9
USUAL_SCATTER = (0.6, 0.75, 0.85, 0.95, 1.0, 1.05, 1.15, 1.3, 1.6)
"""What warming takes over what is foreseen, where no morning has shown it (common practice)."""


class Start(NamedTuple):
    """When to start heating.

    Attributes:
        wait_min: From now [min]; 0 is at once.
        in_time: False where even at once is too late for the chance asked for.
        chance: Chance with which the bay is warm in time when started then; the one asked for,
            or lower where it is too late.
        warm_min: How long warming is expected to take then [min].
        sure_min: How long it takes at most with that chance [min].
        mornings: Past mornings the scatter rests on; 0 where a usual one stands in.
        kind: ``bay model``, ``past mornings`` or ``usual``.
        rests: What it rests on, for a person.
        outdoor_c: What is taken of the outdoors then [°C].
    """

    wait_min: float
    in_time: bool
    chance: float
    warm_min: float
    sure_min: float
    mornings: int
    kind: str
    rests: str
    outdoor_c: float


def start_heating(
    past: BayPast,
    aim: Aim,
    by_min: float,
    chance: float = CHANCE,
    model: Warmer | None = None,
    outdoor: Sequence[Outside] = (),
) -> Start | None:
    """Return the latest start that has a bay warm in time; None where the air is not known.

    Args:
        past: The bay up to now.
        aim: The target, and how far it may fall before.
        by_min: When it is to be warm, counted from now [min], up to 16 h.
        chance: That it is warm by then, 0.5…0.99.
        model: The bay's model over the same minutes (``model_or_none``); without it past mornings
            say.
        outdoor: The outdoors ahead by a forecast, which the model was given too; empty for none.

    Raises:
        InputError: ``by_min`` or ``chance`` is out of range.
    """
    if not 0 < by_min <= LONGEST_MIN:
        raise InputError(f"by_min is {by_min:g} min; allowed is above 0 up to {LONGEST_MIN:g}")
    if not 0.5 <= chance <= 0.99:
        raise InputError(f"chance is {chance:g}; allowed is 0.5 to 0.99")
    now = len(past.air_c) - 1
    if now < 0 or not np.isfinite([past.air_c[now], past.outdoor_c[now]]).all():
        return None
    mornings = mornings_of(past, aim.target_c)
    warmer = model or PastMornings(past, mornings, aim, outdoor)
    waits = np.arange(0.0, by_min, STEP_MIN)
    minutes = warmer.warm_minutes(np.full(len(waits), now), waits)
    wait = _first_guess(waits, minutes, by_min)
    ratios = warmer.ratios(mornings, wait)
    count = len(ratios)
    if count < LEAST_MORNINGS or ceil((count + 1) * chance) > count:
        ratios = np.concatenate((ratios, USUAL_SCATTER))
    sure = minutes * quantile(ratios, chance)
    early = np.flatnonzero(waits + sure <= by_min)
    place = int(early[-1]) if len(early) else 0
    outdoor_c = _outdoor_then(past, float(waits[place]), outdoor)
    reached = chance if len(early) else _chance_of(ratios, by_min, float(minutes[0]))
    return Start(
        float(waits[place]), bool(len(early)), reached, float(minutes[place]), float(sure[place]),
        count if count >= LEAST_MORNINGS else 0, warmer.kind, warmer.rests, outdoor_c,
    )  # fmt: skip


def _outdoor_then(past: BayPast, wait_min: float, outdoor: Sequence[Outside]) -> float:
    if not outdoor:
        return float(past.outdoor_c[-1])
    now_us = past.start_us + len(past.air_c) * MINUTE_US
    return float(outdoor_at(outdoor, np.array([now_us + wait_min * MINUTE_US]))[0])


def _first_guess(waits: Floats, minutes: Floats, by_min: float) -> float:
    early = np.flatnonzero(waits + minutes <= by_min)
    return float(waits[early[-1]]) if len(early) else 0.0


def quantile(ratios: Floats, chance: float) -> float:
    """Return the ratio that a new morning stays under with a chance; the largest if too few."""
    ordered = np.sort(ratios)
    return float(ordered[min(len(ordered), ceil((len(ordered) + 1) * chance)) - 1])


def _chance_of(ratios: Floats, by_min: float, minutes: float) -> float:
    """Return the chance that warming takes no longer than there is time."""
    if not np.isfinite(minutes):
        return 0.0
    return float((ratios * minutes <= by_min).sum() / (len(ratios) + 1))
