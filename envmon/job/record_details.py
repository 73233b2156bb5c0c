"""The details of a record: everything behind its front sheet, as HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.job.record_figures import charts_part, definition_part, stages_part
from envmon.job.record_html import Html, html_of, section, small, table, tag
from envmon.job.record_numbers import iso_us
from envmon.job.record_timeline import timeline
from envmon.job.record_words import (
    UNKNOWN,
    clock_span_text,
    clock_text,
    label_of,
    usual_day,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

_PANELS = ("panel", "applied", "levelled", "wait", "window", "factor", "wiped", "inspected", "why")
_STANDING = {
    "none": "never checked", "shop_file": "as in the shop file", "valid": "in date",
    "undated": "no date for the next check", "overdue": "OVERDUE",
}  # fmt: skip


def details(document: Mapping[str, Any]) -> Html:
    """Return the details of a record."""
    parts = [
        stages_part(document),
        charts_part(document),
        _panels(document),
        _overrides(document),
        _alarms(document),
        _notes("Notes", document["notes"], document),
        _notes("Mixing", document["mixing"], document),
        _timeline(document),
        _products(document),
        _sensors(document),
        _cautions(document),
        definition_part(document),
        _chain(document),
    ]
    return tag("main", *parts, class_="details", id="details")


def _panels(document: Mapping[str, Any]) -> Html:
    zone, day = usual_day(document)
    if not any(row["applied"] for row in document["panels"]):
        return Html("")
    rows = [_panel_cells(row, zone, day) for row in document["panels"]]
    note = (
        "Wait and window in minutes and seconds from applying; factor is the window over the "
        "sheet's, for the panel and the air when it was applied. A clock helps, the eye decides."
    )
    return section("Panels", tag("p", note, class_="soft"), table(_PANELS, rows, "panels"))


def _panel_cells(row: Mapping[str, Any], zone: str, day: str) -> tuple[object, ...]:
    flash = row["flash"]
    times = [clock_text(row[step], zone, day) for step in ("applied", "levelled", "wiped")]
    looked = clock_text(row["inspected"], zone, day)
    result = {"high_spot": "high spot", "clean": "clean"}.get(row["result"], row["result"])
    looked = f"{looked} {result}" if row["inspected"] else looked
    wait = html_of(clock_span_text(row["wait_s"]), small(_in_time(row)))
    if flash is None:
        return row["name"], *times[:2], wait, UNKNOWN, UNKNOWN, times[2], looked, ""
    window = f"{clock_span_text(flash['from_s'])}–{clock_span_text(flash['to_s'])}"
    why = "; ".join([*flash["why"], *([flash["outside_sheet"]] if flash["outside_sheet"] else [])])
    factor = f"{flash['factor']:.2f}"
    return row["name"], *times[:2], wait, window, factor, times[2], looked, small(why)


def _in_time(row: Mapping[str, Any]) -> str:
    flash, wait_s = row["flash"], row["wait_s"]
    if flash is None or wait_s is None:
        return ""
    if wait_s < flash["from_s"]:
        return f"{clock_span_text(flash['from_s'] - wait_s)} early"
    return f"{clock_span_text(wait_s - flash['to_s'])} late" if wait_s > flash["to_s"] else ""


def _by(who: str) -> Html:
    return tag("span", who or UNKNOWN, class_="by")


def _overrides(document: Mapping[str, Any]) -> Html:
    zone, day = usual_day(document)
    names = {step["stage"]: step["name"] for step in document["stages"]}
    rows = [
        (
            clock_text(row["at"], zone, day),
            f"{names.get(row['stage'], row['stage'])} {row['what']}".strip(),
            "; ".join(row["against"]) or UNKNOWN,
            row["reason"],
            _by(row["by"]),
        )
        for row in document["overrides"]
    ]
    heads = ("when", "what", "against", "reason given", "by")
    return _or_none("Started against a guard, or left out", heads, rows, "Nothing.")


def _alarms(document: Mapping[str, Any]) -> Html:
    zone, day = usual_day(document)
    rows = [
        (
            clock_text(row["raised"], zone, day),
            _ended(row, zone, day),
            html_of(row["name"], small(row["priority"])),
            row["text"],
            f"{clock_text(row['acknowledged'], zone, day)} {row['by']}".strip(),
        )
        for row in document["alarms"]
    ]
    heads = ("raised", "over", "alarm", "what it said", "acknowledged")
    return _or_none("Alarms during the job", heads, rows, "None.", "alarms")


def _ended(row: Mapping[str, Any], zone: str, day: str) -> str:
    if row["ended"] is None:
        return "still stood"
    end = "" if row["end"] == "over" else f", {row['end']}"
    return f"{clock_text(row['ended'], zone, day)}{end}"


def _or_none(
    title: str,
    heads: tuple[str, ...],
    rows: Sequence[tuple[object, ...]],
    none: str,
    kind: str = "time",
) -> Html:
    return section(title, table(heads, rows, kind) if rows else tag("p", none))


def _notes(title: str, notes: Iterable[Mapping[str, Any]], document: Mapping[str, Any]) -> Html:
    zone, day = usual_day(document)
    rows = [(clock_text(note["at"], zone, day), note["text"], _by(note["by"])) for note in notes]
    return _or_none(title, ("when", "note", "by"), rows, "None.") if rows else Html("")


def _timeline(document: Mapping[str, Any]) -> Html:
    zone, day = usual_day(document)
    rows = [
        (clock_text(line.at, zone, day), line.text, _by(line.by)) for line in timeline(document)
    ]
    return section("Timeline", table(("when", "what", "by"), rows, "time"))


def _products(document: Mapping[str, Any]) -> Html:
    rows = [
        (
            html_of(row["name"], small(f"batch {row['batch']}" if row["batch"] else "")),
            ", ".join(row["stages"]) or UNKNOWN,
            html_of(row["source"], small(f"sheet of {row['sheet']}")),
        )
        for row in document["products"]
    ]
    heads = ("product", "used in", "sheet in force")
    return _or_none("Products and sheets", heads, rows, "None named.")


def _sensors(document: Mapping[str, Any]) -> Html:
    rows = [
        (
            row["point"],
            label_of(row["quantity"]),
            _STANDING.get(row["standing"], row["standing"]),
            html_of(
                f"× {row['gain']:.4f} {'−' if row['offset'] < 0 else '+'} {abs(row['offset']):.3f}",
            ),
            row["checked"] or UNKNOWN,
            row["due"] or UNKNOWN,
            row["reference"] or UNKNOWN,
        )
        for row in document["sensors"]
    ]
    heads = ("point", "quantity", "calibration", "line", "checked", "next check", "held to")
    return _or_none("Sensors behind these numbers", heads, rows, "None.")


def _cautions(document: Mapping[str, Any]) -> Html:
    if not document["cautions"]:
        return Html("")
    said = "Of the steps worked; the safety data sheet and local codes go first."
    lines = [tag("li", text) for text in document["cautions"]]
    return section("Cautions", tag("p", said, class_="soft"), tag("ul", *lines))


def _chain(document: Mapping[str, Any]) -> Html:
    zone, day = usual_day(document)
    chain = document["chain"]
    own = chain["events"]
    ends = {row["seq"]: row for row in (own[0], own[-1])}
    rows = [
        (
            row["seq"],
            clock_text(iso_us(row["at_us"]), zone, day),
            row["kind"].replace("_", " "),
            tag("code", row["hash"]),
        )
        for row in ends.values()
    ]
    head = chain["head"]
    rows.append((head["seq"], "", "head of the chain", tag("code", head["hash"])))
    note = (
        f"The .json of this record holds {len(own)} entries of the chain: all there are of this "
        f"job, and of alarms meanwhile. Of {len(chain['others'])} entries of others between them "
        "it holds the hash alone. Each hash is SHA-256 over the one before it and the entry's own "
        "content."
    )
    heads = ("entry", "when", "what", "hash")
    return section("Proof", tag("p", note), table(heads, rows, "chain"), kind="together")
