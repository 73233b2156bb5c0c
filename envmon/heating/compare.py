"""Months and winters held against each other as if their weather had been the same.

The signature of the earlier time says what the later one would have taken in its own weather; the
difference is what weather does not explain. Where the bays' own temperature is known in both, what
part of it warmer or colder bays explain is told apart. The interval (95 %) holds what the signature
leaves open and what days scatter by, alike neighbours taken into account.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.errors import InputError
from envmon.heating.signature import Interval, as_if_level, risen, signature
from envmon.heating.signature_fit import reach_of

if TYPE_CHECKING:
    from envmon.heating.model import Floats
    from envmon.heating.signature import Signature
    from envmon.units import UnitSystem

BEYOND_K = 2.0
"""So far outside the weather of the earlier time its signature is trusted."""


class Days(NamedTuple):
    """Days of a time, each array (d,); NaN where not known.

    Attributes:
        outdoor_c: Mean outdoors [°C].
        energy_kwh: Energy [kWh/d].
        indoor_c: Mean of the bays [°C], or None.
        length: Days a row is the mean of, as with bills; None for one each.
    """

    outdoor_c: Floats
    energy_kwh: Floats
    indoor_c: Floats | None = None
    length: Floats | None = None

    @property
    def weight(self) -> Floats:
        """Days each row stands for."""
        return np.ones_like(self.outdoor_c) if self.length is None else self.length


class Comparison(NamedTuple):
    """A later time against an earlier one, over the later one's known days.

    Attributes:
        days: Known days of the later time.
        actual_kwh: Energy used.
        expected_kwh: Energy the earlier signature expects in the same weather, bays as warm in the
            mean as they were then.
        more: Difference over what was expected; 0.12 is 12 % more.
        within: Interval of that.
        plain: Difference of the energy of a day between the times, weather left in.
        warmer_k: How much warmer the bays were than before [K], None where not known.
        for_warmer: What of ``more`` that explains, by the signature's slope; None likewise.
        beyond: Days colder or warmer than the signature has seen.
    """

    days: float
    actual_kwh: float
    expected_kwh: float
    more: float
    within: Interval
    plain: float
    warmer_k: float | None
    for_warmer: float | None
    beyond: int

    @property
    def told(self) -> bool:
        """Whether the days tell a difference at all."""
        return not self.within.low <= 0 <= self.within.high


def compare(before: Days, after: Days, was: Signature | None = None) -> Comparison:
    """Return how a later time did in its own weather by an earlier time's signature.

    Args:
        before: Earlier time.
        after: Later time.
        was: Signature of the earlier time, where there is one already.

    Raises:
        InputError: The earlier time has too few known days, or expects no heat in such weather.
    """
    indoors = before.indoor_c is not None and after.indoor_c is not None
    if was is None:
        was = signature(
            before.outdoor_c, before.energy_kwh, days=before.length,
            indoor_c=before.indoor_c if indoors else None,
        )  # fmt: skip
    after = _level(after, was)
    known = np.isfinite(after.outdoor_c) & np.isfinite(after.energy_kwh)
    outdoor_c, weight = after.outdoor_c[known], after.weight[known]
    actual = float(weight @ after.energy_kwh[known])
    warmer_k, for_warmer = _warmer(after, was, outdoor_c, weight)
    expected = float(weight @ was.expected(outdoor_c)) - for_warmer
    if expected <= 0:
        raise InputError("its signature expects no energy at all in such weather")
    half = reach_of(was.free) * _scatter(was, outdoor_c, weight)
    more = actual / expected - 1
    return Comparison(
        float(weight.sum()), actual, expected, more,
        Interval(more - half / expected, more + half / expected), _plain(before, after), warmer_k,
        None if warmer_k is None else for_warmer / expected, _beyond(before, after),
    )  # fmt: skip


def _level(after: Days, was: Signature) -> Days:
    """Return days as if the bays had kept the mean the signature is for."""
    if was.indoor_c is None or after.indoor_c is None:
        return after
    stored = was.storage_kwh_k * risen(after.indoor_c)
    level_c = as_if_level(after.outdoor_c, after.indoor_c, was.indoor_c)
    return after._replace(outdoor_c=level_c, energy_kwh=after.energy_kwh - stored)


def _beyond(before: Days, after: Days) -> int:
    """Return how many later days lie outside the weather of the earlier time."""
    known = np.isfinite(before.outdoor_c) & np.isfinite(before.energy_kwh)
    seen, now = before.outdoor_c[known], after.outdoor_c
    beyond = (now < seen.min() - BEYOND_K) | (now > seen.max() + BEYOND_K)
    return int(after.weight[beyond & np.isfinite(after.energy_kwh)].sum())


def _scatter(was: Signature, outdoor_c: Floats, weight: Floats) -> float:
    """Return the standard error of a sum of days against what a signature expects [kWh]."""
    towards = was.gradient(outdoor_c) @ weight
    of_days = was.resid_sd**2 * float(weight.sum()) * (1 + was.carry) / (1 - was.carry)
    return float((towards @ was.spread @ towards + of_days) ** 0.5)


def _plain(before: Days, after: Days) -> float:
    means = []
    for time in (before, after):
        known = np.isfinite(time.outdoor_c) & np.isfinite(time.energy_kwh)
        means.append(np.average(time.energy_kwh[known], weights=time.weight[known]))
    return float(means[1] / means[0] - 1)


def _warmer(
    after: Days, was: Signature, outdoor_c: Floats, weight: Floats
) -> tuple[float | None, float]:
    """Return how much warmer the bays were [K] and the energy that takes by the slope [kWh]."""
    if was.indoor_c is None or after.indoor_c is None:
        return None, 0.0
    known = np.isfinite(after.outdoor_c) & np.isfinite(after.energy_kwh)
    warmer_k = float(np.average(after.indoor_c[known], weights=after.weight[known])) - was.indoor_c
    ends_c = np.inf if was.change_point_c is None else was.change_point_c
    return warmer_k, -was.slope * warmer_k * float(weight[outdoor_c < ends_c].sum())


def in_short(one: Comparison) -> str:
    """Return a difference in a few words, such as ``12 % more (9 to 15 %)``."""
    low, high = sorted(round(100 * abs(end)) for end in one.within)
    if not one.told:
        return f"no difference (within {high} %)"
    word = "more" if one.more > 0 else "less"
    return f"{abs(100 * one.more):.0f} % {word} ({low} to {high} %)"


def said(one: Comparison, than: str, units: UnitSystem = "metric") -> str:
    """Return a comparison as a sentence.

    Args:
        one: The comparison.
        than: What the earlier time is called, such as ``last January``.
        units: The shop's; in US ones differences are of °F.
    """
    if not one.told:
        most = max(round(100 * abs(end)) for end in one.within)
        text = f"Same weather: no difference from {than} can be told (within {most} %)."
    else:
        less, _, within = in_short(one).partition(" (")
        text = f"Same weather, {less} than {than} ({within}."
    if one.warmer_k is not None and one.for_warmer is not None and abs(one.warmer_k) >= 0.5:
        word = "warmer" if one.warmer_k > 0 else "colder"
        warmer = (
            f"{abs(one.warmer_k) * 1.8:.1f} °F" if units == "us" else f"{abs(one.warmer_k):.1f} K"
        )
        text += (
            f" The bays were {warmer} {word}, which by itself is about "
            f"{100 * one.for_warmer:+.0f} %."
        ).replace("-", "−")
    if one.beyond:
        text += f" {one.beyond} of {one.days:.0f} days lie outside the weather of {than}."
    return text
