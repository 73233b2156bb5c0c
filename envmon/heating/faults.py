"""What a person should know of a log's data: sun, stuck states, thin months, odd days, meters."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US, SECOND_US
from envmon.heating.fuel import UNITS
from envmon.heating.local import WHOLE_SHARE, between
from envmon.heating.outdoor import sunny_days
from envmon.heating.words import joined, percent, short_days

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from envmon.heating.days import Days
    from envmon.heating.local import LocalDays
    from envmon.heating.model import BayMinutes, Floats, Winter

    Bools = NDArray[np.bool_]

DEAD_H, DEAD_FALL_K = 6, 3.0
"""A heater that is on for so long while its bay falls so far gives no heat, or is not on."""
WARM_K, WARM_FALL = 8.0, 0.1
"""A bay this far above the outdoors that loses less than a tenth of it in a day is heated."""
HALF = 0.5


def day_faults(winter: Winter, days: Days) -> dict[date, tuple[str, ...]]:
    """Return what is to be said of single days.

    Args:
        winter: What the log is made from.
        days: Its days, worked out.
    """
    said: dict[date, list[str]] = defaultdict(list)
    for place, text in _by_place(winter, days):
        said[days.local.dates[place]].append(text)
    return {day: tuple(dict.fromkeys(texts)) for day, texts in said.items()}


def _by_place(winter: Winter, days: Days) -> Iterator[tuple[int, str]]:
    yield from _clock_changes(days.local)
    yield from _sun(winter, days.local)
    for bay, minutes in winter.bays.items():
        yield from _stuck_on(bay, minutes, winter.start_us, days.local)
        yield from _stuck_off(bay, minutes, winter, days.local)
    yield from _meters(days, winter.zone)


def _clock_changes(local: LocalDays) -> Iterator[tuple[int, str]]:
    for place, hours in enumerate(local.hours.tolist()):
        if hours != 24:
            way = "forward" if hours < 24 else "back"
            yield place, f"The clocks went {way}: this day has {hours:g} hours."


def _sun(winter: Winter, local: LocalDays) -> Iterator[tuple[int, str]]:
    if winter.outdoor_c is None:
        return
    for place in np.flatnonzero(
        sunny_days(winter.outdoor_c, winter.start_us, local.edges_us)
    ).tolist():
        text = (
            "The outdoor sensor peaks as if the sun shone on it: outdoor temperature and degree "
            "days of this day are doubtful. Hang it on the north side, shaded and aired."
        )
        yield place, text


def _stuck_on(
    bay: str, minutes: BayMinutes, start_us: int, local: LocalDays
) -> Iterator[tuple[int, str]]:
    """Find a state that says on for hours while the bay grows cold."""
    if minutes.heater_on is None or minutes.air_c is None:
        return
    for first, after in _runs(minutes.heater_on > 0.99, DEAD_H * 60):
        air = minutes.air_c[first:after]
        air = air[np.isfinite(air)]
        if len(air) < 2 or air[: len(air) // 2].max() - air[-1] < DEAD_FALL_K:
            continue
        ends = [local.place(start_us + at * MINUTE_US) for at in (first, after - 1)]
        for place in range(ends[0], ends[1] + 1):
            text = (
                f"{bay}: the heater is said to be on for {(after - first) / 60:.0f} h while the "
                f"bay falls to {air[-1]:.0f} °C: its state is stuck, or it gives no heat. Run "
                "time is too high; a burner that fails is for a licensed person to look at."
            )
            yield place, text


def _stuck_off(
    bay: str, minutes: BayMinutes, winter: Winter, local: LocalDays
) -> Iterator[tuple[int, str]]:
    """Find a state that says off all day while the bay stays warm."""
    on, air, out = minutes.heater_on, minutes.air_c, winter.outdoor_c
    if on is None or air is None or out is None:
        return
    start, edges = winter.start_us, local.edges_us
    said = between(on, start, edges)
    outdoors = between(out, start, edges).mean
    for place in np.flatnonzero((said.high == 0) & (said.share >= WHOLE_SHARE)).tolist():
        ends = edges[place] + HOUR_US, edges[place + 1] - HOUR_US
        hours = np.array([edges[place], *ends, edges[place + 1]])
        first, _, last = between(air, start, hours).mean.tolist()
        above_k = first - float(outdoors[place])
        if above_k > WARM_K and first - last < WARM_FALL * above_k:
            text = (
                f"{bay}: the heater is said to be off all day, yet the bay stays {above_k:.0f} K "
                "above the outdoors: its state is stuck, or something else heats. Run time is "
                "too low."
            )
            yield place, text


def _runs(flags: Bools, least: int) -> list[tuple[int, int]]:
    """Return first and after of every unbroken run of at least so many minutes."""
    turns = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False]))))
    pairs = turns.reshape(-1, 2)
    long = pairs[pairs[:, 1] - pairs[:, 0] >= least]
    return [(first, after) for first, after in long.tolist()]


def _meters(days: Days, zone: str) -> Iterator[tuple[int, str]]:
    """Return what the meters' readings were like, and the gaps that no day shows."""
    for point, use in days.energy.meters.items():
        for note in use.notes:
            yield days.local.place(note.at_us), f"{point}: {note.text}."
        for gap in use.gaps:
            since, until = (_words(at_us, zone) for at_us in (gap.from_us, gap.to_us))
            how = (
                "what was used is not known"
                if gap.amount is None
                else f"{gap.amount:.6g} {UNITS[days.energy.quantity]} were used, which no day shows"
            )
            yield (
                days.local.place(gap.from_us),
                (f"{point}: no reading from {since} to {until}; {how}."),
            )


