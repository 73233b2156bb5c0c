"""The heating log as a table for a terminal of 100 columns."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from envmon.heating.faults import by_text
from envmon.heating.sentences import (
    degree_day_words,
    fuel_words,
    name_of,
    signature_lines,
    span_words,
    words_of,
)
from envmon.heating.whereto_chart import NAMES, WHERE_WORDS
from envmon.heating.words import UNKNOWN, counted, day_name, number

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from rich.table import Table

    from envmon.heating.words import Words


def print_log(document: Mapping[str, Any], winter_from: int) -> None:
    """Print a log: its days with the sum of each month, its winters, what follows from it.

    Args:
        document: The log's document.
        winter_from: First month of a heating year.
    """
    from rich.console import Console  # noqa: PLC0415 - only this output needs it

    console = Console(highlight=False)
    words = words_of(document)
    console.print(head_line(document, words), markup=False)
    console.print(_days(document, words, console.width))
    console.print()
    console.print(_winters(document, words, winter_from))
    for line in said_lines(document, words):
        console.print(line, markup=False)


def head_line(document: Mapping[str, Any], words: Words) -> str:
    """Return shop, span, and what the numbers rest on."""
    return (
        f"{document['shop']['name']}: heating log, {span_words(document)}\n"
        f"{fuel_words(document)}. {degree_day_words(document, words)}"
    )


def _heads(table: Table, first: str, words: Words) -> None:
    table.add_column(first, no_wrap=True, min_width=11)
    for head, width in zip(heads_of(words), _WIDTHS, strict=True):
        table.add_column(head, justify="right", no_wrap=True, min_width=width)


_WIDTHS = (5, 5, 5, 6, 7, 10, 8)
_DAY_WIDTH = 11 + sum(_WIDTHS) + 3 + 9


def heads_of(words: Words) -> list[str]:
    """Return the heads of a day's numbers, each with its unit in a second line."""
    unit = words.temp_unit
    return [
        f"out\n{unit}", f"low\n{unit}", f"in\n{unit}", "run\nh", "energy\nkWh",
        f"cost\n{words.currency}", f"deg.days\n{words.degree_day_unit}",
    ]  # fmt: skip


def _days(document: Mapping[str, Any], words: Words, width: int) -> Table:
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    table = Table(show_edge=False, pad_edge=False, box=None, padding=(0, 1, 0, 0))
    _heads(table, "day", words)
    table.add_column("w", justify="right", min_width=3)
    rest = max(10, width - _DAY_WIDTH)
    table.add_column("jobs, notes", overflow="ellipsis", no_wrap=True, max_width=rest)
    months = {month["first"][:7]: month for month in document["months"]}
    days, told = document["days"], tells_days(document)
    for place, day in enumerate(days):
        if told:
            *cells, said = day_cells(day, words)
            table.add_row(*(Text(cell) for cell in cells), Text(_short(day, said, rest)))
        month = day["day"][:7]
        if place + 1 == len(days) or days[place + 1]["day"][:7] != month:
            summed = (Text(cell, style="bold") for cell in sum_cells(months[month], words))
            table.add_row(Text(f"{day['day']:.7}", style="bold"), *summed, end_section=True)
    return table


def _short(day: Mapping[str, Any], said: str, room: int) -> str:
    """Return what is said of a day; where that has no room, that it stands below."""
    if len(said) <= room or not (day["faults"] or day["notes"]):
        return said
    jobs = ", ".join(day["jobs"])
    return f"{jobs}, below" if jobs and len(jobs) + 7 <= room else jobs or "see below"


def tells_days(document: Mapping[str, Any]) -> bool:
    """Return whether anything is known of any single day; bills alone tell months only."""
    if any(document["whole"]["known"].values()):
        return True
    return any(
        day["washes"] or day["jobs"] or day["notes"] or day["indoor_mean_c"] is not None
        for day in document["days"]
    )


