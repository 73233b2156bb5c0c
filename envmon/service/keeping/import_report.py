"""What a person sees of an import: progress, counts, and why rows were refused."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from types import TracebackType
    from typing import TextIO

    from rich.progress import Progress

    from envmon.service.keeping.import_judge import Judged, Part

LINES_SHOWN = 5
MOST_REASONS = 100
"""So many reasons are told apart; a bad file may bring a new one with every row."""
OTHER = "further reasons"
_TEXT_KEPT = 500


@dataclass(slots=True)
class Reason:
    """How often a reason came, and the first lines it came on."""

    count: int = 0
    lines: list[int] = field(default_factory=list)


@dataclass(slots=True)
class Tally:
    """What an import has done so far.

    Attributes:
        new: Readings the store had not.
        there: Readings already there, in the store or earlier in the file.
        refused: Rows refused.
        from_us: Own time of the earliest reading that was new, or about [µs].
        to_us: Own time of the latest [µs].
        reasons: Why rows were refused.
    """

    new: int = 0
    there: int = 0
    refused: int = 0
    from_us: int = 2**62
    to_us: int = -(2**62)
    reasons: dict[str, Reason] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Rows dealt with."""
        return self.new + self.there + self.refused

    def refuse(self, lines: Sequence[int], texts: Sequence[str]) -> None:
        """Count refused rows by their reasons."""
        self.refused += len(lines)
        for line, text in zip(lines, texts, strict=True):
            known = text in self.reasons or len(self.reasons) < MOST_REASONS
            reason = self.reasons.setdefault(text if known else OTHER, Reason())
            reason.count += 1
            if len(reason.lines) < LINES_SHOWN:
                reason.lines.append(line)

    def reason_lines(self, unit: str) -> list[str]:
        """Return a line for each reason, the most frequent first."""
        ranked = sorted(self.reasons.items(), key=lambda entry: -entry[1].count)
        return [f"  {grouped(r.count)} × {text} ({_places(r, unit)})" for text, r in ranked]


def _places(reason: Reason, unit: str) -> str:
    more = ", …" if reason.count > len(reason.lines) else ""
    plural = "s" if reason.count > 1 else ""
    return f"{unit}{plural} {', '.join(map(str, reason.lines))}{more}"


def grouped(number: float) -> str:
    """Return a whole number with its thousands apart: ``1 234 567``."""
    return f"{number:,.0f}".replace(",", " ")


@dataclass(slots=True)
class Outcome:
    """How an import ended.

    Attributes:
        tally: Counts and reasons.
        seconds: How long it took [s].
        unit: What the numbers of refused rows count: ``line`` or ``row``.
        rejected: File with the refused rows, None without any or where none could be written.
        trouble: What ended it early, else empty.
        stopped: The person ended it.
        moved: Readings moved to the archive; None when the keeper has that to do.
    """

    tally: Tally = field(default_factory=Tally)
    seconds: float = 0.0
    unit: str = "line"
    rejected: Path | None = None
    trouble: str = ""
    stopped: bool = False
    moved: int | None = None

    @property
    def exit_code(self) -> int:
        """0 done; 1 nothing could be imported, or the person ended it; 2 it could not be done."""
        if self.trouble:
            return 2
        return 1 if self.stopped or not self.tally.new + self.tally.there else 0


class RefusedFile:
    """Every refused row with its reason, in a file made when the first one comes.

    Args:
        source: The file being imported; the new one comes beside it.
        fallback: Folder to use where nothing can be written beside it.
        header: Header of the source.
    """

    def __init__(self, source: Path, fallback: Path, header: str) -> None:
        self._folders = (source.parent, fallback)
        self._name, self._header = source.name, header
        self._handle: TextIO | None = None
        self.path: Path | None = None

    def write(self, part: Part, judged: Judged, unit: str) -> None:
        """Add the refused rows of a part.

        Raises:
            OSError: No folder takes the file.
        """
        if self._handle is None:
            self._handle = self._opened()
            self._handle.write(f"{self._header},reason\n")
        places = judged.refused.tolist()
        for place, text, why in zip(places, part.texts(places), judged.why.tolist(), strict=True):
            reason = judged.reasons[why].replace('"', '""')
            line = int(part.given.line[place])
            shown = text.rstrip("\r")[:_TEXT_KEPT]
            self._handle.write(f'{shown},"{unit} {line}: {reason}"\n')

    def _opened(self) -> TextIO:
        trouble: OSError | None = None
        for folder in self._folders:
            for number in range(1, 1_000):
                mark = "" if number == 1 else f"-{number}"
                self.path = folder / f"{self._name}.rejected{mark}.csv"
                try:
                    return self.path.open("x", encoding="utf-8")
                except FileExistsError:
                    continue
                except OSError as error:
                    trouble = error
                    break
        self.path = None
        raise trouble or FileExistsError("a thousand files of rejected rows are there already")

    def close(self) -> None:
        """Write out what is left."""
        if self._handle is not None:
            self._handle.close()
            self._handle = None


class ProgressLine:
    """A progress bar on stderr where somebody can see one, else nothing.

    Args:
        what: What is being done.
        total: What ``update`` counts up to.
    """

    def __init__(self, what: str, total: int) -> None:
        self._what, self._total = what, total
        self._progress: Progress | None = None

    def __enter__(self) -> Self:
        if sys.stderr.isatty():
            self._progress = _bar()
            self._progress.add_task(self._what, total=self._total, rows="", rate="")
            self._progress.start()
        return self

    def update(self, done: int, rows: int = 0) -> None:
        """Show how much of the total is done, and how many rows."""
        if self._progress is not None:
            task = self._progress.tasks[0]
            rate = f"{grouped(rows / task.elapsed)}/s" if rows and task.elapsed else ""
            count = f"{grouped(rows)} rows" if rows else ""
            self._progress.update(task.id, completed=done, rows=count, rate=rate)

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        if self._progress is not None:
            self._progress.stop()


def _bar() -> Progress:
    from rich.console import Console  # noqa: PLC0415 - only a terminal needs it
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn  # noqa: PLC0415

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} % {task.fields[rows]} {task.fields[rate]}"),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=Console(stderr=True),
        transient=True,
    )


def outcome_lines(outcome: Outcome) -> list[str]:
    """Return what a person is told at the end."""
    tally = outcome.tally
    see = f" (see {outcome.rejected})" if outcome.rejected else ""
    rate = grouped(tally.rows / outcome.seconds) if outcome.seconds else "?"
    counts = (
        f"imported {grouped(tally.new)} new, {grouped(tally.there)} already there, "
        f"{grouped(tally.refused)} rejected{see}"
    )
    lines = [f"{counts} in {outcome.seconds:.1f} s, {rate} rows/s"]
    lines += tally.reason_lines(outcome.unit)
    if not tally.rows and not outcome.trouble:
        lines.append("the file has no rows")
    if outcome.stopped:
        lines.append("stopped; what was imported stays, and a second run passes over it")
    elif outcome.trouble:
        lines.append(f"ended early: {outcome.trouble}; what was imported stays")
    elif outcome.moved:
        lines.append(f"moved {grouped(outcome.moved)} readings of closed days to the archive")
    elif outcome.moved is None and tally.new:
        lines.append("readings of closed days move to the archive at the keeper's next turn")
    return lines
