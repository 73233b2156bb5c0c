"""What the winter board shows, ready to be put on a screen: words, drawings and the day table."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from envmon.heating.bills_chart import bills_chart, bills_words, told_by_bills
from envmon.heating.calendar_chart import calendar_chart
from envmon.heating.charts import days_chart, has_points, months_chart, signature_chart
from envmon.heating.draw import Room
from envmon.heating.sentences import (
    degree_day_words,
    fuel_words,
    numbers_of,
    signature_lines,
    span_words,
    words_of,
)
from envmon.heating.whereto_chart import WHERE_WORDS, where_chart
from envmon.heating.words import about, counted, month_name
from envmon.service.heating.table import day_cells, heads_of, sum_cells

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from envmon.heating.words import Words

ROOMS = {
    "wide": {"calendar": Room(900, 0, 19), "days": Room(1_836, 300, 19),
             "signature": Room(900, 520, 20), "months": Room(900, 480, 20),
             "where": Room(900, 0, 22)},
    "phone": {"calendar": Room(350, 0, 14), "days": Room(350, 230, 13),
              "signature": Room(350, 270, 13), "months": Room(350, 230, 13),
              "where": Room(350, 0, 13)},
}  # fmt: skip
"""Drawings for a wall and for a hand; a drawing is shown at its own size or a little larger."""


MOST_SAID = 40
MOST_ANSWERED = 6
"""More would push the drawing of the days off the first screen; the terminal has all."""


def view_of(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the board shows of a log's document."""
    words = words_of(document)
    cost, same, others = _numbers(document, words)
    return {
        "span": span_words(document),
        "cost": cost,
        "same": same,
        "numbers": others,
        "by_month": {"heads": ["month", "energy kWh", f"cost {words.currency}"],
                  "rows": list(_by_month(document, words))},
        "say": first_of(list(_said(document, words)), MOST_ANSWERED),
        "ahead": list(_to_do(document)),
        "each": [f"{one['what']}: {one['text']}" for one in document["comparisons"][1:]],
        "missing": first_of(document["missing"]),
        "notes": first_of(document["notes"]),
        "captions": _captions(document),
        "cautions": document["cautions"],
        "rests": [fuel_words(document), degree_day_words(document, words), *_where_rests(document)],
        "drawings": {
            size: {name: str(drawn) for name, drawn in _drawings(document, words, rooms)}
            for size, rooms in ROOMS.items()
        },
        "table": {"heads": ["day", *heads_of(words), "washes", "jobs, notes"],
                  "rows": list(_rows(document, words))},
    }  # fmt: skip


def _numbers(
    document: Mapping[str, Any], words: Words
) -> tuple[dict[str, str], dict[str, str], list[dict[str, str]]]:
    """Return cost and the comparison, which stand large, and the numbers beside them."""
    energy, cost, *others, same = (one._asdict() for one in numbers_of(document, words))
    return cost, same, [energy, *others]


def _by_month(document: Mapping[str, Any], words: Words) -> Iterator[list[str]]:
    """Yield what each month took and cost."""
    for one in document["months"]:
        _, _, _, _, kwh, cost, *_ = sum_cells(one, words)
        yield [month_name(date.fromisoformat(one["first"])), kwh, cost]


def _to_do(document: Mapping[str, Any]) -> Iterator[str]:
    yield from (one["text"] for one in document["ahead"])
    lacks = len(document["missing"])
    if lacks:
        yield f"See what is missing: {counted(lacks, 'thing')}, and what would help."


def _captions(document: Mapping[str, Any]) -> dict[str, str]:
    """Return what stands under drawings; nothing of a winter before that is not drawn."""
    was = document["before"] is not None
    light = " Light: before the last change." if document.get("sides") else ""
    dot = "bill" if told_by_bills(document) else "day"
    return {
        "billed": bills_words(document),
        "signature": f"A dot is a {dot}.{light}{' Hollow and dashed: the winter before.' * was}",
        "months": f"Filled: this winter.{' Hollow: the one before.' * was}",
        "where": WHERE_WORDS,
    }


def first_of(texts: list[str], most: int = MOST_SAID) -> list[str]:
    """Return the first texts, and how many more there are."""
    more = len(texts) - most
    return texts if more <= 0 else [*texts[:most], f"and {more} more: envmon heating"]


def _said(document: Mapping[str, Any], words: Words) -> Iterator[str]:
    for one in document["comparisons"][:1]:
        yield one["text"]
    for change in document["changes"]:
        yield change["text"]
    yield from signature_lines(document, words)
    opened = document["openings"]
    if opened["kwh"] is not None:
        cost = "" if opened["cost"] is None else f", {words.about_money(opened['cost'])}"
        yield (
            f"Open doors: {counted(opened['count'], 'time')}, {opened['hours']:.0f} h, about "
            f"{about(opened['kwh'])} kWh{cost} (estimate)."
        )


def _where_rests(document: Mapping[str, Any]) -> Iterator[str]:
    if document["where"]:
        parts = document["where"][0]["parts"]
        rests = dict.fromkeys(part["rests"] for part in parts if part["what"] != "rest")
        yield f"Where the heat went is an estimate; it rests on: {'; '.join(rests)}."
        yield from filter(None, (document["where"][0]["caution"],))


def _drawings(
    document: Mapping[str, Any], words: Words, rooms: Mapping[str, Room]
) -> Iterator[tuple[str, str]]:
    known = document["whole"]["known"]
    if told_by_bills(document):
        yield "billed", bills_chart(document, words, rooms["days"])
    elif known["energy_kwh"] or known["outdoor_mean_c"]:
        yield "days", days_chart(document, words, rooms["days"])
    if known["energy_kwh"]:
        yield "calendar", calendar_chart(document, words, rooms["calendar"])
    if has_points(document):
        yield "signature", signature_chart(document, words, rooms["signature"])
    yield "months", months_chart(document, rooms["months"])
    if document["where"]:
        yield "where", where_chart(document["where"][0], rooms["where"])


def _rows(document: Mapping[str, Any], words: Words) -> Iterator[dict[str, Any]]:
    """Yield a row for each day and for each month, the newest first."""
    months = {month["first"][:7]: month for month in document["months"]}
    month = ""
    for day in reversed(document["days"]):
        if day["day"][:7] != month:
            month = day["day"][:7]
            one = months[month]
            name = month_name(date.fromisoformat(one["first"]))
            yield {"cells": [name, *sum_cells(one, words)], "kind": "month", "month": month}
        kind = "partial" if day["partial"] else "day"
        yield {"cells": list(day_cells(day, words)), "kind": kind, "month": month}
