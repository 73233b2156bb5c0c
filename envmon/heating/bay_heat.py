"""What a bay's heat goes by, in watts: from its learned model, or else what is usual.

The usual door is one of 9 m² and 3 m height: Q = Cd/3·A·√(g·H·ΔT/T) with Cd = 0.6 (Brown and
Solvason 1962, from memory). What a wash evaporates and a vehicle takes up are common practice.
"""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from envmon.outlook.model import ModelFacts

AIR_J_M3_K = 1.2 * 1006.0
"""Heat capacity of air [J/(m³·K)]."""
EVAPORATION_KWH_KG = 2.45e6 / 3.6e6
"""Heat of evaporation at room temperature [kWh/kg]."""


class Range(NamedTuple):
    """A value, and a range that holds it in nine cases of ten."""

    value: float
    low: float
    high: float

    def times(self, factor: float) -> Range:
        """Return the range of a multiple."""
        return Range(self.value * factor, self.low * factor, self.high * factor)


_USUAL_DOOR = 0.6 / 3 * 9.0 * sqrt(9.81 * 3.0 / 273.15) * AIR_J_M3_K
USUAL_DOOR = Range(_USUAL_DOOR, 0.4 * _USUAL_DOOR, 1.8 * _USUAL_DOOR)
"""Heat through an open door [W/K^1.5]."""
USUAL_WASH = Range(6 * EVAPORATION_KWH_KG, 2 * EVAPORATION_KWH_KG, 12 * EVAPORATION_KWH_KG)
"""Heat that the water of a wash takes to dry [kWh]: 6 kg, 2 to 12 (common practice)."""
USUAL_VEHICLE = Range(0.9e6 / 3.6e6, 0.15e6 / 3.6e6, 1.6e6 / 3.6e6)
"""Heat that warms a vehicle by a kelvin [kWh/K]: from a motorcycle to a van (common practice)."""


class BayHeat(NamedTuple):
    """A bay in watts.

    Attributes:
        fabric_w_k: Lost through walls, slab and glazing [W/K]; None where not known.
        leak_w_k: Lost by air through cracks at ``leak_k`` below the bay [W/K]; None likewise.
        door_w_k15: Lost through the open door [W/K^1.5].
        rests: What fabric and leaks rest on; empty where they are not known.
        door_rests: What the door rests on.
    """

    fabric_w_k: Range | None
    leak_w_k: Range | None
    door_w_k15: Range
    rests: str
    door_rests: str


USUAL = BayHeat(None, None, USUAL_DOOR, "", "a usual door of 9 m²")


def bay_heat(facts: ModelFacts | None, apart_k: float = 20.0) -> BayHeat:
    """Return a bay in watts; the usual door and nothing else where no model knows them.

    Args:
        facts: What is learned of the bay, or None.
        apart_k: How much colder it is outdoors in the mean [K].
    """
    if facts is None or facts.guessing or facts.air_j_k is None or facts.loss_w_k is None:
        return USUAL
    of = {name: one.value for name, one in facts.constants.items()}
    per_hour = facts.air_j_k / 3600
    loss = Range(facts.loss_w_k.value, facts.loss_w_k.low, facts.loss_w_k.high)
    leak_w_k = of["air_share"] * (of["leak"] + of["leak_k"] * apart_k) * per_hour
    leak_w_k = min(leak_w_k, 0.8 * of["loss_air"] * per_hour)
    share = leak_w_k / loss.value
    told = facts.constants["leak"].told
    leak = Range(leak_w_k, leak_w_k * (0.7 if told else 0.3), leak_w_k * (1.4 if told else 2.5))
    days = f"the bay model of {facts.days:.0f} days"
    door = facts.constants["door"]
    if not door.told:
        return BayHeat(loss.times(1 - share), leak, USUAL_DOOR, days, USUAL.door_rests)
    factor = of["air_share"] * per_hour
    learned = Range(door.value, door.low, door.high).times(factor)
    return BayHeat(loss.times(1 - share), leak, learned, days, days)
