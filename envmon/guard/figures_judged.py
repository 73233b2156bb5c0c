"""The alarm figures beside those of the standard, each with a verdict.

Source: figures per operating position of ISA-18.2-2016 and IEC 62682:2014 (from memory). A bay
counts for less than a plant's control room, so these are the most a shop should ever see. For
"about" so many percent, twice as many is still called bearable (common practice).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import msgspec

from envmon.guard.figures import FEW

if TYPE_CHECKING:
    from envmon.guard.figures import Counts

Verdict = Literal["good", "bearable", "too much", "too few to judge", "no figure"]


class Figure(msgspec.Struct, frozen=True):
    """One figure beside the standard's.

    Attributes:
        key: Name in JSON, as in ``Counts``.
        name: What it says.
        value: The figure; None when it cannot be told.
        text: The figure as a person reads it.
        standard: What the standard asks for.
        verdict: How it compares.
    """

    key: str
    name: str
    value: float | None
    text: str
    standard: str
    verdict: Verdict


class _Rule(NamedTuple):
    """A figure of the standard: good up to the first number, bearable up to the second."""

    key: str
    name: str
    standard: str
    good: float
    bearable: float
    unit: str = ""
    below: bool = False
    share: bool = False

    def verdict(self, value: float, *, few: bool) -> Verdict:
        if self.share and few:
            return "too few to judge"
        if value < self.good or (value == self.good and not self.below):
            return "good"
        return "bearable" if value <= self.bearable else "too much"


_RULES = (
    _Rule("per_day", "alarms a day", "about 150 very likely acceptable, 300 the most", 150, 300),
    _Rule("per_hour", "alarms an hour", "about 6 acceptable, 12 the most", 6, 12),
    _Rule("per_10_min", "alarms in 10 minutes, average", "about 1 acceptable, 2 the most", 1, 2),
    _Rule("peak_10_min", "most alarms in 10 minutes", "at most 10", 10, 10),
    _Rule(
        "over_10_pct", "10-minute periods with more than 10", "under 1 %", 1, 0, " %", below=True
    ),
    _Rule("busy_hours_pct", "hours with more than 30", "under 1 %", 1, 0, " %", below=True),
    _Rule("flood_pct", "time in flood", "under 1 %", 1, 0, " %", below=True),
    _Rule(
        "top_share_pct", "share of the ten most frequent", "under 1 % to at most 5 %",
        1, 5, " %", below=True, share=True,
    ),
    _Rule("chattering", "chattering alarms", "none", 0, 0),
    _Rule("fleeting", "fleeting alarms", "none", 0, 0),
    _Rule("stale_most", "standing over 24 h, most on a day", "fewer than 5", 5, 0, below=True),
    _Rule("high_pct", "priority high", "about 5 %", 5, 10, " %", share=True),
    _Rule("medium_pct", "priority medium", "about 15 %", 15, 30, " %", share=True),
)  # fmt: skip


def figures_of(counts: Counts) -> tuple[Figure, ...]:
    """Return every figure beside the standard's, with a verdict."""
    few = counts.alarms < FEW
    judged = [_judged(rule, counts, few=few) for rule in _RULES]
    low = Figure(
        "low_pct", "priority low", counts.low_pct, _number(counts.low_pct, " %"), "about 80 %",
        "no figure" if counts.low_pct is None else "too few to judge" if few
        else "good" if counts.low_pct >= 80 else "bearable",
    )  # fmt: skip
    answer = Figure(
        "answer_s", "time to acknowledge, median", counts.answer_s, duration(counts.answer_s),
        "the standard gives none", "no figure",
    )  # fmt: skip
    return (*judged, low, answer)


def _judged(rule: _Rule, counts: Counts, *, few: bool) -> Figure:
    said = getattr(counts, rule.key)
    value: float | None = len(said) if isinstance(said, tuple) else said
    text = _number(value, rule.unit)
    verdict: Verdict = "no figure" if value is None else rule.verdict(value, few=few)
    return Figure(rule.key, rule.name, value, text, rule.standard, verdict)


def _number(value: float | None, unit: str) -> str:
    if value is None:
        return "—"
    whole = float(value).is_integer()
    return f"{value:.0f}{unit}" if whole or value >= 100 else f"{value:.3g}{unit}"


def duration(seconds: float | None) -> str:
    """Return a time [s] as a person says it; ``—`` for None."""
    if seconds is None:
        return "—"
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 90 * 60:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 48 * 3600 else f"{seconds / 86_400:.1f} d"
