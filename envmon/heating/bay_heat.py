"""What a bay's heat goes by, in watts: from its learned model, or else what is usual.

The usual door is one of 9 m² and 3 m height: Q = Cd/3·A·√(g·H·ΔT/T) with Cd = 0.6 (Brown and
Solvason 1962, from memory). What a wash evaporates and a vehicle takes up are common practice.

Changes of air are learned by the hour; what they carry follows from the bay's volume. The model's
own heat capacity is no measure of it: walls that warm fast are in it. How far the parts were off in
the simulated shop is held by ``tests/test_heating_split.py``.
"""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import DAY_US

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
WASH_KG = Range(8.0, 2.0, 16.0)
"""Water of a wash that dries in the bay, with what the vehicle brought in [kg] (common practice).
The rest runs off."""
USUAL_WASH = WASH_KG.times(EVAPORATION_KWH_KG)
"""Heat that it takes to dry [kWh]."""
USUAL_VEHICLE = Range(0.9e6 / 3.6e6, 0.15e6 / 3.6e6, 1.6e6 / 3.6e6)
"""Heat that warms a vehicle by a kelvin [kWh/K]: from a motorcycle to a van (common practice)."""


DOOR_OFF = (0.7, 1.2)
"""What humidity tells of a door's air is off by so much more than its own range says: vapour does
not leave as heat does. Chosen on the weeks of ``tests/test_heating_split.py``."""


class BayHeat(NamedTuple):
    """A bay in watts.

    Attributes:
        fabric_w_k: Lost through walls, slab and glazing [W/K]; None where not known.
        leak_w_k: Lost by air through cracks at ``leak_k`` below the bay [W/K]; None likewise.
        door_w_k15: Lost through the open door [W/K^1.5].
        rests: What fabric and leaks rest on; empty where they are not known.
        door_rests: What the door rests on.
        learned_us: From when to when the bay taught it [µs]; None for what is usual.
    """

    fabric_w_k: Range | None
    leak_w_k: Range | None
    door_w_k15: Range
    rests: str
    door_rests: str
    learned_us: tuple[int, int] | None = None


USUAL = BayHeat(None, None, USUAL_DOOR, "", "a usual door of 9 m²")


def bay_heat(
    facts: ModelFacts | None, volume_m3: float | None = None, apart_k: float = 20.0
) -> BayHeat:
    """Return a bay in watts; the usual door and nothing else where no model knows them.

    Args:
        facts: What is learned of the bay, or None.
        volume_m3: The bay's [m³]; None where the shop file has none.
        apart_k: How much colder it is outdoors in the mean [K].
    """
    if facts is None or facts.guessing or facts.air_j_k is None or facts.loss_w_k is None:
        return USUAL
    of = {name: one.value for name, one in facts.constants.items()}
    air_j_k = of["air_share"] * facts.air_j_k if volume_m3 is None else AIR_J_M3_K * volume_m3
    change_w_k = air_j_k / 3600
    loss = Range(facts.loss_w_k.value, facts.loss_w_k.low, facts.loss_w_k.high)
    leak_w_k = (of["leak"] + of["leak_k"] * apart_k) * change_w_k
    leak_w_k = min(leak_w_k, 0.8 * of["loss_air"] * facts.air_j_k / 3600)
    share = leak_w_k / loss.value
    told = facts.constants["leak"].told
    leak = Range(leak_w_k, leak_w_k * (0.7 if told else 0.3), leak_w_k * (1.4 if told else 2.5))
    days = f"the bay model of {facts.days:.0f} days"
    learned_us = facts.made_us - round(facts.days * DAY_US), facts.made_us
    fabric, door = loss.times(1 - share), facts.constants["door"]
    if not door.told:
        return BayHeat(fabric, leak, USUAL_DOOR, days, USUAL.door_rests, learned_us)
    learned = Range(door.value, DOOR_OFF[0] * door.low, DOOR_OFF[1] * door.high)
    return BayHeat(fabric, leak, learned.times(change_w_k), days, days, learned_us)
