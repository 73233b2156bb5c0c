"""Heaters and tariffs of a shop file, seen as a whole."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, NamedTuple

from envmon.shop.raw import Finding, Path, Table, ids, lacks, tables, value_at, word
from envmon.shop.words import path_text, show, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator

_USUAL_FUEL = "natural_gas"
_COUNTED = frozenset({"kWh", "therm"})
_ONLY_COUNTED = frozenset({"electricity", "district_heat"})


class _Span(NamedTuple):
    """When a tariff holds; ``last`` is None where it holds until a later one begins."""

    path: Path
    name: str
    first: date
    last: date | None


def check_heat(data: Table) -> Iterator[Finding]:
    """Yield every fault of heaters and tariffs that no field shows by itself."""
    yield from _heaters(data)
    yield from _units(data)
    yield from _overlaps(data)


def _heaters(data: Table) -> Iterator[Finding]:
    first: dict[str, Path] = {}
    for path, heater in tables(data, ("heater",)):
        bay = word(heater, "bay")
        if bay is None:
            continue
        if lacks(data, "bay", bay):
            yield Finding((*path, "bay"), unknown("bay", bay, ids(data, "bay")))
        elif bay in first:
            message = (
                f"bay is {show(bay)}, heated by {path_text(first[bay])} already; allowed is one "
                "[[heater]] a bay; put the outputs of both into one"
            )
            yield Finding((*path, "bay"), message)
        first.setdefault(bay, path)


def _fuel(data: Table, tariff: Table) -> str:
    """Return what a tariff is for: its own fuel, or the one of ``[heating]``."""
    own = word(tariff, "fuel")
    heating = value_at(data, ("heating",))
    of_shop = word(heating, "fuel") if isinstance(heating, dict) else None
    return own or of_shop or _USUAL_FUEL


def _units(data: Table) -> Iterator[Finding]:
    """Find a volume as the unit of what has none."""
    for path, tariff in tables(data, ("tariff",)):
        per, fuel = word(tariff, "per"), _fuel(data, tariff)
        if per is not None and per not in _COUNTED and fuel in _ONLY_COUNTED:
            message = (
                f"per is {show(per)}, but the tariff is for {fuel}, which has no volume; allowed "
                f"is 'kWh' or 'therm'; correct per, or name the fuel"
            )
            yield Finding((*path, "per"), message)


def _overlaps(data: Table) -> Iterator[Finding]:
    """Find two tariffs for one fuel that hold on the same day."""
    by_fuel: dict[str, list[_Span]] = {}
    for path, tariff in tables(data, ("tariff",)):
        first, last = _day(tariff, "valid_from"), _day(tariff, "valid_to")
        if first is not None and (last is not None or "valid_to" not in tariff):
            span = _Span(path, word(tariff, "id") or "", first, last)
            by_fuel.setdefault(_fuel(data, tariff), []).append(span)
    for fuel, spans in by_fuel.items():
        ordered = sorted(spans, key=lambda span: (span.first, span.path))
        for place, after in enumerate(ordered[1:], 1):
            longest = max(ordered[:place], key=lambda span: span.last or span.first)
            yield from _overlap(fuel, longest, after)


def _overlap(fuel: str, before: _Span, after: _Span) -> Iterator[Finding]:
    if after.first == before.first:
        message = (
            f"valid_from is {after.first}, as in {path_text(before.path)}; allowed is one tariff "
            f"a day for {fuel}; change a date, or name the fuel"
        )
        yield Finding((*after.path, "valid_from"), message)
    elif before.last is not None and before.last >= after.first:
        message = (
            f"valid_from is {after.first}, while {path_text(before.path)} ({before.name}) holds "
            f"until {before.last}; allowed is one tariff a day for {fuel}; end that one a day "
            "before, or name the fuel"
        )
        yield Finding((*after.path, "valid_from"), message)


def _day(table: Table, key: str) -> date | None:
    value = table.get(key)
    return value if isinstance(value, date) and not isinstance(value, datetime) else None
