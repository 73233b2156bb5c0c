"""Sensor health: real-time quality tests of each series, after QARTOD, reading by reading.

The tests are spike, rate of change and flat line of QARTOD (the gross range is judged in
``envmon.intake.take``), and two of our own: humidity at its upper end, and sensors apart. What
they say is a flag that is stored with the reading and never changes, so live, replay and restart
see the same. Nothing here knows a later reading than the one it judges.

Source: Manual for Real-Time Quality Control of In-situ Temperature and Salinity Data (QARTOD,
U.S. IOOS), tests 4, 6, 7 and 8 (numbered from memory); results are held against ioos_qc. The
limits are those of ``envmon.shop.sensor_health``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from envmon.clock import DAY_US
from envmon.facts import Flag
from envmon.intake.health_rules import RATE_OVER_US

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from envmon.facts import Reading
    from envmon.intake.health_rules import HealthRule, SeriesName

TOO_OLD_US = DAY_US
"""A reading this old when it is taken in is not judged: a restart looks back no further."""
_MOST_LEVELS = 64
_HALF_PART = 0.0005
"""Half a step of kept values, so that two differences that are written alike are alike."""
_SPIKE, _RATE, _FLAT, _WET = (int(f) for f in (Flag.SPIKE, Flag.RATE, Flag.FLAT, Flag.WET))
_APART = int(Flag.APART)
_NOT_JUDGED = int(Flag.LATE | Flag.CLOCK | Flag.RANGE)


class SeriesHealth(msgspec.Struct, frozen=True, omit_defaults=True):
    """What is remembered of one series.

    Attributes:
        t_us: Time of the newest reading judged [µs].
        value: Its value.
        still_us: Since when the value has not moved [µs].
        before: The value accepted before, while the newest one is a leap not confirmed yet.
        wet_us: Since when it has been at its upper end [µs]; None when it is not.
        levels: Values since ``still_us`` other than the newest, and when each was last left.
    """

    t_us: int
    value: float
    still_us: int
    before: float | None = None
    wet_us: int | None = None
    levels: tuple[tuple[float, int], ...] = ()


class HealthState(msgspec.Struct):
    """What is remembered of all series: ``point/quantity`` -> its memory; JSON round trip."""

    series: dict[str, SeriesHealth] = {}


class _Series:
    """One series: what is asked of it, and what is remembered."""

    __slots__ = ("now", "rule")

    def __init__(self, rule: HealthRule, now: SeriesHealth | None) -> None:
        self.rule, self.now = rule, now


class HealthBook:
    """The memory of all series, and the one place where readings get their health flags.

    Args:
        rules: (point, quantity) -> what is asked of it; other series pass as they are.
        state: What was remembered; series without a rule are forgotten.
    """

    def __init__(
        self, rules: Mapping[SeriesName, HealthRule], state: HealthState | None = None
    ) -> None:
        known = state.series if state else {}
        self._series = {
            name: _Series(rule, known.get("/".join(name))) for name, rule in rules.items()
        }
        self._undo: list[tuple[_Series, SeriesHealth | None]] = []

    def state(self) -> HealthState:
        """Return what is remembered, the last ``judge`` included."""
        return HealthState(
            {"/".join(name): s.now for name, s in self._series.items() if s.now is not None}
        )

    def judge(
        self, readings: Sequence[Reading], apart: Collection[SeriesName] = ()
    ) -> list[Reading]:
        """Return readings with what is known against them, and remember them.

        Readings that are late, ahead of the clock, out of range or a day old are neither judged
        nor remembered.

        Args:
            readings: In the order of taking in, with the flags of intake.
            apart: Series that disagree with others of the same air.
        """
        judged, undo, known = list(readings), [], self._series
        for place, reading in enumerate(judged):
            point, quantity, t_us, value, flag, seen_us = reading
            series = known.get((point, quantity))
            if series is None or (flag is not Flag.GOOD and int(flag) & _NOT_JUDGED):
                continue
            was = series.now
            if seen_us - t_us > TOO_OLD_US or (was is not None and t_us <= was.t_us):
                continue
            undo.append((series, was))
            if was is None:
                series.now, bits = _first(series.rule, t_us, value), 0
            else:
                series.now, bits = _next(series.rule, was, t_us, value)
            if apart and (point, quantity) in apart:
                bits |= _APART
            if bits:
                judged[place] = reading._replace(flag=Flag(flag | bits))
        self._undo = undo
        return judged

    def undo(self) -> None:
        """Forget what the last ``judge`` remembered, as when its readings were not committed."""
        for series, was in reversed(self._undo):
            series.now = was
        self._undo = []

    def pass_over(self, readings: Sequence[Reading]) -> None:
        """Remember readings stored after the state was; their flags stay as they are.

        Args:
            readings: In the order of taking in.
        """
        self.judge(readings)
        self._undo = []

    def forget(self) -> None:
        """Forget everything, as when the clock was set back."""
        for series in self._series.values():
            series.now = None
        self._undo = []


def _first(rule: HealthRule, t_us: int, value: float) -> SeriesHealth:
    return SeriesHealth(t_us, value, t_us, None, t_us if value >= rule.top else None)


def _next(rule: HealthRule, was: SeriesHealth, t_us: int, value: float) -> tuple[SeriesHealth, int]:
    """Return what is to be remembered, and the bits of the flags of a newer reading."""
    since_us = t_us - was.t_us
    before, bits = _leap(rule, was, since_us, value) if since_us <= rule.gap_us else (None, 0)
    if value >= rule.top:
        # Clipped at its upper end it stands still by nature; that is WET's to say.
        wet_us = t_us if was.wet_us is None or since_us > rule.wet_gap_us else was.wet_us
        if t_us - wet_us >= rule.wet_after_us:
            bits |= _WET
        return SeriesHealth(t_us, value, t_us, before, wet_us), bits
    still_us, levels = was.still_us, was.levels
    if since_us > rule.flat_gap_us:
        still_us, levels = t_us, ()
    elif value != was.value:
        still_us, levels = _moved(rule.flat_within, was, t_us, value)
    if t_us - still_us >= rule.flat_after_us:
        bits |= _FLAT
    return SeriesHealth(t_us, value, still_us, before, None, levels), bits


def _leap(
    rule: HealthRule, was: SeriesHealth, since_us: int, value: float
) -> tuple[float | None, int]:
    """Return the value accepted before a leap (None when it is no leap), and the flags' bits."""
    step = abs(value - was.value)
    if was.before is not None:
        # The one before was a leap: this one confirms it, returns, or is lost as well.
        step = min(step, abs(value - was.before))
    bits = _RATE if step > rule.rate_per_us * max(since_us, RATE_OVER_US) else 0
    if step <= rule.spike:
        return None, bits
    return was.value if was.before is None else was.before, bits | _SPIKE


def _moved(
    within: float, was: SeriesHealth, t_us: int, value: float
) -> tuple[int, tuple[tuple[float, int], ...]]:
    """Return since when all values lie within a band, and those values: a window that slides.

    Each value is kept with the time of the reading after it, which is where the window begins
    once that value is outside the band. What takes more than ``_MOST_LEVELS`` values in a band
    does not stand still, so the memory stays small.
    """
    if within <= 0 or was.wet_us is not None:
        return t_us, ()
    left = {level: at_us for level, at_us in was.levels if level != value}
    left[was.value] = t_us
    outside = [at for level, at in left.items() if abs(level - value) > within + _HALF_PART]
    outside += sorted(left.values())[:-_MOST_LEVELS]
    start_us = max(outside, default=was.still_us)
    return start_us, tuple((level, at) for level, at in left.items() if at > start_us)
