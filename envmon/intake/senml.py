"""SenML records (RFC 8428) and what a pack of them resolves to.

Decisions where the standard leaves room or its papers disagree:

* A record of base fields only (``[{"bn": "x:"}, ...]``): section 4.2 asks for a value or a sum,
  section 5.1.7 prints such a pack as valid. It is accepted, sets the base and yields no record.
  A record with anything else but neither value nor sum is refused.
* A data value (``vd``) is kept, as section 4.6 has it, although the working group's resolved
  file of section 5.1.5 lost it. It is text in base64url, not decoded.
* ``bver`` 5 (section 5.1.2) is accepted: only a version larger than 10 must not be used (4.4).
  26 is taken too: version 10 with the feature "secondary units" (RFC 9100, from memory), which
  are understood. It stays in the resolved records. All records have one version (4.4).
* Secondary units (RFC 8798) are taken without that version, as many nodes send them.
* Where the pack names no unit: the unit of the shop file, else the quantity's own (its name
  tells it), which for ``vapour_ppm`` is ppm and not the ratio of SenML's ``/``.
* ``%`` and ``/`` are ratios (section 12.1): 0.45 ``%`` are 45 %RH.
* Numbers are any finite double; ``number_payload.ensure_number`` looks at those a point asks for.
* Times are kept as whole µs, base and record time rounded apart, so that decimal fractions down
  to the µs come out exact. Records are put in the order of time (4.6).
"""

from __future__ import annotations

import re
from operator import attrgetter
from typing import TYPE_CHECKING

import msgspec
from msgspec import UNSET, UnsetType

from envmon.errors import InputError, PayloadError
from envmon.units import convert

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.units import Dimension, Quantity

VERSION = 10
_SECONDARY_UNITS_VERSION = 26
RELATIVE_BELOW_US = 2**28 * 1_000_000
"""Smaller times count from arrival (RFC 8428 section 4.5.3) [µs]."""
_MAX_TIME_S = 1e11
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")


class RawRecord(msgspec.Struct, gc=False):
    """A record as sent, by the labels of RFC 8428 table 1 and 2; absent ones are UNSET."""

    bn: str | UnsetType = UNSET
    bt: float | UnsetType = UNSET
    bu: str | UnsetType = UNSET
    bv: float | UnsetType = UNSET
    bs: float | UnsetType = UNSET
    bver: int | UnsetType = UNSET
    n: str | UnsetType = UNSET
    u: str | UnsetType = UNSET
    v: float | UnsetType = UNSET
    vs: str | UnsetType = UNSET
    vb: bool | UnsetType = UNSET
    vd: str | UnsetType = UNSET
    s: float | UnsetType = UNSET
    t: float | UnsetType = UNSET
    ut: float | UnsetType = UNSET


class Record(msgspec.Struct, gc=False, omit_defaults=True):
    """A resolved record (RFC 8428 section 4.6); what was not sent is UNSET.

    Attributes:
        name: Base name and name together.
        end: The name alone, without the base name.
        t_us: When it was true [µs, UTC].
        unit: SenML symbol, or empty where none was sent.
        v: Number.
        vs: Text.
        vb: Truth value.
        vd: Data in base64url.
        s: Sum over time.
        ut: Time within which the next one is due [s].
        bver: Version of the pack.
    """

    name: str
    end: str
    t_us: int
    unit: str = ""
    v: float | UnsetType = UNSET
    vs: str | UnsetType = UNSET
    vb: bool | UnsetType = UNSET
    vd: str | UnsetType = UNSET
    s: float | UnsetType = UNSET
    ut: float | UnsetType = UNSET
    bver: int = VERSION


class _Base:
    """The base fields in force (RFC 8428 section 4.1)."""

    __slots__ = ("name", "sum", "t_us", "unit", "value", "version")

    def __init__(self) -> None:
        self.name = ""
        self.t_us = 0
        self.unit = ""
        self.value = 0.0
        self.sum: float | UnsetType = UNSET
        self.version = VERSION

    def update(self, raw: RawRecord, *, first: bool) -> None:
        """Take the base fields of a record."""
        if raw.bver is not UNSET:
            self._take_version(raw.bver, first=first)
        if raw.bn is not UNSET:
            self.name = raw.bn
        if raw.bt is not UNSET:
            self.t_us = _us_from_s(raw.bt)
        if raw.bu is not UNSET:
            self.unit = raw.bu
        if raw.bv is not UNSET:
            self.value = raw.bv
        if raw.bs is not UNSET:
            self.sum = raw.bs

    def _take_version(self, version: int, *, first: bool) -> None:
        if not (0 < version <= VERSION or version == _SECONDARY_UNITS_VERSION):
            raise PayloadError(
                f"bver is {version}; 1 to {VERSION} and {_SECONDARY_UNITS_VERSION} are allowed"
            )
        if not first and version != self.version:
            raise PayloadError(
                f"bver is {version} after records of version {self.version}; one version in a pack"
            )
        self.version = version


