"""What is learned of a bay, and what is foreseen of it: plain data, JSON both ways."""

from __future__ import annotations

from typing import Literal

import msgspec

from envmon.guard.live import Fitness
from envmon.outlook.constants import Learned
from envmon.outlook.habits import Habits


class Trust(msgspec.Struct, frozen=True):
    """How forecasts have done in one situation.

    Attributes:
        weights: Quantity -> a row for each group of leads, a share for each expert.
        marks: What past moments looked like, a row for each (``likeness.MARKS``).
        paths: How the forecast of each of them was off from then on: 16-bit hundredths, three
            quantities one after the other, a value for each lead.
        scale: Quantity -> by how much those errors are stretched around their middle so that
            intervals cover, a value for each lead.
        moved: Quantity -> 1 where forecasts are moved by that middle, 0 where not, likewise.
        heard: So many past moments are heard at least.
        lean: By how much a moment's signs move a forecast (``lean.lean_from``); empty for nothing.
        steady: Like ``scale``, for courses without the thermostat's swing; empty for as it is.
    """

    weights: dict[str, list[list[float]]]
    marks: list[list[float]]
    paths: bytes
    scale: dict[str, list[float]]
    moved: dict[str, list[float]]
    heard: float
    lean: bytes = b""
    steady: dict[str, list[float]] = {}


class ModelFacts(msgspec.Struct, frozen=True):
    """Everything learned of a bay.

    Attributes:
        made_us: Time up to which it was learned [µs].
        updated_us: Time up to which errors have been taken in since [µs].
        guessing: Nothing was learned yet: constants and errors are what is usual.
        days: Days of history it comes from.
        constants: Name -> the constant, its range, and whether the data tell it.
        air_j_k: Heat capacity of air and light things [J/K]; None where nobody knows the
            heater's output, so that no heat can be given in watts.
        loss_w_k: What the bay loses [W/K]; None as above.
        habits: What is usual in the shop.
        trust: Situation -> how forecasts have done in it.
        errors: Quantity -> median absolute error at 10, 30, 60 and 120 min.
    """

    made_us: int
    updated_us: int
    guessing: bool
    days: float
    constants: dict[str, Learned]
    air_j_k: float | None
    loss_w_k: Learned | None
    habits: Habits
    trust: dict[str, Trust]
    errors: dict[str, tuple[float, ...]]

    def to_json(self) -> bytes:
        """Return the facts as JSON that ``from_json`` reads back without loss."""
        return msgspec.json.encode(self)

    @classmethod
    def from_json(cls, text: bytes) -> ModelFacts:
        """Read facts back.

        Raises:
            msgspec.MsgspecError: The text is no such facts.
        """
        return msgspec.json.decode(text, type=cls)

    @property
    def untold(self) -> tuple[str, ...]:
        """Names of the constants that the data cannot tell."""
        return tuple(name for name, one in self.constants.items() if not one.told)


class Span(msgspec.Struct, frozen=True):
    """A time ahead [min]: the middle, and an interval that holds it in nine cases of ten.

    None: not within the three hours that are foreseen.
    """

    middle: float | None
    early: float | None
    late: float | None


class LimitOutlook(msgspec.Struct, frozen=True):
    """One limit of a stage: whether it holds, and when that changes."""

    quantity: str
    inside: bool
    changes: Span


class Said(msgspec.Struct, frozen=True):
    """What is said of a stage, with what keeps it from flickering.

    Attributes:
        text: One line, empty when there is nothing to say.
        turns: ``enters``, ``leaves`` or empty.
        middle_us: When that is expected [µs]; None for not within the hours foreseen.
        early_us: 5 % lie before this.
        late_us: 5 % lie after this.
        other_since_us: Since when the other turn has been due to be said; None while it is not.
    """

    text: str = ""
    turns: Literal["", "enters", "leaves"] = ""
    middle_us: int | None = None
    early_us: int | None = None
    late_us: int | None = None
    other_since_us: int | None = None


class StageOutlook(msgspec.Struct, frozen=True):
    """One stage ahead.

    Attributes:
        stage: Its id.
        fitness: Whether every limit that can be foreseen holds now: ``fit``, ``unfit``, or
            ``unknown`` when a value is missing.
        enters: When all of them will hold, for a stage that is not fit now.
        leaves: When the first of them ends to hold, for a stage that is fit now; None also while
            a bay has taught little and it might be soon or late.
        settle_min: What has to pass after that before a start [min].
        limits: Each limit.
        not_foreseen: Quantities with limits that nothing is foreseen of, such as water.
        said: One line for a wall.
    """

    stage: str
    fitness: Fitness
    enters: Span | None
    leaves: Span | None
    settle_min: float
    limits: tuple[LimitOutlook, ...]
    not_foreseen: tuple[str, ...]
    said: Said


class Fan(msgspec.Struct, frozen=True):
    """A quantity ahead: its 5, 25, 50, 75 and 95 % quantiles, a value every five minutes."""

    quantity: str
    minutes: tuple[int, ...]
    quantiles: dict[str, tuple[float, ...]]


class BayOutlook(msgspec.Struct, frozen=True):
    """What is foreseen of a bay.

    Attributes:
        at_us: As of this time [µs].
        guessing: The bay has taught nothing yet.
        situation: What is going on.
        known: False when air or humidity is missing or old: then nothing is foreseen.
        stages: A row for each stage.
        fans: Air, humidity, panel and dew margin ahead.
    """

    at_us: int
    guessing: bool
    situation: str
    known: bool
    stages: tuple[StageOutlook, ...]
    fans: tuple[Fan, ...]

    def to_json(self) -> bytes:
        """Return the outlook as JSON."""
        return msgspec.json.encode(self)


class Advice(msgspec.Struct, frozen=True):
    """What a person may do, and what would come of it by the model.

    Attributes:
        kind: ``open_door``.
        text: One line, in the shop's units.
        minutes: How long the door would be open [min].
        rel_hum_from_pct: Humidity expected without it [%].
        rel_hum_to_pct: Humidity expected with it [%].
        air_low_c: Lowest air temperature on the way [°C].
        cost_kwh: Heat it takes more [kWh]; None where nobody knows the heater's output.
    """

    kind: Literal["open_door"]
    text: str
    minutes: float
    rel_hum_from_pct: float | None = None
    rel_hum_to_pct: float | None = None
    air_low_c: float | None = None
    cost_kwh: float | None = None
