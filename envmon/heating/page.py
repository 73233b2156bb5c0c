"""The heating log as paper: two pages, readable on a screen too, drawn from its document.

It shares frame and look with the condition record and is laid out as PDF the same way.
"""

from __future__ import annotations

from datetime import date
from itertools import accumulate
from typing import TYPE_CHECKING, Any

from envmon.heating.bills_chart import bills_chart, bills_words, told_by_bills
from envmon.heating.calendar_chart import calendar_chart
from envmon.heating.charts import days_chart, has_points, months_chart, signature_chart
from envmon.heating.draw import PAPER
from envmon.heating.sentences import (
    degree_day_words,
    fuel_words,
    numbers_of,
    signature_lines,
    span_words,
    words_of,
)
from envmon.heating.whereto_chart import WHERE_WORDS, where_chart
from envmon.heating.words import month_name, number
from envmon.job.record_html import Html, html_of, section, table, tag
from envmon.job.record_look import FRAME, LOOK

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from envmon.heating.draw import Room
    from envmon.heating.words import Words

_MORE = """
.big { display: grid; grid-template-columns: repeat(4, 1fr); gap: 10px 22px; margin: 0 0 6px; }
.big dt { font-size: .87em; color: var(--soft); }
.big dd { margin: 0; font-size: 25px; font-weight: 700; line-height: 1.1; }
.big small { font-size: 13px; font-weight: 400; line-height: 1.3; }
.sums td:not(:first-child):not(:last-child), .sums th:not(:first-child):not(:last-child) {
  text-align: right; white-space: nowrap; }
.sums tr.all td { border-top: 1.5px solid var(--ink); font-weight: 600; }
.two { display: grid; grid-template-columns: 1fr 1fr; gap: 22px; }
.two h2, .details > section:first-child h2 { margin-top: 0; }
.safe { margin-top: 12px; padding: 8px 14px; border: 2px solid var(--ink); }
.safe h2 { margin: 0 0 4px; }
@media screen and (max-width: 640px) { .big { grid-template-columns: 1fr 1fr; }
  .two { grid-template-columns: 1fr; } }
@media print { .big dd { font-size: 15pt; }
  .big small { font-size: 8pt; } .two { gap: 14pt; } .chart { margin: 0 0 4pt; }
  .safe { padding: 5pt 9pt; margin-top: 8pt; } li { margin: 0; } ul { padding-left: 12pt; }
  .details { font-size: 8.5pt; } }
"""
MOST_LINES, LINE = 6, 110
"""Lines of what is missing on the second page, and letters of one."""
MOST_SAID = 8
"""More sentences of a kind would leave the second page; JSON and table have all."""


def page(document: Mapping[str, Any]) -> str:
    """Return a log as HTML that needs nothing else.

    Args:
        document: The log's document.
    """
    words = words_of(document)
    front = tag("main", *_front(document, words), class_="front")
    back = tag("div", *_back(document, words), class_="details")
    foot = f"{document['shop']['name']} · heating log"
    # CSS has a string of its own: what could end it is taken out, markup cannot leave <style>.
    safe = "".join(c for c in foot if c.isalnum() or c in " ·.,-&'()")
    look = LOOK.replace("FOOT", safe).replace("DIGEST", "") + _MORE
    return FRAME.format(title=html_of("Heating log"), look=look, body=html_of(front, back))


def _front(document: Mapping[str, Any], words: Words) -> Iterator[Html]:
    shop = document["shop"]["name"]
    yield tag("p", tag("b", shop), tag("span", "Heating log"), class_="brand")
    yield tag("h1", span_words(document))
    yield _big(document, words)
    yield from _course(document, words)
    yield section("Month by month", _months(document, words))
    yield tag("p", fuel_words(document), ". ", degree_day_words(document, words), class_="soft")
    yield section("What this says", _list(_said(document, words)))
    if document["comparisons"][1:]:
        named = [f"{one['what']}: {one['text']}" for one in document["comparisons"][1:]]
        yield section("Each month in the same weather", _list(named))


def _course(document: Mapping[str, Any], words: Words) -> Iterator[Html]:
    """Yield the days as a drawing; the bills where nothing is known of a day's energy."""
    if told_by_bills(document):
        drawn = bills_chart(document, words, PAPER._replace(height=225))
        yield section("Bill by bill", drawn, tag("p", bills_words(document), class_="soft"))
    known = document["whole"]["known"]
    if known["energy_kwh"] or (known["outdoor_mean_c"] and not told_by_bills(document)):
        yield section("Day by day", days_chart(document, words, PAPER._replace(height=225)))


def _said(document: Mapping[str, Any], words: Words) -> list[str]:
    said = [one["text"] for one in document["comparisons"][:1]]
    return [*said, *signature_lines(document, words), *(c["text"] for c in document["changes"])]


