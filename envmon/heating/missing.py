"""What a log does not know, and what would help: a sentence each."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.heating.model import DayRow
    from envmon.heating.sums import Sum

HALF = 0.5


def missing_of(whole: Sum, rows: Sequence[DayRow], *, tariffs: bool) -> tuple[str, ...]:
    """Return what is missing.

    Args:
        whole: All days added up.
        rows: The days.
        tariffs: Whether the shop file has a tariff.
    """
    said = [*_outdoor(whole), *_energy(whole), *_run(whole), *_cost(whole, tariffs=tariffs)]
    return (*said, *_partial(whole, rows))


def _outdoor(whole: Sum) -> Iterator[str]:
    known = whole.known["outdoor_mean_c"]
    if known == 0:
        yield (
            "No outdoor temperatures: no degree days, and nothing is compared by weather. Add a "
            "point that reads outdoor_temp_c, or bring in a weather station's file with "
            "envmon import --any-point."
        )
    elif known < whole.days:
        yield f"Outdoor temperatures are not known on {whole.days - known} of {whole.days} days."


def _energy(whole: Sum) -> Iterator[str]:
    known = whole.known["energy_kwh"]
    if known == 0 and whole.billed_days == 0:
        yield (
            "No energy: add a point that reads a meter (fuel_m3, fuel_l or energy_kwh), or output "
            "to each [[heater]], or bring in bills with envmon bills."
        )
    elif known == 0:
        yield (
            f"Energy is known from bills only, of {whole.billed_days} of {whole.days} days; "
            "a bill is shared evenly by its days. A meter would tell each day."
        )
    elif known < whole.days:
        yield (
            f"Energy is not known on {whole.days - known} of {whole.days} days; "
            "sums are of the others."
        )


def _run(whole: Sum) -> Iterator[str]:
    known = whole.known["run_h"]
    if known == 0:
        yield (
            "No run time: add a point that reads heater_on or heater_power_w, or [[heater]] so "
            "that it can be inferred from the air."
        )
    elif whole.inferred_days:
        yield (
            f"On {whole.inferred_days} days run time or energy is inferred, not measured; "
            "it is marked ~."
        )


def _cost(whole: Sum, *, tariffs: bool) -> Iterator[str]:
    known = whole.known["cost"]
    if not tariffs and whole.billed_cost is None:
        yield "No cost: add [[tariff]] to the shop file."
    elif tariffs and 0 < known < whole.days:
        yield f"Cost is not known on {whole.days - known} of {whole.days} days."


def _partial(whole: Sum, rows: Sequence[DayRow]) -> Iterator[str]:
    if whole.partial_days:
        first = next(row.day for row in rows if row.partial)
        yield (
            f"1 day lacks more than an hour of its data, {first}; it is marked *."
            if whole.partial_days == 1
            else f"{whole.partial_days} days lack more than an hour of their data, the first "
            f"{first}; they are marked *."
        )
