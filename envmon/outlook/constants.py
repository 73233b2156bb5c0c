"""What is thought of a bay's constants before it has said anything, and what it has taught since.

Medians and spreads are common practice for heated bays of 100 to 500 m³ (textbook magnitudes);
each is a log-normal belief, so that nothing can become negative.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import msgspec

from envmon.errors import InputError
from envmon.physics.room import CONSTANTS


class Belief(NamedTuple):
    """A belief: median, spread of its logarithm, unit, and what a person calls it."""

    median: float
    spread: float
    unit: str
    label: str


BELIEFS: dict[str, Belief] = {
    "mass_rate": Belief(4.0, 0.7, "1/h", "heat from air to slab and walls"),
    "mass_share": Belief(15.0, 0.6, "", "heat that slab and walls hold, in bays full of air"),
    "loss_air": Belief(0.3, 0.7, "1/h", "heat lost by glazing and leaks"),
    "loss_mass": Belief(0.5, 0.7, "1/h", "heat lost through slab and walls"),
    "heater_k_h": Belief(70.0, 0.8, "K/h", "heater output"),
    "leak": Belief(0.2, 0.8, "1/h", "air changes through cracks"),
    "leak_k": Belief(0.006, 0.8, "1/(h·K)", "more of them for each kelvin"),
    "door": Belief(8.0, 0.7, "1/(h·√K)", "air changes through the open door"),
    "fan": Belief(1.5, 0.7, "1/h", "air changes by the fan"),
    "shared": Belief(1.0, 1.0, "1/h", "air changes with the neighbours"),
    "standing": Belief(0.15, 0.8, "1/h", "water that never dries"),
    "film": Belief(2.5, 0.7, "1/h", "wet surfaces"),
    "film_dry_h": Belief(0.8, 0.7, "h", "time in which they dry"),
    "mist": Belief(2.0, 0.9, "1/h", "spray in the air"),
    "people": Belief(2e-4, 0.8, "kg/(kg·h)", "vapour from people"),
    "buffer": Belief(0.008, 0.7, "kg/kg", "water that wood and towels take up"),
    "buffer_h": Belief(2.0, 0.5, "h", "time in which they do"),
    "air_share": Belief(0.6, 0.2, "", "share of the air in what warms fast"),
    "panel_rate": Belief(10.0, 0.7, "1/h", "heat from the room to a panel"),
    "core_rate": Belief(4.0, 0.8, "1/h", "heat from the mass behind to a panel"),
    "core_h": Belief(3.0, 0.7, "h", "time in which that mass follows"),
    "fan_above": Belief(0.55, 0.12, "", "humidity above which the fan runs"),
}
"""Name of a constant -> the belief; all of ``Room`` and the fan's own switch point."""
assert set(CONSTANTS) < set(BELIEFS)

NEEDS = {
    "mass_rate": ("air_temp_c", "heater_on"), "mass_share": ("air_temp_c", "heater_on"),
    "loss_air": ("air_temp_c", "outdoor_temp_c", "heater_on"),
    "loss_mass": ("air_temp_c", "outdoor_temp_c", "heater_on"),
    "heater_k_h": ("air_temp_c", "heater_on"),
    "leak": ("rel_hum_pct", "outdoor_rel_hum_pct"),
    "leak_k": ("rel_hum_pct", "outdoor_rel_hum_pct"),
    "door": ("rel_hum_pct", "outdoor_temp_c", "door_open"),
    "panel_rate": ("panel_temp_c",), "core_rate": ("panel_temp_c",), "core_h": ("panel_temp_c",),
}  # fmt: skip
"""What must have been measured before a constant can be told at all."""
TOLD_BELOW = 0.5
"""A spread narrowed to less than this share of the belief's counts as told by the data."""


class Learned(msgspec.Struct, frozen=True):
    """A constant as it stands.

    Attributes:
        value: The best value there is.
        low: 5 % are thought to lie below it.
        high: 5 % are thought to lie above it.
        told: The data say it; else the range is hardly narrower than what was believed before.
    """

    value: float
    low: float
    high: float
    told: bool


class Priors(msgspec.Struct, frozen=True):
    """What a shop file says of a bay.

    Attributes:
        volume_m3: Air volume [m³].
        heater_w: Rated heater output [W]; None where nobody knows.
        beliefs: Constants the shop knows better: name -> (median, spread of its logarithm).
        zone: The shop's time zone, such as Europe/Oslo.
    """

    volume_m3: float
    heater_w: float | None = None
    beliefs: dict[str, tuple[float, float]] = {}
    zone: str = "UTC"

    def __post_init__(self) -> None:
        if not 5 <= self.volume_m3 <= 100_000:
            raise InputError(f"volume is {self.volume_m3} m³; allowed is 5 to 100 000")
        unknown = sorted(set(self.beliefs) - set(BELIEFS))
        if unknown:
            raise InputError(f"beliefs name {unknown}; allowed: {', '.join(BELIEFS)}")

    @property
    def air_j_k(self) -> float:
        """Heat capacity of the air and light things that go with such a volume [J/K]."""
        return 1.2 * 1006 * self.volume_m3 / BELIEFS["air_share"].median

    def believed(self) -> dict[str, tuple[float, float]]:
        """Return name -> (median, spread of the logarithm) of every constant."""
        believed = {name: (b.median, b.spread) for name, b in BELIEFS.items()}
        if self.heater_w is not None:
            believed["heater_k_h"] = (self.heater_w / self.air_j_k * 3600, 0.4)
        return {**believed, **self.beliefs}


def guessed(priors: Priors) -> dict[str, Learned]:
    """Return the constants of a bay that has said nothing yet."""
    return {
        name: learned_from(median, spread, spread)
        for name, (median, spread) in priors.believed().items()
    }


def learned_from(value: float, spread: float, believed_spread: float) -> Learned:
    """Return a constant from its value and the spread of its logarithm after the data."""
    reach = 1.645 * spread
    return Learned(
        value,
        value * math.exp(-reach),
        value * math.exp(reach),
        spread < TOLD_BELOW * believed_spread,
    )
