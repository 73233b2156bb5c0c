"""The shop file's work: products with their sheets, procedures, vehicle bodies, the bench."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from envmon.shop.limits import Seconds, Slug, StageLimit, Strict
from envmon.units import parse_value


def _celsius(value: object) -> object:
    return parse_value(value, "temperature") if isinstance(value, str) else value


Celsius = Annotated[
    float,
    Field(strict=True, examples=["68 °F"]),
    BeforeValidator(_celsius, json_schema_input_type=float | str),
]
"""A temperature [°C]; ``"68 °F"`` is read too."""

Span = Annotated[Seconds | None, Field(examples=["10 min"])]
"""A time span [s], or none given."""

Carrier = Literal["2-propanol", "ethanol", "acetone", "water"]
"""The liquid that must evaporate from a product; its vapour pressure is known."""


class Product(Strict):
    """``[[product]]``: what is applied, and what its maker's sheet asks for."""

    id: Slug
    """Short name the rest of the file calls it by."""
    name: str = Field(min_length=1, max_length=60)
    """Name as on screens and papers."""
    sheet: date = Field(strict=True)
    """Date of the sheet the limits were read from."""
    source: str = Field(min_length=3)
    """Which sheet: title, edition."""
    settle: Span = None
    """How long the limits must have held before a stage with it may start [s]."""
    limit: tuple[StageLimit, ...] = ()
    """``[[product.limit]]``: what the sheet asks for, stage by stage."""
    carrier: Carrier = "2-propanol"
    """What evaporates while it flashes; 2-propanol is a fair stand-in for most."""
    flash: Annotated[tuple[Seconds, Seconds] | None, Field(examples=[["2 min", "5 min"]])] = None
    """Shortest and longest time from applying to levelling at ``flash_at`` [s]."""
    flash_at: Annotated[Celsius, Field(ge=0, le=45)] = 20.0
    """Temperature the sheet gives the flash at [°C]."""
    flash_rh_at: float = Field(default=45.0, ge=5, le=95)
    """Humidity the sheet gives the flash at [%]."""
    flash_per_10_rh: float | None = Field(default=None, ge=-0.5, le=0.5)
    """By which part the flash changes for each 10 % more humidity, when the sheet says so: −0.1 is
    a tenth shorter."""
    flash_off: Span = None
    """How long it must dry off before the next stage may start [s]."""
    rain_safe: Span = None
    """From the last levelled panel until the vehicle may get wet [s]."""
    full_cure: Span = None
    """From the last levelled panel until it may leave the bay [s]."""
    overnight: Span = None
    """Better still: from the last levelled panel [s]."""
    first_wash_days: int | None = Field(default=None, ge=0, le=365, strict=True)
    """Days from hand-over to the first wash."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.flash is not None and not 0 < self.flash[0] <= self.flash[1]:
            raise ValueError(
                f"flash is {self.flash[0]:g} to {self.flash[1]:g} s; allowed is [shortest, "
                "longest], both above 0"
            )
        names = ("rain_safe", "full_cure", "overnight")
        given = [(name, span) for name in names if (span := getattr(self, name)) is not None]
        for (name, span), (after, longer) in pairwise(given):
            if span > longer:
                raise ValueError(
                    f"{name} is {span:g} s, above {after} of {longer:g} s; allowed is rain_safe up "
                    "to full_cure up to overnight"
                )
        return self


class Step(Strict):
    """One stage of a procedure, with the product used in it."""

    stage: str
    """Stage, such as ``coating``."""
    product: str | None = None
    """Id of the product used in it; its sheet's limits hold then."""


class Procedure(Strict):
    """``[[procedure]]``: an ordered list of stages with products."""

    id: Slug
    """Short name the rest of the file calls it by."""
    name: str = Field(min_length=1, max_length=60)
    """Name as on screens and papers."""
    step: tuple[Step, ...] = Field(min_length=1)
    """``[[procedure.step]]``: the stages in the order of work."""


PanelName = Annotated[str, Field(min_length=1, max_length=30)]


class Body(Strict):
    """``[[body]]``: a body shape of the shop's own, as a list of panels in the order of work."""

    id: Slug
    """Short name."""
    name: str = Field(min_length=1, max_length=40)
    """Name as on screens and papers."""
    panels: tuple[PanelName, ...] = Field(
        min_length=1, max_length=60, examples=[["Bonnet", "Roof"]]
    )
    """Names of the panels in the order of work, each once."""


class Button(Strict):
    """``[[button]]``: a foot switch or push button that speaks MQTT."""

    id: Slug
    """Short name."""
    bay: Slug
    """Bay it works for."""
    topic: str = Field(min_length=1, max_length=200)
    """MQTT topic, without wildcards. It sends ``press``, ``double`` or ``hold`` as text, or the
    same as ``{"button": "press", "n": 17}`` with a number that rises."""
    press: Literal["next", "undo", "nothing"] = "next"
    """What a short press does: the act the bench proposes next, undo the last, or nothing."""
    double: Literal["next", "undo", "nothing"] = "nothing"
    """What two quick presses do."""
    hold: Literal["next", "undo", "nothing"] = "undo"
    """What a long press does."""


class BenchInfo(Strict):
    """``[bench]``: the rhythm of the hands; a job may set its own number in flight."""

    in_flight: int = Field(default=2, ge=1, le=4, strict=True)
    """Panels that may flash at the same time; set it by experience."""
    apply: Annotated[Seconds, Field(ge=5, le=1_800)] = 90.0
    """How long a panel takes to cover [s]."""
    level: Annotated[Seconds, Field(ge=5, le=1_800)] = 60.0
    """How long a panel takes to level and wipe a second time [s]."""
