"""What was measured, on the details of a record: numbers of every run, charts, how it is done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.clock import SECOND_US, us_from_iso
from envmon.job.record_chart import chart
from envmon.job.record_html import Html, html_of, row_of, section, small, table_of, tag
from envmon.job.record_verdict import held_word, limit_text
from envmon.job.record_words import (
    amount_text,
    clock_text,
    full_text,
    label_of,
    length_text,
    minutes_text,
    usual_day,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_NUMBERS = ("quantity", "allowed", "min", "mean", "max", "in, min", "out, min", "unknown, min")
_LEGEND = (
    "Line: mean; grey: lowest to highest; white field between dashed lines: allowed. Bar below: "
    "black where it was outside, zigzag where nobody knows."
)


def stages_part(document: Mapping[str, Any]) -> Html:
    """Return the numbers of every run."""
    steps = document["stages"]
    bodies = [
        tag("tbody", *_run_rows(run, steps[run["step"]], document), class_="together")
        for run in document["measured"]["runs"]
    ]
    note = (
        "Time-weighted over values in force; minutes count against the limit itself, without "
        "margin. How to work each number out again from exported readings is said below."
    )
    return section(
        "Stage by stage", tag("p", note, class_="soft"), table_of(_NUMBERS, bodies, "numbers")
    )


def _run_rows(
    run: Mapping[str, Any], step: Mapping[str, Any], document: Mapping[str, Any]
) -> Iterator[Html]:
    zone, day = usual_day(document)
    span = f"{clock_text(run['from'], zone, day)} – {clock_text(run['to'], zone, day)}"
    said = "works towards its limits" if step["goal"] else held_word([run["together"]])[1]
    head = html_of(f"{step['name']}, {span}", small(f"{length_text(run['seconds'])}; {said}"))
    yield tag("tr", tag("td", head, colspan=len(_NUMBERS)), class_="span")
    for row in run["limits"]:
        yield _number_row(row, step, document)


def _number_row(
    row: Mapping[str, Any], step: Mapping[str, Any], document: Mapping[str, Any]
) -> Html:
    units, quantity = document["shop"]["units"], row["quantity"]
    allowed = html_of(limit_text(row, units), small(row["source"]))
    name = html_of(label_of(quantity), small("checked by hand" if row["by_hand"] else ""))
    values = [amount_text(row[key], quantity, units) for key in ("min", "mean", "max")]
    times = [minutes_text(row[key]) for key in ("inside_s", "outside_s", "unknown_s")]
    line = row_of(_NUMBERS, [name, allowed, *values, *times])
    if step["goal"] or not row["excursions"]["count"]:
        return line
    text = _excursions(row, document)
    return html_of(line, tag("tr", tag("td", text, colspan=len(_NUMBERS)), class_="away"))


def _excursions(row: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    zone, day = usual_day(document)
    units, gone = document["shop"]["units"], row["excursions"]
    listed = ", ".join(
        f"{clock_text(each['from'], zone, day)} for {_lasted(each)} "
        f"({amount_text(each['worst'], row['quantity'], units)})"
        for each in gone["longest"]
    )
    more = gone["count"] - len(gone["longest"])
    return f"outside: {listed}{f', and {more} shorter ones' if more else ''}"


def _lasted(each: Mapping[str, Any]) -> str:
    from_us, to_us = (us_from_iso(each[end]) for end in ("from", "to"))
    return length_text((to_us - from_us) / SECOND_US)


def charts_part(document: Mapping[str, Any]) -> Html:
    """Return the charts of coating and cure."""
    zone, units = document["shop"]["timezone"], document["shop"]["units"]
    parts = []
    for data in document["measured"]["charts"]:
        title = {"coating": "Air while coating", "cure": "Cure, from the last levelled panel"}
        span = f"{full_text(data['from'], zone)} to {full_text(data['to'], zone)}"
        parts.append(
            section(
                title.get(data["stage"], data["stage"]),
                tag("p", f"{span}. {_LEGEND}", class_="soft"),
                tag("div", chart(data, zone, units), class_="wide"),
                kind="together",
            )
        )
    return html_of(*parts)


def definition_part(document: Mapping[str, Any]) -> Html:
    """Return how the numbers are worked out."""
    measured = document["measured"]
    points = [
        f"{label_of(name)}: "
        + ", ".join(f"{source['point']} (stale after {source['stale_s']:g} s)" for source in group)
        for name, group in measured["sources"].items()
    ]
    lines = [tag("li", text) for text in measured["definition"]]
    taken = measured["taken_in_until"] or "no reading"
    names = [
        tag("p", "Names are those of the .json of this record. Points: ", "; ".join(points), "."),
        tag("p", f"taken_in_until is {taken}."),
    ]
    return section("How the numbers are worked out", tag("ul", *lines), *names)
