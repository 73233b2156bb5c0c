"""The node file as models: the machine's name, its broker and its sensors."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from envmon.units import Dimension, allowed_units, convert, parse_value
from envmon_node.serial_line import ensure_unit
from envmon_node.sysfs import slug

NAME = r"^[a-z0-9][a-z0-9_-]{0,39}$"
_PULSE = re.compile(r"(\d+(?:\.\d*)?|\.\d+)\s*([A-Za-z]\S*)")
_GROUP = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")


class Strict(BaseModel):
    """Keys that are not known are faults; nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


def _seconds(value: object) -> float:
    if not isinstance(value, int | float | str):
        raise ValueError("allowed is a time such as 10 or '10 s'")  # noqa: TRY004 - pydantic's way
    return parse_value(value, "duration")


def _pattern(text: str) -> str:
    try:
        groups = re.compile(text).groupindex
    except re.error as error:
        raise ValueError(f"not a regular expression: {error}") from error
    wrong = [name for name in groups if not _GROUP.fullmatch(name)]
    if not groups or wrong:
        raise ValueError("allowed is a regular expression with a named group, (?P<surface>…)")
    return text


def is_loopback(host: str) -> bool:
    """Return whether a host name or address reaches only this machine."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


Seconds = Annotated[float, BeforeValidator(_seconds)]
Name = Annotated[str, Field(pattern=NAME)]
Level = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]*(/[a-z0-9][a-z0-9_-]*){0,7}$")]


class NodeInfo(Strict):
    """``[node]``: this machine."""

    topic: Level
    """Where its topics begin, such as ``shop/north``; a sensor speaks below it, by its name."""
    folder: str = Field(default="node-data", min_length=1)
    """Where what waits and what was counted is kept; a relative one is beside the node file."""
    every: Annotated[Seconds, Field(ge=0.1, le=3_600)] = 10.0
    """How often sensors are read [s]."""
    keep: int = Field(default=500_000, ge=100, le=50_000_000, strict=True)
    """Most messages that wait while the broker is away; beyond that the oldest go."""
    clock: Literal["network", "trusted"] = "network"
    """``network``: measurements wait until a time service has set the clock. ``trusted``: this
    machine has a clock with a battery and no time service."""


class BrokerInfo(Strict):
    """``[broker]``: the MQTT broker that takes the readings."""

    host: str = Field(default="127.0.0.1", min_length=1)
    """Name or address of the broker."""
    port: int = Field(default=1883, ge=1, le=65_535, strict=True)
    """Port of the broker; 8883 is usual with TLS."""
    username: str | None = Field(default=None, min_length=1)
    """User name at the broker."""
    password_env: str | None = None
    """Name of the environment variable that holds the password; never the password itself."""
    password_file: str | None = None
    """File that holds the password; never the password itself."""
    ca_file: str | None = None
    """Certificate file of the authority to trust; turns TLS on."""
    plain: bool = Field(default=False, strict=True)
    """Without TLS to another machine: anybody on the network can read along."""

    @model_validator(mode="after")
    def _safe(self) -> Self:
        if self.password_env and self.password_file:
            raise ValueError("password_env and password_file are both given; give one")
        if is_loopback(self.host):
            return self
        if not (self.username and (self.password_env or self.password_file)):
            raise ValueError(
                f"host is {self.host!r}, another machine: give username, and password_file or "
                "password_env"
            )
        if not self.ca_file and not self.plain:
            raise ValueError(
                f"host is {self.host!r}, another machine: give ca_file for TLS (or plain = true, "
                "and anybody on the network can read the password)"
            )
        return self


class SensorInfo(Strict):
    """What all sensors have."""

    name: Name | None = None
    """Last part of its topic; without one it comes from the device."""
    every: Annotated[Seconds, Field(ge=0.1, le=3_600)] | None = None
    """How often it is read [s]; without it as ``[node]`` says."""

    @property
    def called(self) -> str:
        """Name in topics."""
        return self.name or slug(self._from_device())

    def _from_device(self) -> str:
        raise NotImplementedError


class W1Info(SensorInfo):
    """A 1-wire thermometer."""

    kind: Literal["w1"]
    device: Annotated[str, Field(pattern=r"^[0-9a-f]{2}-[0-9a-f]{12}$")]
    """Number that is burnt into it, such as ``28-0316a2795caf``."""

    def _from_device(self) -> str:
        return self.device


class ChipInfo(SensorInfo):
    """A chip that the kernel drives."""

    kind: Literal["iio", "hwmon"]
    device: str = Field(min_length=1, max_length=80, pattern=r"^[^/]+$")
    """Name that stays, such as ``1-0044``: I2C bus and address."""
    chip: str | None = None
    """Name its driver gives it, such as ``sht3x``; another chip there is a fault."""

    def _from_device(self) -> str:
        return f"{self.chip or self.kind}-{self.device}"


class InfraRedInfo(SensorInfo):
    """An infra-red thermometer of the MLX90614 kind on I2C, without a kernel driver."""

    kind: Literal["infrared"]
    bus: int = Field(default=1, ge=0, le=255, strict=True)
    """Number of the bus: 1 is ``/dev/i2c-1``."""
    address: int = Field(default=0x5A, ge=0x08, le=0x77, strict=True)
    """Address on the bus; 0x5a as it comes."""

    def _from_device(self) -> str:
        return f"infrared-{self.bus}-{self.address:04x}"


class SerialInfo(SensorInfo):
    """A device that writes lines of text on a serial line."""

    kind: Literal["serial"]
    port: str = Field(pattern=r"^/")
    """Port by a name that stays, ``/dev/serial/by-id/…``."""
    baud: int = Field(default=9600, ge=300, le=4_000_000, strict=True)
    """Speed."""
    pattern: Annotated[str, AfterValidator(_pattern)]
    """What a whole line looks like, with a named group for each number, such as
    ``T=(?P<surface>[-0-9.]+)``."""
    units: dict[str, str] = Field(min_length=1)
    """Group -> unit of its number: ``{ surface = "°F" }``."""
    ask: str | None = None
    """Text that makes it write a line; without it, it writes by itself."""
    wait: Annotated[Seconds, Field(ge=0.5, le=45)] = 15.0
    """Longest wait for a line [s]."""

    @model_validator(mode="after")
    def _each_group_has_a_unit(self) -> Self:
        groups = set(re.compile(self.pattern).groupindex)
        if groups != set(self.units):
            raise ValueError(
                f"units has {sorted(self.units)}, pattern has the groups {sorted(groups)}; each "
                "group needs its unit"
            )
        for unit in self.units.values():
            ensure_unit(unit)
        return self

    def _from_device(self) -> str:
        return self.port.rpartition("/")[2]


class ContactInfo(SensorInfo):
    """A contact on a GPIO line."""

    line: str = Field(min_length=1, max_length=80)
    """Name of the line, such as ``GPIO17``."""
    chip: str | None = None
    """Label of its chip, such as ``pinctrl-bcm2711``; without one any chip that has the line."""
    bias: Literal["pull-up", "pull-down", "none"] = "pull-up"
    """Resistor inside the machine."""
    active_low: bool = Field(default=True, strict=True)
    """The contact pulls the line to ground."""

    def _from_device(self) -> str:
        return self.line


class PulseInfo(ContactInfo):
    """A pulse or S0 output of a meter."""

    kind: Literal["pulse"]
    pulse: str
    """What one pulse stands for: ``"1 Wh"``, ``"0.01 m3"``."""
    starts_at: float = Field(default=0.0, ge=0, allow_inf_nan=False)
    """What the meter showed when counting began, in kWh or m³."""
    debounce_ms: float = Field(default=10.0, ge=0, le=1_000)
    """Changes shorter than this are bounce [ms]."""

    @model_validator(mode="after")
    def _readable(self) -> Self:
        if self.per_pulse <= 0:
            raise ValueError(f"pulse is {self.pulse!r}; allowed is above 0")
        return self

    @property
    def quantity(self) -> Literal["energy_kwh", "fuel_m3"]:
        """What it counts."""
        unit = _PULSE.fullmatch(self.pulse)
        return "energy_kwh" if unit and unit[2] in allowed_units("energy") else "fuel_m3"

    @property
    def per_pulse(self) -> float:
        """What one pulse stands for [kWh or m³]."""
        found = _PULSE.fullmatch(self.pulse)
        if found is None:
            raise ValueError(
                f"pulse is {self.pulse!r}; allowed is a number with its unit, such as '1 Wh' or "
                "'0.01 m3'"
            )
        dimension: Dimension = "energy" if self.quantity == "energy_kwh" else "volume"
        return convert(float(found[1]), found[2], dimension, self.quantity)


class ButtonInfo(ContactInfo):
    """A push button or foot switch."""

    kind: Literal["button"]
    double: Annotated[Seconds, Field(ge=0, le=2)] = 0.4
    """A second press within this time makes a double one [s]; 0: a press is told at once."""
    hold: Annotated[Seconds, Field(ge=0.3, le=10)] = 0.8
    """A press as long as this is a hold [s]."""
    debounce_ms: float = Field(default=20.0, ge=0, le=200)
    """Changes shorter than this are bounce [ms]."""


AnySensor = Annotated[
    W1Info | ChipInfo | InfraRedInfo | SerialInfo | PulseInfo | ButtonInfo,
    Field(discriminator="kind"),
]


class NodeFile(Strict):
    """A whole node file."""

    node: NodeInfo
    broker: BrokerInfo = BrokerInfo()
    sensor: tuple[AnySensor, ...] = Field(min_length=1)
