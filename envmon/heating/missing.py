"""What a log does not know, and what would help: a sentence each."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, NamedTuple

from envmon.heating.words import counted, joined

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.heating.model import DayRow
    from envmon.heating.sums import Sum
    from envmon.shop.heat import Heater

SLOWEST_MIN = 6
"""On simulated bays the heater's turns show in readings six minutes apart, not in eight."""


class Silent(NamedTuple):
    """A heated bay whose run time is not known.

    Attributes:
        bay: Its id.
        every_min: Minutes that usually lie between readings of its air; 0 where none is read.
    """

    bay: str
    every_min: int


class Given(NamedTuple):
    """What the shop file has to offer.

    Attributes:
        tariffs: Whether it has a tariff.
        heaters: Its ``[[heater]]``.
        silent: Heated bays whose run time is neither measured nor inferred.
    """

    tariffs: bool
    heaters: Sequence[Heater] = ()
    silent: Sequence[Silent] = ()


def missing_of(whole: Sum, rows: Sequence[DayRow], given: Given) -> tuple[str, ...]:
    """Return what is missing.

    Args:
        whole: All days added up.
        rows: The days.
        given: What the shop file has to offer.
    """
    said = [*_outdoor(whole), *_energy(whole, given), *_run(whole, given)]
    said += _cost(whole, tariffs=given.tariffs)
    return (*said, *_some_days(whole, given), *_partial(whole, rows))


def _outdoor(whole: Sum) -> Iterator[str]:
    known = whole.known["outdoor_mean_c"]
    if known == 0:
        yield (
            "No outdoor temperatures: no degree days, and nothing is compared by weather. Add a "
            "point that reads outdoor_temp_c, or bring in a weather station's file with "
            "envmon import --any-point."
        )


def _energy(whole: Sum, given: Given) -> Iterator[str]:
    known = whole.known["energy_kwh"]
    if known == 0 and whole.billed_days == 0:
        yield (
            f"No energy: add a point that reads a meter (fuel_m3, fuel_l or energy_kwh)"
            f"{_or_output(given.heaters)}, or bring in bills with envmon bills."
        )
    elif known == 0:
        yield (
            f"Energy is known from bills only, of {whole.billed_days} of "
            f"{counted(whole.days, 'day')}; "
            "a bill is shared evenly by its days. A meter would tell each day."
        )


def _or_output(heaters: Sequence[Heater]) -> str:
    if not heaters:
        return ", or [[heater]] with its output"
    bare = [heater.bay for heater in heaters if heater.output is None]
    return f", or output to [[heater]] of {joined(bare)}" if bare else ""


def _run(whole: Sum, given: Given) -> Iterator[str]:
    known = whole.known["run_h"]
    yield from _silent(given.silent)
    if known == 0 and not given.silent:
        yield (
            "No run time: add a point that reads heater_on or heater_power_w, or [[heater]] so "
            "that it can be inferred from the air."
        )
    elif whole.inferred_days:
        yield (
            f"On {counted(whole.inferred_days, 'day')} run time or energy is inferred, not "
            "measured; it is marked ~."
        )


def _silent(silent: Sequence[Silent]) -> Iterator[str]:
    """Say of bays why nothing is inferred from their air."""
    reasons: dict[str, list[str]] = defaultdict(list)
    for one in silent:
        reasons[_why(one.every_min)].append(one.bay)
    for why, bays in reasons.items():
        yield (
            f"No run time of {joined(bays)}: {why}. A point that reads heater_on or "
            "heater_power_w would tell it."
        )


def _why(every_min: int) -> str:
    if every_min == 0:
        return "of heater and air nothing is kept"
    if every_min > SLOWEST_MIN:
        return (
            f"the air is read every {every_min} min, and a heater's turns show only in readings "
            "every 5 min or oftener, so nothing is inferred from it"
        )
    return (
        "the air shows no heater that switches on and off at a temperature; one that modulates, "
        "never stops or runs for seconds is not guessed at"
    )


def _cost(whole: Sum, *, tariffs: bool) -> Iterator[str]:
    if not tariffs and whole.billed_cost is None:
        yield "No cost: add [[tariff]] to the shop file."


def _some_days(whole: Sum, given: Given) -> Iterator[str]:
    """Say on how many days a quantity is not known that is known on others."""
    named = {"outdoor temperature": "outdoor_mean_c", "run time": "run_h", "energy": "energy_kwh"}
    if given.tariffs:
        named["cost"] = "cost"
    lacking: dict[int, list[str]] = defaultdict(list)
    for name, field in named.items():
        if 0 < whole.known[field] < whole.days:
            lacking[whole.days - whole.known[field]].append(name)
    for days, names in lacking.items():
        are = "is" if len(names) == 1 else "are"
        yield (
            f"{joined(names).capitalize()} {are} not known on {days} of "
            f"{counted(whole.days, 'day')}; sums and means are of the others."
        )


def _partial(whole: Sum, rows: Sequence[DayRow]) -> Iterator[str]:
    if whole.partial_days and any(whole.known.values()):
        first = next(row.day for row in rows if row.partial)
        yield (
            f"1 day lacks more than an hour of its data, {first}; it is marked *."
            if whole.partial_days == 1
            else f"{whole.partial_days} days lack more than an hour of their data, the first "
            f"{first}; they are marked *."
        )
