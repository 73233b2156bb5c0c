"""The shop file as models: site, bays, points, products, procedures.

Field rules live here. What needs the whole file (names that must exist, ids used twice) is
checked in ``envmon.shop.cross``; where a fault stands in the file in ``envmon.shop.locate``.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self
from zoneinfo import available_timezones

from pydantic import AfterValidator, Field, model_validator

from envmon.shop.alerting import AlarmsInfo, Contact, NoticeInfo
from envmon.shop.boards import BoardsInfo, is_address, is_loopback
from envmon.shop.heat import Heater, HeatingInfo, Tariff
from envmon.shop.limits import Metres, Number, Seconds, Slug, Strict
from envmon.shop.work import BenchInfo, Body, Button, Procedure, Product
from envmon.units import UnitSystem


def _check_timezone(name: str) -> str:
    if name not in available_timezones():
        raise ValueError("not a time zone name; allowed are names such as Europe/Oslo")
    return name


def _check_host(host: str) -> str:
    if host != "localhost" and not is_address(host):
        raise ValueError(
            "not an address; allowed are 127.0.0.1 (this machine only), an address of this "
            "machine such as 192.168.1.20, or 0.0.0.0 for all of them"
        )
    return host


class ShopInfo(Strict):
    """``[shop]``: who and where."""

    name: str = Field(min_length=1, max_length=80)
    """Name of the shop, as on screens and papers."""
    site: Slug
    """Short name of the site; names the archive partition."""
    timezone: Annotated[str, AfterValidator(_check_timezone)]
    """Time zone of the shop, such as ``Europe/Oslo``; days and papers follow it."""
    units: UnitSystem = "metric"
    """What people read: ``metric`` (°C) or ``us`` (°F)."""
    altitude: Annotated[Metres, Field(ge=-500, le=4000)] = 0.0
    """Height above sea level; gives the air pressure where no sensor does."""
    boards_host: Annotated[str, AfterValidator(_check_host)] = "127.0.0.1"
    """Address the screens are served on; any other than loopback needs ``[boards]``."""
    boards_port: int = Field(default=8050, ge=1, le=65_535, strict=True)
    """Port the screens are served on."""
    silence: Annotated[Seconds, Field(ge=5, le=600)] = 15.0
    """After this long without an update a screen shows no numbers any more [s, real time]."""


class BrokerInfo(Strict):
    """``[broker]``: the MQTT broker that carries the readings."""

    kind: Literal["embedded", "external"] = "embedded"
    """``embedded`` starts one on this machine; ``external`` is one that runs already."""
    host: str = Field(default="127.0.0.1", min_length=1)
    """Name or address of the broker."""
    port: int = Field(default=1883, ge=1, le=65_535, strict=True)
    """Port of the broker; 8883 is usual with TLS."""
    client_id: str | None = Field(default=None, min_length=1, max_length=64)
    """Name envmon has at the broker; the broker keeps what was missed under it."""
    username: str | None = None
    """User name at the broker."""
    password_env: str | None = None
    """Name of the environment variable that holds the password; never the password itself."""
    password_file: str | None = None
    """File that holds the password, never the password itself; a relative one is beside the shop
    file."""
    ca_file: str | None = None
    """Certificate file of the authority to trust, turns TLS on; a relative one is beside the shop
    file."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.kind == "embedded" and not is_loopback(self.host):
            raise ValueError(
                f"host is {self.host!r}; the embedded broker listens on loopback only: "
                'use 127.0.0.1, or kind = "external"'
            )
        if self.password_env and self.password_file:
            raise ValueError("give password_env or password_file, not both")
        return self


class StoreInfo(Strict):
    """``[store]``: where readings and events are kept."""

    folder: str = Field(default="data", min_length=1)
    """Data folder; a relative one is beside the shop file."""
    live_days: int = Field(default=2, ge=2, le=31, strict=True)
    """Whole days (UTC) that stay in the live file before they move to the archive."""
    retain_days: int | None = Field(default=None, ge=30, le=36_500, strict=True)
    """Archived readings older than this are deleted; without it nothing ever is."""


