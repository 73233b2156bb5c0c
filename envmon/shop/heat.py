"""The shop file's heat: fuel, meters' meaning, degree days, tariffs."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from envmon.shop.currency import ensure_currency
from envmon.shop.limits import Slug, Strict
from envmon.shop.work import Celsius
from envmon.units import parse_value

Fuel = Literal["natural_gas", "propane", "heating_oil", "electricity", "district_heat"]
"""What the heat is made of."""
DegreeDayMethod = Literal["hourly", "daily_mean", "max_min"]
"""``hourly`` integrates over the hours, ``daily_mean`` takes the mean of each day, ``max_min`` the
middle of its highest and lowest. They differ by several per cent."""


def _watts(value: object) -> object:
    return parse_value(value, "power") if isinstance(value, str) else value


Watts = Annotated[
    float,
    Field(gt=0, le=2e6, strict=True, examples=["16 kW"]),
    BeforeValidator(_watts, json_schema_input_type=float | str),
]
"""A power [W]; ``"16 kW"`` is read too."""


def _base(value: object) -> object:
    return (
        parse_value(value, "temperature")
        if isinstance(value, str) and value != "balance"
        else value
    )


def _likely(value: float | str) -> float | str:
    if isinstance(value, float) and not 0 <= value <= 30:
        raise ValueError(f"base is {value:g} °C; allowed are 0 to 30 °C, or 'balance'")
    return value


DegreeDayBase = Annotated[
    Literal["balance"] | float,
    Field(examples=["65 °F", "balance"]),
    BeforeValidator(_base, json_schema_input_type=float | str),
    AfterValidator(_likely),
]
"""Base of degree days [°C], ``"65 °F"``, or ``"balance"``: the shop's own balance point."""


class Heater(Strict):
    """``[[heater]]``: what heats a bay."""

    bay: Slug
    """Bay it heats."""
    output: Watts | None = None
    """Heat it gives while it is on [W]; without it power comes from a point or is not known."""
    efficiency: float | None = Field(default=None, gt=0.2, le=6.0, strict=True)
    """Heat out over energy in; a heat pump has more than 1. Without it the one of ``[heating]``."""


class HeatingInfo(Strict):
    """``[heating]``: what the winter's log goes by."""

    fuel: Fuel = "natural_gas"
    """What the meter counts and the tariff is for."""
    efficiency: float = Field(default=0.9, gt=0.2, le=6.0, strict=True)
    """Heat into the bays over the energy of the fuel by its upper heating value."""
    heating_value: float | None = Field(default=None, gt=0, le=100, strict=True)
    """Upper heating value [kWh per m³, litre or kWh], as on the bill; without it a table's."""
    heating_value_source: str = ""
    """Where that number is from."""
    currency: Annotated[str, AfterValidator(ensure_currency)] = Field(
        default="EUR", pattern=r"^[A-Z]{3}$"
    )
    """Currency of every amount (ISO 4217), such as ``NOK``."""
    base: DegreeDayBase = 18.0
    """Base of degree days."""
    method: DegreeDayMethod = "hourly"
    """How degree days are worked out."""
    winter_from: int = Field(default=9, ge=1, le=12, strict=True)
    """First month of a heating year."""
    setback: Annotated[Celsius, Field(ge=3, le=18)] = 12.0
    """How far the bays may fall overnight while nothing cures [°C]."""
    ready_by: str = Field(default="08:00", pattern=r"^([01]\d|2[0-3]):[0-5]\d$")
    """When the bays are to be warm in the morning, local time."""
    target: Annotated[Celsius, Field(ge=5, le=30)] = 20.0
    """How warm they are to be then [°C]."""


Per = Literal["kWh", "m3", "ft3", "l", "gal", "therm"]
"""Unit a price is for; ``gal`` is the US gallon."""
Clock = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")]


class Band(Strict):
    """``[[tariff.band]]``: another price at certain times."""

    days: Literal["all", "weekdays", "weekends"] = "all"
    """On which days."""
    start: Clock
    """From this local time."""
    end: Clock
    """Until this; one before ``start`` is on the next day."""
    price: float = Field(ge=0, le=1e6, strict=True)
    """Price for the tariff's unit, before tax."""


class Tier(Strict):
    """``[[tariff.tier]]``: another price for what goes beyond an amount in a month."""

    above: float = Field(ge=0, le=1e9, strict=True)
    """Amount in a calendar month, in the tariff's unit."""
    price: float = Field(ge=0, le=1e6, strict=True)
    """Price for what lies above it, before tax."""


class Tariff(Strict):
    """``[[tariff]]``: what a unit of energy costs from a day on."""

    id: Slug
    """Short name."""
    fuel: Fuel | None = None
    """What it is for; without it the fuel of ``[heating]``."""
    valid_from: date = Field(strict=True)
    """First day it holds."""
    valid_to: date | None = Field(default=None, strict=True)
    """Last day it holds; without it until a later one begins."""
    per: Per = "kWh"
    """Unit the prices are for."""
    price: float = Field(ge=0, le=1e6, strict=True)
    """Price for the unit, before tax."""
    standing_day: float = Field(default=0.0, ge=0, le=1e6, strict=True)
    """Charge for each day, before tax."""
    standing_month: float = Field(default=0.0, ge=0, le=1e6, strict=True)
    """Charge for each calendar month, before tax."""
    tax: float = Field(default=0.0, ge=0, le=1, strict=True)
    """Tax on everything, as a share: 0.25 is 25 %."""
    band: tuple[Band, ...] = ()
    """``[[tariff.band]]``: other prices at certain times; the first that fits counts."""
    tier: tuple[Tier, ...] = ()
    """``[[tariff.tier]]``: other prices beyond an amount."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.valid_to is not None and self.valid_to < self.valid_from:
            raise ValueError(
                f"valid_to is {self.valid_to}, before valid_from {self.valid_from}; swap them"
            )
        if self.band and self.tier:
            raise ValueError("a tariff has bands or tiers, not both")
        above = [tier.above for tier in self.tier]
        if above != sorted(set(above)):
            raise ValueError("tiers must rise; put the smallest 'above' first")
        return self
