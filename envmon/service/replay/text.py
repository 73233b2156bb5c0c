"""A replay's answer in the terminal: a strip for each day, totals, alarms."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from envmon.service.replay.alarms import only_in
from envmon.service.replay.cells import cells
from envmon.service.replay.timeline import FITNESS, gained_and_lost_us
from envmon.service.replay.words import (
    alarm_title,
    change_text,
    charted,
    clock_text,
    counted,
    length_text,
    nothing_line,
    same_lines,
    span_line,
    stretch_text,
    title_of,
)
from envmon.service.span import local_from_us

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    from envmon.service.replay.alarms import Alarm
    from envmon.service.replay.command import Answer
    from envmon.service.replay.judged import Judged, StageDay
    from envmon.service.replay.timeline import StageKey, Stretch

MARKS = ("█", "▒", "·", "?", " ")
COLOURS = ("green", "yellow", "red", "magenta", "default")
CELL_MIN = 30
ALARMS_SHOWN = 30
BAR_AFTER_S = 1.0
_LABEL = 11


class Bar:
    """A bar on stderr while a replay goes on, for a person and when it takes long only."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._bar: Progress | None = None
        self._readings = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, share: float, readings: int) -> None:
        """Show which share is done, and that so many more readings were taken in."""
        self._readings += readings
        took_s = time.monotonic() - self._began
        if self._bar is None and took_s > BAR_AFTER_S and sys.stderr.isatty():
            columns = TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn()
            self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
            self._bar.add_task("", total=1.0)
            self._bar.start()
        if self._bar is not None:
            text = f"{self._readings / took_s:,.0f} readings/s".replace(",", " ")
            self._bar.update(self._bar.task_ids[0], completed=share, description=text)


def print_answer(answer: Answer, stages: Sequence[str], console: Console | None = None) -> None:
    """Print what a replay says.

    Args:
        answer: The answer.
        stages: Stages asked for; empty draws coating and lists all.
        console: Where to; stdout by default.
    """
    out = console or Console(highlight=False)
    out.print(f"\n{answer.shop.shop.name}", style="bold", markup=False)
    out.print(span_line(answer), markup=False)
    if answer.own is None:
        out.print(nothing_line(answer), markup=False)
        return
    readings = f"{answer.readings:,}".replace(",", " ")
    out.print(" ".join([f"{readings} readings.", *same_lines(answer)[:1]]), markup=False)
    for line in same_lines(answer)[1:]:
        out.print(line, markup=False)
    for key in charted(answer.own, stages):
        _print_strips(out, answer, answer.own, key)
    out.print(_legend())
    if not stages:
        _print_totals(out, answer, answer.own)
    _print_alarms(out, answer, answer.own)
    if answer.other is not None:
        _print_changes(out, answer, answer.own, answer.other)


def _print_strips(out: Console, answer: Answer, own: Judged, key: StageKey) -> None:
    out.print(f"\n{title_of(own.plan, key)}", style="bold", markup=False)
    for part, name in ((own, "these limits"), (answer.other, "other limits")):
        if part is not None:
            lead = f"{name}: " if answer.other else ""
            days = [day for day in part.days if (day.bay, day.stage) == key]
            fit = length_text(sum(day.spent_us[0] for day in days))
            longest = stretch_text(part.longest[key], answer.zone)
            out.print(f"{lead}fit {fit} of {_whole(days)}; longest {longest}", markup=False)
    hours = "".join(f"{hour:<6}" for hour in range(0, 24, 3))
    out.print(f"{'':{_LABEL}}{hours}24   fit  longest", style="dim", markup=False)
    for day in own.days:
        if (day.bay, day.stage) == key:
            out.print(_strip(own, day, answer.zone, f"{day.day:%a %d %b}"), overflow="crop")
            if answer.other is not None:
                beside = next(d for d in answer.other.days if d[:3] == day[:3])
                out.print(_strip(answer.other, beside, answer.zone, "  other"), overflow="crop")


def _whole(days: Sequence[StageDay]) -> str:
    return length_text(sum(sum(day.spent_us) for day in days))


def _strip(judged: Judged, day: StageDay, zone: str, label: str) -> Text:
    """Return a day's line: its cells, how long it was fit, and its longest stretch."""
    line = Text(f"{label:<{_LABEL}}", no_wrap=True)
    for code in cells(judged.timelines[day.bay, day.stage], day.day, CELL_MIN, zone):
        line.append(MARKS[code], style=COLOURS[code])
    line.append(f"{length_text(day.spent_us[0]):>8} ")
    if day.longest is not None:
        start, end = day.longest
        line.append(f"{clock_text(start, zone)}–{clock_text(end, zone, is_end=True)}", style="dim")
    return line


def _legend() -> Text:
    legend = Text("\n")
    for name, mark, colour in zip(FITNESS, MARKS, COLOURS, strict=False):
        legend.append(mark, style=colour)
        legend.append(f" {name}   ")
    return legend.append("one mark is 30 min, as most of it", style="dim")


def _print_totals(out: Console, answer: Answer, own: Judged) -> None:
    for bay in own.plan.bays.values():
        table = Table(box=None, padding=(0, 2, 0, 0))
        for title in (bay.name, *FITNESS):
            table.add_column(title, justify="left" if title == bay.name else "right")
        table.add_column("longest fit")
        for stage in bay.stages:
            spent = [d.spent_us for d in own.days if (d.bay, d.stage) == (bay.id, stage.id)]
            total = [length_text(sum(row[place] for row in spent)) for place in range(len(FITNESS))]
            table.add_row(stage.name, *total, _short(own.longest[bay.id, stage.id], answer.zone))
        out.print()
        out.print(table)


def _short(stretch: Stretch | None, zone: str) -> str:
    if stretch is None:
        return "–"
    length = length_text(stretch.to_us - stretch.from_us)
    return f"{local_from_us(stretch.from_us, zone):%d %b %H:%M}, {length}"


def _print_alarms(out: Console, answer: Answer, own: Judged) -> None:
    count = len(own.alarms)
    out.print(f"\n{counted(count)}", style="bold", markup=False)
    for alarm in own.alarms[:ALARMS_SHOWN]:
        out.print(_alarm_line(own, alarm, answer), markup=False)
    if count > ALARMS_SHOWN:
        out.print(f"and {count - ALARMS_SHOWN} more; --json has all", markup=False)


def _alarm_line(judged: Judged, alarm: Alarm, answer: Answer) -> str:
    title = alarm_title(judged.plan, alarm)
    raised = f"{local_from_us(alarm.raised_us, answer.zone):%a %d %b %H:%M}"
    length = length_text(round(alarm.minutes(answer.to_us) * 60e6))
    until = "" if alarm.cleared_us is not None else ", not cleared"
    return f"{raised}  {title}, {length}{until}"


def _print_changes(out: Console, answer: Answer, own: Judged, other: Judged) -> None:
    out.print("\nWhat the other limits would have done", style="bold", markup=False)
    span = answer.from_us, answer.to_us
    for key, line in own.timelines.items():
        gained, lost = gained_and_lost_us(line, other.timelines[key], *span)
        if gained or lost:
            text = change_text(gained, lost)
            out.print(f"{title_of(own.plan, key)}: {text}", markup=False)
    for name, one, two in (
        ("would not have come", own, other),
        ("would have come too", other, own),
    ):
        alarms = only_in(one.alarms, two.alarms)
        out.print(f"{counted(len(alarms))} {name}", markup=False)
        for alarm in alarms[:ALARMS_SHOWN]:
            out.print(f"  {_alarm_line(one, alarm, answer)}", markup=False)