class Bay(Strict):
    """``[[bay]]``: a work place."""

    id: Slug
    """Short name, as in topics and addresses."""
    name: str = Field(min_length=1, max_length=40)
    """Name of the bay, as on screens and papers."""
    air_space: Slug | None = None
    """Bays with the same air space share their air; without one the bay is its own."""
    volume_m3: float | None = Field(default=None, gt=5, le=20_000, strict=True)
    """Air volume of the bay [m³]."""
    by_hand: tuple[str, ...] = ()
    """Quantities the person checks with an instrument of their own; shown, not judged."""
    procedure: str | None = None
    """The procedure usually worked in this bay."""
    keeps_stock: bool = True
    """Products stand here that frost would spoil."""
    viewing_distance: Annotated[Metres, Field(ge=1, le=15)] = 6.0
    """How far away the wall screen is read from."""


class Read(Strict):
    """How one quantity is taken from a point's payload."""

    name: str | None = None
    """SenML record name, or its end behind the base name."""
    pointer: str | None = Field(default=None, pattern=r"^(/([^~/]|~[01])*)*$")
    """JSON Pointer (RFC 6901) to the number, such as ``/env/t``."""
    unit: str | None = None
    """Unit of the payload's number where the payload does not say."""
    gain: float = Field(default=1.0, gt=0.2, lt=5, strict=True, allow_inf_nan=False)
    """Calibration: true = gain * read + offset, in the quantity's unit."""
    offset: Number = 0.0
    """Calibration offset in the quantity's unit, or text such as ``"0.5 °F"``; a difference."""
    two_point: tuple[tuple[Number, Number], tuple[Number, Number]] | None = None
    """Calibration as two pairs [read, true]; replaces gain and offset."""
    spike: Number | None = None
    """A leap above this counts only once the next reading confirms it; a difference, 0: never."""
    rate: Number | None = None
    """A change in a minute above this is a doubt; a difference, 0: never."""
    flat_after: Seconds | None = None
    """Still for so long, the sensor counts as stuck [s]; 0: never."""
    flat_within: Number | None = None
    """Changes up to this count as standing still; a difference."""
    wet_after: Seconds | None = None
    """A humidity at its upper end for so long is a doubt [s]; 0: never."""


class Point(Strict):
    """``[[point]]``: one place where a sensor sits, and the topic it speaks on."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9{][a-z0-9_{}-]{0,39}$")]
    """Short name of the point; ``{1}`` takes the text of the topic's first ``+``."""
    bay: Annotated[str, Field(pattern=r"^([a-z0-9][a-z0-9_-]{0,39}|\{[1-9]\})$")] | None = None
    """Bay it belongs to; ``{1}`` takes the text of the topic's first ``+``. None: outdoors."""
    topic: str = Field(min_length=1, max_length=200)
    """MQTT topic; ``+`` stands for one level."""
    format: Literal["senml", "json", "number"] = "senml"
    """What the payload is: RFC 8428, JSON with a pointer each, or one bare number."""
    stale_after: Annotated[Seconds, Field(ge=1)] = 60.0
    """Older than this a reading is no longer taken for the present [s]."""
    reads: dict[str, Read] = Field(min_length=1)
    """Quantity name -> how to take it from the payload."""


class Shop(Strict):
    """A whole shop file."""

    shop: ShopInfo
    broker: BrokerInfo = BrokerInfo()
    store: StoreInfo = StoreInfo()
    alarms: AlarmsInfo = AlarmsInfo()
    notice: NoticeInfo = NoticeInfo()
    boards: BoardsInfo = BoardsInfo()
    bay: tuple[Bay, ...] = Field(min_length=1)
    point: tuple[Point, ...] = ()
    product: tuple[Product, ...] = ()
    procedure: tuple[Procedure, ...] = ()
    contact: tuple[Contact, ...] = ()
    bench: BenchInfo = BenchInfo()
    body: tuple[Body, ...] = ()
    button: tuple[Button, ...] = ()
    heating: HeatingInfo = HeatingInfo()
    heater: tuple[Heater, ...] = ()
    tariff: tuple[Tariff, ...] = ()

    def bay_by_id(self, bay_id: str) -> Bay:
        """Return a bay.

        Raises:
            KeyError: No such bay.
        """
        for bay in self.bay:
            if bay.id == bay_id:
                return bay
        raise KeyError(bay_id)
