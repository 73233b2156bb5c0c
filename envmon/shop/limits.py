"""Limits of a stage: what a quantity may be, how near the edge warns, and who says so."""

from __future__ import annotations

import math
from datetime import date
from typing import Annotated, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from envmon.errors import InputError
from envmon.units import QUANTITIES, Dimension, parse_value


class Strict(BaseModel):
    """Base of everything in a shop file: unknown keys are errors, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


def _reader(dimension: Dimension) -> BeforeValidator:
    def read(value: object) -> object:
        return parse_value(value, dimension) if isinstance(value, str) else value

    return BeforeValidator(read, json_schema_input_type=float | str)


Seconds = Annotated[
    float, Field(ge=0, le=90 * 86_400, strict=True, examples=["10 min"]), _reader("duration")
]
"""A time span [s]; ``"10 min"`` and ``"1.5 h"`` are read too."""
Metres = Annotated[float, Field(strict=True, examples=["20 ft"]), _reader("length")]
"""A length [m]; ``"20 ft"`` is read too."""


Slug = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$")]
"""Short name of a-z, 0-9, - and _ (up to 40): used in topics, addresses and file names."""


def _number_or_text(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError("allowed is a number, or text with a unit such as '68 °F'")  # noqa: TRY004
    try:
        return float(value) if isinstance(value, int) else value
    except OverflowError as error:
        raise ValueError("allowed is a number below 1e308") from error


Number = Annotated[float | str, BeforeValidator(_number_or_text)]
"""A number in the quantity's own unit, or text with another one."""

# Starting points (common practice): margin warns before the edge, deadband stops flicker.
_MARGIN = {"temperature": 1.0, "temperature_difference": 1.0, "percent": 3.0}
_DEADBAND = {"temperature": 0.3, "temperature_difference": 0.3, "percent": 1.0}


class Limit(Strict):
    """The range one quantity is held to in one stage."""

    quantity: str
    """Name of the quantity, such as ``air_temp_c``."""
    low: Number | None = None
    """Lowest allowed value; a plain number is in the quantity's unit, ``"65 °F"`` is read."""
    high: Number | None = None
    """Highest allowed value."""
    aim_low: Number | None = None
    """Low end of where it works best, as the sheet says; kept, not held."""
    aim_high: Number | None = None
    """High end of where it works best, as the sheet says; kept, not held."""
    margin: Number | None = None
    """Width of the zone inside the edge that counts as marginal; a difference."""
    deadband: Number | None = None
    """How far back inside a value must come before it counts as inside again; a difference."""
    on_delay: Seconds = 180.0
    """How long outside before the alarm [s]. The defaults were found by letting noise rest on each
    limit for a night; not to be known is told after a minute at most."""
    off_delay: Seconds = 1_200.0
    """How long inside again before the alarm clears [s]."""
    source: str = Field(min_length=3)
    """Where the limit comes from, such as the maker's sheet and its section."""

    @model_validator(mode="after")
    def _in_own_unit(self) -> Self:
        """Turn every text with a unit into the quantity's unit and check the order."""
        quantity = QUANTITIES.get(self.quantity)
        if quantity is None:
            return self  # named with its nearest spelling by the loader
        if quantity.forecast:
            raise ValueError(f"{quantity.name} is a forecast, and nothing is held against it")
        dimension = quantity.dimension
        for key in ("low", "high", "aim_low", "aim_high"):
            self._convert(key, dimension)
        spread: Dimension = "temperature_difference" if dimension == "temperature" else dimension
        for key, table, share in (("margin", _MARGIN, 0.2), ("deadband", _DEADBAND, 0.1)):
            if getattr(self, key) is None:
                # A narrow range of a sheet gets narrow defaults.
                default = min(table.get(spread, 0.0), share * self._width())
                object.__setattr__(self, key, default)
            self._convert(key, spread)
        self._check_order(quantity.low, quantity.high, quantity.unit)
        return self

    def _width(self) -> float:
        low, high = self.low, self.high
        return math.inf if low is None or high is None else max(0.0, float(high) - float(low))

    def _convert(self, key: str, dimension: Dimension) -> None:
        value = getattr(self, key)
        if value is not None:
            try:
                object.__setattr__(self, key, parse_value(value, dimension, self.quantity))
            except InputError as error:
                raise ValueError(f"{key}: {error}") from error

    def _check_order(self, lowest: float, highest: float, unit: str) -> None:
        if self.low is None and self.high is None:
            raise ValueError("a limit needs low, high or both")
        for key in ("low", "high"):
            value = getattr(self, key)
            if value is not None and not lowest <= value <= highest:
                raise ValueError(
                    f"{key} comes to {value:g} {unit}; {self.quantity} lies between "
                    f"{lowest:g} and {highest:g} {unit}"
                )
        for key in ("margin", "deadband"):
            if getattr(self, key) < 0:
                raise ValueError(f"{key} is {getattr(self, key):g}; allowed is 0 or more")
        if self.low is None or self.high is None:
            return
        width = float(self.high) - float(self.low)
        if width < 0:
            raise ValueError(
                f"low comes to {self.low:.2f} {unit}, above high of {self.high:.2f} {unit}; "
                "swap them"
            )
        if 2 * float(self.margin or 0) > width or 2 * float(self.deadband or 0) > width:
            raise ValueError(
                f"margin and deadband must leave room between {self.low:g} and {self.high:g}; "
                f"each may be at most {width / 2:g}"
            )


class StageLimit(Limit):
    """A limit from a product's sheet, for the stage it names."""

    stage: str
    """Stage it holds in, such as ``coating``."""
    source: str = ""
    """Section of the sheet; empty takes the product's own source line."""


class Stage(Strict):
    """One step of the work and the conditions it needs."""

    id: str
    name: str
    limits: tuple[Limit, ...] = ()
    settle: Seconds = 0.0
    """How long all limits must have held before the stage may start [s]."""
    goal: bool = False
    """The limits are what the stage works towards (warming, drying), so no alarm on the way."""
    cautions: tuple[str, ...] = ()
    sheet: date | None = None
    """Date of the product sheet in force, if one is."""
    product: str | None = None
    """Id of the product whose sheet changed a limit."""
