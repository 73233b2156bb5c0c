"""A noisy night: one quantity rests exactly on a limit for twelve hours, all others are well.

Noise of a reading, one standard deviation, in a bay's still air (common practice; repeatability of
digital humidity sensors and small infra-red thermometers as their data sheets give it, from
memory): air 0.02 to 0.1 K, humidity 0.1 to 0.5 % RH, panel 0.1 to 0.2 K.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.facts import Flag, Reading, kept_value
from envmon.guard.engine import fresh_state, step
from envmon.physics.air import rel_hum_pct_from_dew_point
from tests.guard_support import START_US, event, plan_from, us

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.guard.plan import GuardPlan

NIGHT_S = 12 * 3600
SHOP = """
[shop]
name = "Harbour Row Surface Care"
site = "harbour_row"
timezone = "Europe/Oslo"

[[bay]]
id = "one"
name = "Bay one"

[[point]]
id = "air"
bay = "one"
topic = "air"
stale_after = "5 min"
reads = { air_temp_c = { name = "temp" }, rel_hum_pct = { name = "rh" } }

[[point]]
id = "panel"
bay = "one"
topic = "panel"
stale_after = "5 min"
reads = { panel_temp_c = { name = "temp" } }
"""
WELL = {"air_temp_c": 20.0, "rel_hum_pct": 45.0, "panel_temp_c": 19.0}
TYPICAL = {"air_temp_c": 0.1, "rel_hum_pct": 0.5, "panel_temp_c": 0.2}
QUANTUM = {"air_temp_c": 0.1, "rel_hum_pct": 0.5, "panel_temp_c": 0.1}
"""Steps of a coarse converter or a node that sends few digits."""
POINT = {"air_temp_c": "air", "rel_hum_pct": "air", "panel_temp_c": "panel"}


class Rest(NamedTuple):
    """Where a quantity rests, and the stage being worked meanwhile."""

    stage: str | None
    quantity: str
    at: float


EDGES = (
    Rest("coating", "air_temp_c", 18), Rest("coating", "air_temp_c", 24),
    Rest("coating", "rel_hum_pct", 35), Rest("coating", "rel_hum_pct", 60),
    Rest("coating", "panel_temp_c", 15), Rest("coating", "panel_temp_c", 25),
    Rest("coating", "dew_margin_k", 3), Rest("cure", "air_temp_c", 15),
    Rest("cure", "air_temp_c", 25), Rest("cure", "rel_hum_pct", 30),
    Rest("cure", "rel_hum_pct", 65), Rest("cure", "dew_margin_k", 3),
    Rest("cure", "dew_margin_k", 0), Rest(None, "air_temp_c", 5),
)  # fmt: skip
"""The built-in limits of the stages that cost most, water on the panel, stores near freezing."""
NEAR = (
    Rest("coating", "air_temp_c", 18.4), Rest("coating", "rel_hum_pct", 58.5),
    Rest("coating", "panel_temp_c", 15.4), Rest("coating", "dew_margin_k", 3.4),
    Rest("cure", "rel_hum_pct", 31.5),
)  # fmt: skip
"""So near a limit that noise might look like the way out."""


class Night(NamedTuple):
    """How a night goes.

    Attributes:
        seed: The same one gives the same night.
        share: Noise as a share of what is typical at most.
        wander: Slow wander beside it, in the same measure, about ten minutes long.
        every_s: Time between two readings [s].
        coarse: Values come in coarse steps.
    """

    seed: int
    share: float = 1.0
    wander: float = 0.0
    every_s: int = 5
    coarse: bool = False


def means_of(rest: Rest) -> dict[str, float]:
    """Return means with one quantity where it rests and the others well inside their limits."""
    if rest.quantity != "dew_margin_k":
        return {**WELL, rest.quantity: rest.at}
    humidity = rel_hum_pct_from_dew_point(22.5, 16.5 - rest.at)
    return {"air_temp_c": 22.5, "panel_temp_c": 16.5, "rel_hum_pct": humidity}


def noise(night: Night, quantity: str, count: int) -> npt.NDArray[np.float64]:
    """Return white noise and wander about zero."""
    draw = np.random.default_rng([night.seed, *quantity.encode()])
    white = night.share * TYPICAL[quantity] * draw.normal(size=count)
    if not night.wander:
        return white
    keeps = np.exp(-night.every_s / 600)
    pushes = np.sqrt(1 - keeps**2) * draw.normal(size=count)
    slow, wander = 0.0, np.empty(count)
    for place, push in enumerate(pushes):
        slow = keeps * slow + push
        wander[place] = slow
    return white + night.wander * TYPICAL[quantity] * wander


def readings_of(night: Night, means: dict[str, float]) -> list[Reading]:
    """Return the readings of a night."""
    times = range(0, NIGHT_S, night.every_s)
    found = []
    for quantity, mean in means.items():
        values = mean + noise(night, quantity, len(times))
        if night.coarse:
            values = np.round(values / QUANTUM[quantity]) * QUANTUM[quantity]
        for at_s, value in zip(times, values.tolist(), strict=True):
            t_us, kept = us(at_s), kept_value(value)
            found.append(Reading(POINT[quantity], quantity, t_us, kept, Flag.GOOD, t_us))
    return found


def raised_in(night: Night, rest: Rest, plan: GuardPlan | None = None) -> Counter[str]:
    """Return how often each alarm is raised in a night."""
    plan = plan or plan_from(SHOP)
    kind = "stage_started" if rest.stage else "stage_ended"
    begun = event(1, kind, "one", 0, {"stage": rest.stage})
    readings = readings_of(night, means_of(rest))
    _, findings = step(plan, fresh_state(plan, START_US), readings, [begun], us(NIGHT_S))
    return Counter(f.data["alarm"] for f in findings if f.kind == "alarm_raised")
