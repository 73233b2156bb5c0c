"""The cure in words: did it hold, when not, and what is still missing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.clock import SECOND_US, us_from_iso
from envmon.guard.words import clock_time
from envmon.job.record_words import length_text
from envmon.units import QUANTITIES, format_value

if TYPE_CHECKING:
    from envmon.job.live import Milestone
    from envmon.job.model import Break, Cure, Job
    from envmon.units import UnitSystem

_BREAKS_NAMED = 4


class CureWords(NamedTuple):
    """A job's cure, counted up to now, for people of a time zone."""

    job: Job
    cure: Cure
    timezone: str

    def held(self, why: str) -> str:
        """Return in one line whether it held.

        Args:
            why: What does not hold now, or what it needs, in words.
        """
        cure = self.cure
        inside = f"{_length(cure.inside_us)} in window"
        if not cure.breaks:
            return f"Held: {inside}"
        last = cure.breaks[-1]
        if last.to_us is not None or self.job.closed_us is not None:
            return f"{inside}, {self._missed()}"
        since = self._clock(last.from_us)
        if last.fitness == "unknown":
            return f"NOT KNOWN since {since}, not counted. {inside}"
        return f"OUT OF WINDOW since {since}{f': {why}' if why else ''}. {inside}"

    def _missed(self) -> str:
        """Return the time that does not count: ``40 min outside, 5 min not known``."""
        spans = ((self.cure.outside_us, "outside"), (self.cure.unknown_us, "not known"))
        return ", ".join(f"{_length(span_us)} {name}" for span_us, name in spans if span_us)

    def breaks(self) -> str:
        """Return when it did not hold, the longest of many; empty when it always did."""
        cure = self.cure
        longest = sorted(cure.breaks, key=self._span_us, reverse=True)[:_BREAKS_NAMED]
        named = [self._break(gone) for gone in cure.breaks if gone in longest]
        more = len(cure.breaks) - len(named)
        if more > 0:
            named.append(f"{more} shorter")
        return f"{'; '.join(named)}." if named else ""

    def _span_us(self, gone: Break) -> int:
        return (self.cure.at_us if gone.to_us is None else gone.to_us) - gone.from_us

    def _break(self, gone: Break) -> str:
        end = "now" if gone.to_us is None else self._clock(gone.to_us)
        what = "not known" if gone.fitness == "unknown" else "outside"
        return f"{self._clock(gone.from_us)}–{end} {what}"

    def mark(self, mark: Milestone) -> str:
        """Return whether a mark is reached, or when it will be."""
        at = None if mark.at is None else self._clock(us_from_iso(mark.at))
        if mark.left_s == 0:
            return f"{mark.name} since {at}"
        left = length_text(mark.left_s)
        if self.job.closed_us is not None:
            return f"{mark.name}: {left} missing at hand-over"
        if at is None:
            return f"{mark.name}: {left} missing, and the window does not hold"
        return f"{mark.name} {at} if it holds ({left} to go)"

    def _clock(self, at_us: int) -> str:
        return clock_time(at_us, self.timezone)


def _length(span_us: int) -> str:
    return length_text(span_us / SECOND_US)


def needs_text(job: Job, units: UnitSystem) -> str:
    """Return the limits of the cure stage being worked, or of the full cure, in words.

    Args:
        job: The job.
        units: The shop's.
    """
    stage = "" if job.current is None else job.steps[job.current].stage
    usual = job.limits.get("cure") or job.limits.get("early_cure") or []
    limits = job.limits.get(stage, usual) if stage in {"early_cure", "cure"} else usual
    return f"needs {', '.join(_limit_text(limit, units) for limit in limits)}" if limits else ""


def _limit_text(limit: dict[str, Any], units: UnitSystem) -> str:
    quantity, low, high = QUANTITIES[limit["quantity"]], limit["low"], limit["high"]
    if low is None:
        text = f"at most {format_value(high, quantity, units)}"
    elif high is None:
        text = f"at least {format_value(low, quantity, units)}"
    else:
        lowest = format_value(low, quantity, units, unit=False)
        text = f"{lowest}–{format_value(high, quantity, units)}"
    return f"{quantity.label} {text}"
