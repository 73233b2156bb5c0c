"""Alarms and people as the shop file has them: ``[alarms]``, ``[notice]``, ``[[contact]]``."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from envmon.errors import InputError
from envmon.shop.limits import Number, Seconds, Slug, Strict
from envmon.units import parse_value


class AlarmsInfo(Strict):
    """``[alarms]``: what the whole shop's alarms go by; the defaults are common practice."""

    frost_low: Number = 5.0
    """Air colder than this endangers water-based products in store [°C], or ``"41 °F"``."""
    leaving_lead: Annotated[Seconds, Field(ge=60, le=7_200)] = 1_200.0
    """How far ahead a stage is said to be about to leave its window [s]."""
    cure_break: Annotated[Seconds, Field(ge=60, le=7_200)] = 600.0
    """So long outside its window, a cure counts as interrupted [s]."""
    heater_wait: Annotated[Seconds, Field(ge=300, le=7_200)] = 1_200.0
    """So long a heater may take to answer the cold [s]."""
    again_after: Annotated[Seconds, Field(ge=300)] = 3_600.0
    """An acknowledged alarm that still stands after this is raised again [s]."""
    longest_shelf: Annotated[Seconds, Field(ge=300, le=604_800)] = 28_800.0
    """The longest an alarm can be shelved for [s]."""

    @model_validator(mode="after")
    def _in_own_unit(self) -> Self:
        try:
            low_c = parse_value(self.frost_low, "temperature", "frost_low")
        except InputError as error:
            raise ValueError(f"frost_low: {error}") from error
        if not -20 <= low_c <= 20:
            raise ValueError(f"frost_low comes to {low_c:g} °C; allowed is -20 to 20 °C")
        object.__setattr__(self, "frost_low", low_c)
        return self


class NoticeInfo(Strict):
    """``[notice]``: how people are told."""

    channels_file: str | None = None
    """TOML file with ``name = "address"`` for each channel; a relative one is beside the shop
    file. ``ENVMON_CHANNEL_<NAME>`` in the environment goes before it."""
    link_base: str | None = Field(default=None, pattern=r"^https?://[^\s/]+(/[^\s?#]*)?$")
    """What an acknowledge link begins with; without it, the boards' own address."""
    ping_url_env: str | None = None
    """Name of the environment variable that holds an outside address to be called while the
    watch is well; it complains when the calls stop."""
    ping_every: Annotated[Seconds, Field(ge=10, le=86_400)] = 60.0
    """How often that address is called [s, real time]."""


class Contact(Strict):
    """``[[contact]]``: a person to be told."""

    id: Slug
    """Short name."""
    name: str = Field(min_length=1, max_length=60)
    """Name as on screens and in messages."""
    channels: tuple[Slug, ...] = Field(min_length=1)
    """Names of channels, told all at once; their addresses never stand in the shop file."""
    after: Annotated[Seconds, Field(le=86_400)] = 0.0
    """Told when nobody has acknowledged for so long; 0 is told at once [s]."""
    least: Literal["high", "medium", "low"] = "medium"
    """The lowest priority this person is told of."""
    quiet: str | None = Field(
        default=None, pattern=r"^([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d$"
    )
    """Quiet hours such as ``22:00-06:30``, in the shop's time; a curing car and frost break
    through, everything else waits till they end."""