def _big(document: Mapping[str, Any], words: Words) -> Html:
    """Return the winter in eight numbers."""
    pairs = [
        tag("div", tag("dt", one.what), tag("dd", one.value, tag("small", one.under)))
        for one in numbers_of(document, words)
    ]
    return tag("dl", *pairs, class_="big")


_HEADS = ("month", "out", "low", "in", "run h", "fuel", "energy kWh", "cost", "degree days",
          "kWh each", "washes", "")  # fmt: skip


def _months(document: Mapping[str, Any], words: Words) -> Html:
    unit = words.fuel_unit(document["fuel"]["unit"])
    heads = [head if head != "fuel" else f"fuel {unit}".strip() for head in _HEADS]
    rows = [_month(one, month_name(date.fromisoformat(one["first"])), document, words)
            for one in document["months"]]  # fmt: skip
    rows.append(_month(document["whole"], "all", document, words))
    return table(heads, rows, "sums")


def _month(
    one: Mapping[str, Any], name: str, document: Mapping[str, Any], words: Words
) -> list[object]:
    kwh = one["energy_kwh"] if one["energy_kwh"] is not None else one["billed_kwh"]
    cost = one["cost"] if one["cost"] is not None else one["billed_cost"]
    return [
        tag("b", name) if name == "all" else name,
        words.temp(one["outdoor_mean_c"]),
        words.temp(one["outdoor_low_c"]),
        words.temp(one["indoor_mean_c"]),
        number(one["run_h"]),
        words.fuel(one["fuel"], document["fuel"]["unit"]),
        number(kwh),
        words.money(cost, currency=False),
        words.degree_days(one["degree_days"], 0),
        words.per_degree_day(one["kwh_per_degree_day"]),
        one["washes"] or "",
        _part(one),
    ]


def _part(one: Mapping[str, Any]) -> str:
    known, days = one["known"]["energy_kwh"], one["days"]
    if known == 0 and one["billed_days"]:
        return "bills" if one["billed_days"] == days else f"{one['billed_days']}/{days} d"
    return f"{known}/{days} d" if known < days else ""


def _back(document: Mapping[str, Any], words: Words) -> Iterator[Html]:
    if document["whole"]["known"]["energy_kwh"]:
        yield section("The winter as a calendar", calendar_chart(document, words, PAPER))
    half = PAPER._replace(width=335, height=230)
    was = " Hollow: the one before." if document["before"] is not None else ""
    named = tag("p", f"Filled: this winter.{was}", class_="soft")
    months = section("Month against month", months_chart(document, half), named)
    yield tag("div", _against_outdoors(document, words, half), months, class_="two")
    if document["where"]:
        yield _where(document)
    if document["missing"] or document["notes"]:
        texts = [*document["missing"], *document["notes"]]
        yield section("What is missing", _list(texts, _that_fit(texts)))
    yield tag("section", tag("h2", "Heat and safety"), _list(document["cautions"]), class_="safe")


def _against_outdoors(document: Mapping[str, Any], words: Words, room: Room) -> Html:
    """Return energy against the outdoors, or why there is nothing to draw."""
    what = "Energy against the outdoors"
    if not has_points(document):
        return section(what, tag("p", f"Not drawn: {document['why_no_signature']}.", class_="soft"))
    was = "" if document["before"] is None else " Hollow and dashed: the winter before."
    one = "bill" if told_by_bills(document) else "day"
    said = f"A dot is a {one}.{_light(document)}{was}"
    return section(what, signature_chart(document, words, room), tag("p", said, class_="soft"))


def _light(document: Mapping[str, Any]) -> str:
    return " Light: before the last change." if document["sides"] else ""


def _where(document: Mapping[str, Any]) -> Html:
    """Return where the heat went, of the whole shop, and what that rests on."""
    one = document["where"][0]
    rests = dict.fromkeys(part["rests"] for part in one["parts"] if part["what"] != "rest")
    said = f"{WHERE_WORDS} They rest on: {'; '.join(rests)}."
    said = f"{one['caution']} {said}".strip()
    return section("Where the heat went", where_chart(one, PAPER), tag("p", said, class_="soft"))


def _that_fit(texts: Sequence[str]) -> int:
    """Return how many of the first texts fit into the lines that the second page has for them."""
    lines = accumulate(-(-len(text) // LINE) for text in texts)
    return sum(line <= MOST_LINES for line in lines)


def _list(texts: Sequence[str], most: int = MOST_SAID) -> Html:
    shown = [tag("li", text) for text in texts[:most]]
    if len(texts) > most:
        shown.append(tag("li", f"and {len(texts) - most} more, in envmon heating"))
    return tag("ul", *shown)