def day_cells(day: Mapping[str, Any], words: Words) -> Iterator[str]:
    """Yield a day's cells: the day, then those of the heads, washes, and what is to be said."""
    when = date.fromisoformat(day["day"])
    yield f"{day_name(when)}{'*' if day['partial'] else ''}"
    for name in ("outdoor_mean_c", "outdoor_low_c", "indoor_mean_c"):
        yield words.temp(day[name])
    yield marked(number(day["run_h"], 1), day["run_kind"])
    yield marked(number(day["energy_kwh"]), day["energy_kind"])
    yield words.money(day["cost"], currency=False)
    yield words.degree_days(day["degree_days"])
    yield str(day["washes"] or "")
    yield ", ".join([*day["jobs"], *day["notes"], *day["faults"]])


def marked(text: str, kind: str) -> str:
    """Return a number with ``~`` before it where it is inferred."""
    return f"~{text}" if kind == "inferred" and text != UNKNOWN else text


def sum_cells(one: Mapping[str, Any], words: Words) -> Iterator[str]:
    """Yield a sum's cells behind its name."""
    for name in ("outdoor_mean_c", "outdoor_low_c", "indoor_mean_c"):
        yield words.temp(one[name])
    yield number(one["run_h"])
    kwh = one["energy_kwh"] if one["energy_kwh"] is not None else one["billed_kwh"]
    yield number(kwh)
    cost = one["cost"] if one["cost"] is not None else one["billed_cost"]
    yield words.money(cost, currency=False)
    yield words.degree_days(one["degree_days"], 0)
    yield str(one["washes"] or "")
    yield sum_note(one)


def sum_note(one: Mapping[str, Any]) -> str:
    """Return of how many days a sum's energy is, where it is not all."""
    known, days, priced = one["known"]["energy_kwh"], one["days"], one["known"]["cost"]
    if known == 0 and one["billed_kwh"] is not None:
        whole = one["billed_days"] == days
        bills = "by bills" if whole else f"bills {one['billed_days']}/{days} d"
        paid = one["billed_cost_days"]
        return f"{bills}, cost {paid}/{days} d" if 0 < paid < one["billed_days"] else bills
    jobs = counted(one["jobs"], "job") if one["jobs"] else ""
    part = f"energy {known}/{days} d" if known < days else ""
    cost = f"cost {priced}/{days} d" if 0 < priced < known else ""
    return ", ".join(text for text in (jobs, part, cost) if text)


def _winters(document: Mapping[str, Any], words: Words, winter_from: int) -> Table:
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    table = Table(show_edge=False, pad_edge=False, box=None, padding=(0, 1, 0, 0))
    _heads(table, "winter", words)
    table.add_column("w", justify="right", min_width=3)
    table.add_column("", overflow="fold")
    rows = [*document["winters"]]
    if document["before"] is not None:
        rows.append(document["before"]["whole"])
    for one in rows:
        name = name_of(one, winter_from)
        table.add_row(*(Text(cell) for cell in (name, *sum_cells(one, words))))
    return table


def said_lines(document: Mapping[str, Any], words: Words) -> list[str]:
    """Return what follows from a log, what is missing and the cautions, as lines."""
    lines = ["", *signature_lines(document, words)]
    lines += [one["text"] for one in (*document["comparisons"][:1], *document["changes"])]
    lines += _headed("Where the heat went", list(where_lines(document)))
    lines += _headed("Next morning", [one["text"] for one in document["ahead"]])
    lines += _headed("Missing", document["missing"])
    noted = [(date.fromisoformat(day["day"]), day["notes"]) for day in document["days"]]
    lines += _headed("Noted by people", by_text(noted))
    lines += _headed("Notes", document["notes"])
    lines += _headed("Cautions", document["cautions"])
    return lines


def where_lines(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield where the heat of the whole shop went, a line for each part."""
    if not document["where"]:
        return
    one = document["where"][0]
    yield f"heaters gave: {number(one['heat_kwh'])} kWh"
    for part in one["parts"]:
        yield f"{NAMES.get(part['what'], part['what'])}: {part['text']}"
    yield from filter(None, (one["caution"], WHERE_WORDS.partition(";")[0] + "."))


def _headed(title: str, texts: Sequence[str]) -> list[str]:
    return ["", f"{title}:", *(f"- {text}" for text in texts)] if texts else []
