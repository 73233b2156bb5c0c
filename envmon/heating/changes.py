"""The day on which a building began to take more or less heat: a seal gone, insulation added.

For every day it is asked how much better the days are explained by another level and slope from
that day on. The best day counts when chance does so well in less than one of a hundred winters:
winters of the same weather without a change, with scatter as like from day to day, are drawn with
a fixed seed (sup-F test; Andrews 1993, from memory). The range of the date is where the squares
left are hardly larger (likelihood ratio, 7.35 for 95 %; Hansen 2000, from memory).

What is unlike a change of the building but comes at once and stays (another thermostat setting,
longer hours, spring sun) is found as well: a person says what it was.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from envmon.errors import InputError
from envmon.heating.compare import Days, compare
from envmon.heating.signature import Interval, as_if_level, risen, signature
from envmon.heating.signature_fit import carry_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from envmon.heating.model import Floats, Ints
    from envmon.heating.signature import Signature

EITHER_SIDE = 10
"""Known days needed on each side of a change."""
LEAST = 0.04
"""A change of less than this share is not told."""
CHANCE = 0.01
DRAWS, SEED = 499, 20_250_112
DATED = 7.35
"""Where a date still may lie: by so many variances more is left (95 %)."""
TOLD = 9.0
"""How much better one way must explain a change before it is told, in variances."""
MOST = 4


What = Literal["slope", "level", "either"]


class Change(NamedTuple):
    """A change of what the same weather takes.

    Attributes:
        day: First day of the other way.
        early: The date may be as early as this (95 %).
        late: Or as late as this.
        more: Energy more than before in the same weather, as a share; less than 0 for less.
        within: Interval of that (95 %).
        what: ``slope`` when heat lost for each kelvin changed, ``level`` when it is as much more in
            any weather, as by another use or setting; ``either`` where the days do not tell.
        chance: How often chance alone does as well in a winter without a change.
        bays: Ids of the bays it is of; none for the whole shop.
    """

    day: date
    early: date
    late: date
    more: float
    within: Interval
    what: What
    chance: float
    bays: tuple[str, ...] = ()


class _Break(NamedTuple):
    place: int
    early: int
    late: int
    what: What
    chance: float


def changes(
    days: Sequence[date],
    outdoor_c: Floats,
    energy_kwh: Floats,
    others: Floats | None = None,
    indoor_c: Floats | None = None,
) -> list[Change]:
    """Return changes in order of time.

    Args:
        days: Days in order (d,).
        outdoor_c: Mean of each [°C], NaN where not known.
        energy_kwh: Energy of each [kWh/d], NaN where not known.
        others: What else makes a day take more, such as 1 for a day worked; a row for each (r, d).
        indoor_c: Mean of the bays [°C], NaN where not known, or None. With it a change of how warm
            they are kept is not found, only one of the building.
    """
    try:
        first = signature(outdoor_c, energy_kwh, indoor_c=indoor_c)
    except InputError:
        return []
    cold, columns = outdoor_c, [] if others is None else list(others)
    if indoor_c is not None and first.indoor_c is not None:
        cold = as_if_level(outdoor_c, indoor_c, first.indoor_c)
        columns.append(risen(indoor_c))
    known = np.isfinite(cold) & np.isfinite(energy_kwh)
    known &= np.all([np.isfinite(column) for column in columns], axis=0)
    known[list(first.apart)] = False
    if first.change_point_c is not None:
        cold = np.minimum(cold, first.change_point_c)
    place = np.flatnonzero(known)
    level = [np.ones(len(place)), cold[place] - cold[place].mean()]
    level += [column[place] for column in columns if np.ptp(column[place]) > 0]
    warm = _warm_c(first) - float(cold[place].mean())
    cuts = _split(_Rows(place, np.array(level).T, energy_kwh[place], warm))
    kept = np.where(known, energy_kwh, np.nan)
    of = _Told(days, Days(outdoor_c, kept, indoor_c), sorted(cuts, key=lambda one: one.place))
    return of.described()


def _warm_c(of: Signature) -> float:
    """Return the outdoors at which nothing is heated: there a change of loss changes nothing."""
    if of.indoor_c is not None:
        return of.indoor_c
    if of.change_point_c is not None:
        return of.change_point_c
    return -of.intercept / of.slope if of.slope < 0 else 20.0


class _Rows(NamedTuple):
    """Known days: which, what explains them, energy; where heating ends, as in ``base[:, 1]``."""

    place: Ints
    base: Floats
    y: Floats
    warm: float

    def part(self, first: int, last: int) -> _Rows:
        return _Rows(self.place[first:last], self.base[first:last], self.y[first:last], self.warm)


def _split(rows: _Rows, left: int = MOST) -> list[_Break]:
    """Return breaks of rows, largest first, then those within its parts."""
    found = _one_break(rows)
    if found is None or left <= 0:
        return []
    at = int(np.searchsorted(rows.place, found.place))
    before = _split(rows.part(0, at), left - 1)
    after = _split(rows.part(at, len(rows.y)), left - 1 - len(before))
    return [found, *before, *after]


def _one_break(rows: _Rows) -> _Break | None:
    n, p = rows.base.shape
    if n < 2 * EITHER_SIDE + p:
        return None
    tried = np.arange(EITHER_SIDE, n - EITHER_SIDE + 1)
    own = np.linalg.qr(rows.base)[0]
    bases = np.stack([_added(rows.base, own, at) for at in tried], axis=1)
    off = rows.y - own @ (own.T @ rows.y)
    gains = _gains(bases, off[:, None])[:, 0]
    best = int(np.argmax(gains))
    left_of = off - bases[:, best] @ (bases[:, best].T @ off)
    carry = carry_of(left_of, rows.place)
    # Likeness found after a break was fitted is too low: a standard error more keeps chance at 1 %.
    carry = min(0.9, carry + ((1 - carry**2) / n) ** 0.5)
    free = n - p - 2
    variance = float(left_of @ left_of) / free
    if variance <= 0:
        return None
    chance = _by_chance(own, bases, rows.place, carry, gains[best] / variance)
    if chance > CHANCE:
        return None
    growth = variance * (1 + carry) / (1 - carry)
    dated = tried[gains >= gains[best] - DATED * growth]
    what = _what(rows, off, int(tried[best]), growth)
    first, last = int(dated.min()), int(dated.max())
    return _Break(
        int(rows.place[tried[best]]), int(rows.place[first]), int(rows.place[min(last, n - 1)]),
        what, chance,
    )  # fmt: skip


def _added(base: Floats, own: Floats, at: int) -> Floats:
    """Return an orthonormal basis of what level and slope from a row on add (n, 2)."""
    more = base[:, :2].copy()
    more[:at] = 0.0
    more -= own @ (own.T @ more)
    return np.linalg.qr(more)[0]


def _gains(bases: Floats, off: Floats) -> Floats:
    """Return by how much the squares left shrink, (tried, draws).

    Args:
        bases: From ``_added`` (n, tried, 2).
        off: Residuals (n, draws).
    """
    n, tried, two = bases.shape
    inside = bases.reshape(n, tried * two).T @ off
    found: Floats = (inside.reshape(tried, two, -1) ** 2).sum(axis=1)
    return found


def _by_chance(own: Floats, bases: Floats, place: Ints, carry: float, reached: float) -> float:
    """Return how often days without a change do as well."""
    draw = np.random.default_rng(SEED)
    n = len(place)
    noise = draw.standard_normal((n, DRAWS))
    gap = np.diff(place, prepend=place[0] - 1000)
    keeps = carry ** gap.astype(float) if carry > 0 else np.zeros(n)
    for row in range(1, n):
        noise[row] = keeps[row] * noise[row - 1] + (1 - keeps[row] ** 2) ** 0.5 * noise[row]
    off = noise - own @ (own.T @ noise)
    gains = _gains(bases, off).max(axis=0)
    left = (off**2).sum(axis=0) - gains
    free = n - own.shape[1] - 2
    return float((1 + (gains / (left / free) >= reached).sum()) / (1 + DRAWS))


def _what(rows: _Rows, off: Floats, at: int, variance: float) -> What:
    """Return which of slope and level alone explains more; ``either`` where days do not tell."""
    own = np.linalg.qr(rows.base)[0]
    colder = rows.base[:, 1] - rows.warm
    gains = []
    for column in (np.ones(len(colder)), colder):
        more = np.where(np.arange(len(colder)) >= at, column, 0.0)
        more -= own @ (own.T @ more)
        gains.append(float(more @ off) ** 2 / float(more @ more))
    if abs(gains[1] - gains[0]) < TOLD * variance:
        return "either"
    return "slope" if gains[1] > gains[0] else "level"


class _Told(NamedTuple):
    days: Sequence[date]
    rows: Days
    cuts: list[_Break]

    def described(self) -> list[Change]:
        """Return breaks as changes; those too small to matter are left out."""
        found = []
        edges = [0, *(cut.place for cut in self.cuts), len(self.days)]
        for number, cut in enumerate(self.cuts):
            was, now = (self._part(*edges[n : n + 2]) for n in (number, number + 1))
            try:
                one = compare(was, now)
            except InputError:
                continue
            more = one.more - (one.for_warmer or 0.0)
            if abs(more) >= LEAST:
                first, early, late = (self.days[at] for at in (cut.place, cut.early, cut.late))
                half = one.within.high - one.more
                within = Interval(more - half, more + half)
                found.append(Change(first, early, late, more, within, cut.what, cut.chance))
        return found

    def _part(self, first: int, last: int) -> Days:
        outdoor_c, kwh, indoor_c, _ = self.rows
        indoor_c = None if indoor_c is None else indoor_c[first:last]
        return Days(outdoor_c[first:last], kwh[first:last], indoor_c)


_ADVICE = {
    ("slope", True): "the colder, the more so: look at door seals, insulation, air left open",
    ("slope", False): "the colder, the more so, as after better insulation or a seal made good",
    ("level", True): "in any weather alike: look at settings, hours worked, hot water",
    ("level", False): "in any weather alike, as after another setting or shorter hours",
    ("either", True): "look at door seals, insulation, settings, hours worked",
    ("either", False): "as after better insulation, a seal made good or another setting",
}


def said(one: Change, names: Mapping[str, str] | None = None) -> str:
    """Return a change as a sentence.

    Args:
        one: The change.
        names: What the shop calls its bays, by id.
    """
    word = "more" if one.more > 0 else "less"
    what = _ADVICE[one.what, one.more > 0]
    low, high = sorted(round(100 * abs(end)) for end in one.within)
    bays = " and ".join((names or {}).get(bay, bay) for bay in one.bays)
    where = f", most of it in {bays}" if bays else ""
    span = "" if one.early == one.late else f" ({one.early:%d %b} to {one.late:%d %b})"
    return (
        f"From about {one.day:%d %b %Y}{span} the same weather takes "
        f"{abs(100 * one.more):.0f} % {word} ({low} to {high} %){where}, {what}."
    )
