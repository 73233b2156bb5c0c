"""Did the conditions hold? Each stage of a coating in a word, and what was missed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from envmon.guard.alarm_kinds import CURING
from envmon.job.record_words import (
    amount_text,
    clock_text,
    day_text,
    edge_text,
    label_of,
    length_text,
    unit_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

Held = Literal["held", "missed", "unknown", "none"]


class Verdict(NamedTuple):
    """How a stage went.

    Attributes:
        title: What it is about.
        kind: ``held``: inside throughout; ``missed``: outside for a time; ``unknown``: not known
            for a time; ``none``: nothing to hold it to.
        word: The same in words.
        lines: What was missed, limit by limit.
    """

    title: str
    kind: Held
    word: str
    lines: tuple[str, ...] = ()


def run_verdicts(document: Mapping[str, Any]) -> list[Verdict]:
    """Return how the stages went in which a mistake of the air costs the coating.

    Args:
        document: The record.
    """
    names = {step["stage"]: step["name"] for step in document["stages"]}
    verdicts = []
    for stage in CURING:
        every = [run for run in document["measured"]["runs"] if run["stage"] == stage]
        runs = [run for run in every if not _gone_back_on(run, document)]
        if runs:
            lines = tuple(dict.fromkeys(text for run in runs for text in _missed(run, document)))
            kind, word = held_word([run["together"] for run in runs])
            if len(runs) < len(every):
                lines = ("begun anew; what was gone back on stands in the details", *lines)
            verdicts.append(Verdict(names[stage], kind, word, lines))
    return verdicts


def _gone_back_on(run: Mapping[str, Any], document: Mapping[str, Any]) -> bool:
    """Return whether an earlier step was begun after this run, which undid its work."""
    return any(
        other["step"] < run["step"] and other["from"] > run["from"]
        for other in document["measured"]["runs"]
    )


def held_word(times: Sequence[Mapping[str, float] | None]) -> tuple[Held, str]:
    """Return how a stage went from the times of its runs, with the word for it."""
    known = [each for each in times if each is not None]
    if not known:
        return "none", "no limits to hold it to"
    inside, outside, unknown = (
        sum(each[name] for each in known) for name in ("inside_s", "outside_s", "unknown_s")
    )
    whole = length_text(inside + outside + unknown)
    if outside:
        return "missed", f"outside for {length_text(outside)} of {whole}"
    if unknown:
        return "unknown", f"not known for {length_text(unknown)} of {whole}"
    return "held", f"held throughout, {whole} in window"


def _missed(run: Mapping[str, Any], document: Mapping[str, Any]) -> Iterator[str]:
    units = document["shop"]["units"]
    for row in run["limits"]:
        label, quantity = label_of(row["quantity"]), row["quantity"]
        if row["outside_s"]:
            ends = [amount_text(row[end], quantity, units, unit=end == "max") for end in _ENDS]
            yield (
                f"{label} outside for {length_text(row['outside_s'])} "
                f"(was {ends[0]} to {ends[1]}, allowed {limit_text(row, units)})"
            )
        if row["unknown_s"] and not row["by_hand"]:
            yield f"{label} not known for {length_text(row['unknown_s'])}"


_ENDS = ("min", "max")


def limit_text(row: Mapping[str, Any], units: Any) -> str:
    """Return a limit as people say it: ``18 to 24 °C``, ``at least 3 K``."""
    low, high = (edge_text(row[end], row["quantity"], units) for end in ("low", "high"))
    unit = unit_of(row["quantity"], units)
    if row["low"] is None:
        return f"at most {high} {unit}".strip()
    if row["high"] is None:
        return f"at least {low} {unit}".strip()
    return f"{low} to {high} {unit}".strip()


def cure_verdict(document: Mapping[str, Any], zone: str) -> Verdict | None:
    """Return how the cure as a whole went, as the watch saw it; None before it began."""
    cure = document["cure"]
    if cure is None:
        return None
    kind: Held = {True: "held", False: "missed", None: "unknown"}[cure["held"]]  # type: ignore[assignment]
    day = day_text(cure["since"], zone)
    lines = [
        f"{clock_text(gone['from'], zone, day)} – {clock_text(gone['to'], zone, day)} "
        f"{'not known' if gone['fitness'] == 'unknown' else 'outside'}"
        for gone in cure["breaks"]
    ]
    return Verdict("Cure, as the watch counted it", kind, str(cure["text"]), tuple(lines))