def _words(at_us: int, zone: str) -> str:
    return f"{datetime.fromtimestamp(at_us // SECOND_US, ZoneInfo(zone)):%Y-%m-%d %H:%M}"


def by_text(said: Iterable[tuple[date, Sequence[str]]]) -> tuple[str, ...]:
    """Return what is said of single days, each text once with its days before it.

    Args:
        said: Days in order with their texts.
    """
    days: dict[str, list[date]] = defaultdict(list)
    for day, texts in said:
        for text in texts:
            days[text].append(day)
    return tuple(f"{short_days(on)}: {text}" for text, on in days.items())


def span_faults(days: Days) -> tuple[str, ...]:
    """Return what is to be said of months and of the whole span.

    Args:
        days: The days, worked out.
    """
    leap = [day for day in days.local.dates if (day.month, day.day) == (2, 29)]
    return (*_thin_months(days), *(_leap(day) for day in leap))


def _leap(day: date) -> str:
    return (
        f"{day:%Y-%m-%d} is a leap day: this winter has a day more than others; compare it by the "
        "day or by degree days, not by its sum."
    )


def _thin_months(days: Days) -> Iterator[str]:
    """Say once which months are known for less than half, of what the span knows at all."""
    months: dict[str, list[int]] = defaultdict(list)
    for place, day in enumerate(days.local.dates):
        months[f"{day:%Y-%m}"].append(place)
    shares = {name: share for name, share in _shares(days).items() if (share > 0).any()}
    thin = []
    for month, places in months.items():
        hours = days.local.hours[places]
        known = {name: float(np.average(share[places], weights=hours))
                 for name, share in shares.items()}  # fmt: skip
        if few := {name: percent(of) for name, of in known.items() if of < HALF}:
            thin.append(f"{month} ({_few(few, everything=len(few) == len(known))})")
    if thin:
        whose = "this month" if len(thin) == 1 else "these months"
        yield (
            f"Known for less than half of the time: {'; '.join(thin)}. Sums and means of {whose} "
            "stand for the part that is known, not for the whole."
        )


def _few(shares: Mapping[str, str], *, everything: bool) -> str:
    """Return quantities with how much is known of them, those of one share together."""
    if everything and len(set(shares.values())) == 1:
        return f"everything {next(iter(shares.values()))}"
    names: dict[str, list[str]] = defaultdict(list)
    for name, share in shares.items():
        names[share].append(name)
    return "; ".join(f"{joined(of)} {share}" for share, of in names.items())


def _shares(days: Days) -> Mapping[str, Floats]:
    """Return name -> share known of each day."""
    shares = {"energy": days.energy.share}
    if days.outdoor is not None:
        shares["outdoors"] = days.outdoor.share
    for bay in days.indoor:
        shares[f"air of {bay}"] = days.indoor[bay].share
    for bay in days.run:
        shares[f"run time of {bay}"] = days.run[bay].share
    return shares