def _us_from_s(time_s: float) -> int:
    if not -_MAX_TIME_S < time_s < _MAX_TIME_S:
        raise PayloadError(f"time is {time_s} s; less than 1e11 s is allowed")
    return round(time_s * 1e6)


def resolve(records: Sequence[RawRecord], now_us: int) -> list[Record]:
    """Return the resolved records of a pack in the order of time (RFC 8428 section 4.6).

    Args:
        records: Records as sent, at least one.
        now_us: Arrival, to which times below 2**28 s are relative (4.5.3) [µs, UTC].

    Raises:
        PayloadError: A version, name, time or combination of values that is not allowed.
    """
    base = _Base()
    resolved: list[Record] = []
    for position, raw in enumerate(records):
        try:
            base.update(raw, first=position == 0)
            if _has_value(raw, base):
                resolved.append(_resolved(raw, base, now_us))
        except PayloadError as error:
            raise PayloadError(f"record {position}: {error}") from None
    if len(resolved) > 1:
        resolved.sort(key=attrgetter("t_us"))
    return resolved


def _has_value(raw: RawRecord, base: _Base) -> bool:
    """Return False for a record of base fields only; refuse none and several values (4.2)."""
    if raw.v is not UNSET and raw.vs is UNSET and raw.vb is UNSET and raw.vd is UNSET:
        return True
    count = (
        (raw.v is not UNSET) + (raw.vs is not UNSET) + (raw.vb is not UNSET) + (raw.vd is not UNSET)
    )
    if count == 1 or (count == 0 and raw.s is not UNSET):
        return True
    if count > 1:
        raise PayloadError(f"has {count} of v, vs, vb and vd; one is allowed")
    bases = (raw.bn, raw.bt, raw.bu, raw.bv, raw.bs, raw.bver)
    if all(field is UNSET for field in (raw.n, raw.u, raw.t, raw.ut)) and any(
        field is not UNSET for field in bases
    ):
        return False
    if base.sum is not UNSET:
        return True
    raise PayloadError("has neither a value (v, vs, vb, vd) nor a sum (s); one is needed")


def _resolved(raw: RawRecord, base: _Base, now_us: int) -> Record:
    end = "" if raw.n is UNSET else raw.n
    name = base.name + end
    if _NAME.fullmatch(name) is None:
        raise PayloadError(
            f"name is {name[:60]!r}; A-Z, a-z, 0-9 are allowed, and - : . / _ behind the first"
        )
    t_us = base.t_us if raw.t is UNSET else base.t_us + _us_from_s(raw.t)
    if t_us < RELATIVE_BELOW_US:
        t_us += now_us
    unit = base.unit if raw.u is UNSET else raw.u
    value = raw.v if raw.v is UNSET else raw.v + base.value
    total = raw.s
    if base.sum is not UNSET:
        total = base.sum + (0.0 if total is UNSET else total)
    return Record(name, end, t_us, unit, value, raw.vs, raw.vb, raw.vd, total, raw.ut, base.version)


# SenML symbols that mean something else than the same text in a shop file, or are unknown there:
# factor, and unit text of envmon.units. RFC 8428 section 12.1, RFC 8798 section 3.
_SYMBOLS: dict[Dimension, dict[str, tuple[float, str]]] = {
    "percent": {"%": (100, "%"), "/": (100, "%"), "/100": (1, "%"), "/1000": (0.1, "%")},
    "fraction_ppm": {"%": (1, "/"), "/100": (1e4, "ppm"), "/1000": (1e3, "ppm")},
    "humidity_ratio": {"/": (1, "kg/kg"), "%": (1, "kg/kg"), "/1000": (1, "g/kg")},
}


def value_from_senml(value: float, unit: str, quantity: Quantity) -> float:
    """Convert a number with a SenML symbol into the quantity's unit.

    ``C`` and ``F`` are coulomb and farad in SenML; beside a temperature they can only be meant
    as degrees and are taken so.

    Raises:
        PayloadError: The symbol does not measure this quantity.
    """
    factor, text = _SYMBOLS.get(quantity.dimension, {}).get(unit, (1, unit))
    try:
        return convert(value * factor, text, quantity.dimension, quantity.name)
    except InputError as error:
        raise PayloadError(str(error)) from None
