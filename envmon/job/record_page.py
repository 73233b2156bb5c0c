"""The record as one HTML page that needs nothing else: a front sheet, then the details.

The same page is shown by a browser and laid out as PDF. It is drawn from the record's JSON and
nothing else, so that all three say the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.job.record_cards import verdicts_part
from envmon.job.record_details import details
from envmon.job.record_html import Html, facts, html_of, section, table, tag
from envmon.job.record_look import FRAME, LOOK
from envmon.job.record_words import (
    UNKNOWN,
    amount_text,
    clock_text,
    day_text,
    edge_text,
    full_text,
    label_of,
    length_text,
    plain_day,
    unit_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

MOST_REASON, LONG_TITLE = 60, 50
"""What is longer would push the signature off the front sheet; the details say all of it."""
FAILING = (
    "Screens, sensors and papers can fail or be wrong; nothing here replaces looking at the "
    "vehicle. This record tells of the conditions of the air and the panel, not of the work's "
    "quality."
)


def page(document: Mapping[str, Any]) -> str:
    """Return a record as HTML.

    Args:
        document: The record, sealed; with the vehicle's reference where that is still kept.
    """
    sheet = tag(
        "main",
        _head(document),
        _still_open(document),
        verdicts_part(document),
        _work(document),
        _cure(document),
        _aftercare(document),
        _signature(document),
        _proof(document),
        class_="front",
    )
    title = f"Condition record {document['job']['id']}"
    foot = f"{document['shop']['name']} · job {document['job']['id']}"
    # CSS has a string of its own: what could end it is taken out, markup cannot leave <style>.
    safe = "".join(c for c in foot if c.isalnum() or c in " ·.,-&'()")
    look = LOOK.replace("FOOT", safe).replace("DIGEST", str(document["digest"])[:16])
    return FRAME.format(title=html_of(title), look=look, body=html_of(sheet, details(document)))


def _head(document: Mapping[str, Any]) -> Html:
    job, shop = document["job"], document["shop"]
    zone = shop["timezone"]
    reference = document.get("reference") or {}
    vehicle = str(reference.get("text") or job["body"] or f"Job {job['id']}")
    ended = UNKNOWN if job["closed"] is None else full_text(job["closed"], zone)
    pairs: list[tuple[str, object]] = [
        ("job", job["id"]),
        ("bay", shop["bay_name"]),
        ("body", job["body"] or UNKNOWN),
        ("procedure", job["procedure"]["name"]),
        ("opened", full_text(job["opened"], zone)),
        ("handed over", ended),
    ]
    top = tag("p", tag("b", shop["name"]), tag("span", "Condition record"), class_="brand")
    return tag(
        "header",
        top,
        tag("h1", vehicle, class_="long" if len(vehicle) > LONG_TITLE else ""),
        facts(pairs),
    )


def _still_open(document: Mapping[str, Any]) -> Html:
    if not document["open"]:
        return Html("")
    made = full_text(document["made"], document["shop"]["timezone"])
    return tag(
        "p",
        tag("b", "Job still open. "),
        f"This is how things stood on {made}; it is no record of a finished job.",
        class_="open",
    )


def _work(document: Mapping[str, Any]) -> Html:
    zone = document["shop"]["timezone"]
    day = day_text(document["job"]["opened"], zone)
    batches = {row["id"]: row["batch"] for row in document["products"]}
    names = {row["name"]: row["id"] for row in document["products"]}
    rows = []
    for step in document["stages"]:
        batch = batches.get(names.get(step["product"], ""), "")
        product = f"{step['product']}, batch {batch}" if batch else step["product"]
        rows.append(
            (step["name"], product or UNKNOWN, _span(step["runs"], zone, day), _status(step))
        )
    heads = ("step", "product", "worked", "state")
    return section("What was done", table(heads, rows, "work"))


def _span(runs: Sequence[Mapping[str, Any]], zone: str, day: str) -> str:
    """Return from when to when a step was worked, and in how many turns."""
    if not runs:
        return UNKNOWN
    end = "still" if runs[-1]["to"] is None else clock_text(runs[-1]["to"], zone, day)
    turns = f", in {len(runs)} turns" if len(runs) > 1 else ""
    return f"{clock_text(runs[0]['from'], zone, day)} – {end}{turns}"


def _status(step: Mapping[str, Any]) -> str:
    if step["status"] == "skipped":
        return f"left out: {_short(step['skip_reason'])}"
    word = {"todo": "not done", "active": "being done"}.get(step["status"], "done")
    against = any(run["against"] for run in step["runs"])
    return f"{word}, started against a guard (see details)" if against else word


def _short(text: str) -> str:
    return text if len(text) <= MOST_REASON else f"{text[:MOST_REASON].rstrip()} …"


def _cure(document: Mapping[str, Any]) -> Html:
    cure, zone = document["cure"], document["shop"]["timezone"]
    if cure is None:
        coats = any(step["stage"] == "coating" for step in document["stages"])
        none = tag("p", "No cure yet: not every panel is levelled.")
        return section("Cure", none) if coats else Html("")
    rows = [
        (mark["name"], length_text(mark["need_s"]), _reached(mark, zone), mark["source"])
        for mark in cure["milestones"]
    ]
    since = f"Last panel levelled {full_text(cure['since'], zone)}. {cure['text']}."
    heads = ("mark", "hours in window", "reached", "who says so")
    guide = tag("p", _guidance(document), class_="soft")
    return section("Cure", tag("p", since), table(heads, rows, "marks"), guide)


def _guidance(document: Mapping[str, Any]) -> str:
    """Return what the readings say of the cure beside the hours in window."""
    found, units = document["measured"]["cure"], document["shop"]["units"]
    if found is None:
        return ""
    once, twice = (
        f"{edge_text(at_c, 'air_temp_c', units)} {unit_of('air_temp_c', units)}"
        for at_c in (20.0, 30.0)
    )
    lowest = amount_text(found["lowest_margin_k"], "dew_margin_k", units)
    wet = {
        "unknown": "not known throughout", "wet": "WET", "near": "close to wet",
        "low": "under the 3 K rule",
    }.get(found["wet_risk"], "dry")  # fmt: skip
    return (
        f"Panel above dew point: lowest {lowest}, {wet}. Weighted by temperature "
        f"{found['weighted_h']:.1f} h ({label_of(found['weighted_by'])}; a rule of thumb, an hour "
        f"at {once} is one, at {twice} two: guidance beside the hours in window, never instead)."
    )


def _reached(mark: Mapping[str, Any], zone: str) -> str:
    if mark["left_s"] == 0 and mark["at"]:
        return full_text(mark["at"], zone)
    return f"not reached, {length_text(mark['left_s'])} missing"


def _aftercare(document: Mapping[str, Any]) -> Html:
    care = document["aftercare"]
    if care is None:
        return Html("")
    first = tag(
        "p", tag("b", f"First wash not before {plain_day(care['first_wash'])}"),
        f" ({care['first_wash_days']} days; {care['source']}).",
    )  # fmt: skip
    keep = (
        "Until then no washing and no polishing; take water, dirt and droppings off soon, with a "
        "soft wet cloth and never a dry one (common practice). The maker's sheet wins where it "
        "says otherwise."
    )
    return section("Aftercare", first, tag("p", keep), kind="care")


def _signature(document: Mapping[str, Any]) -> Html:
    if document["open"]:
        return Html("")
    fields = ("for the shop", "received", "date")
    return tag("div", *(tag("p", tag("span", text)) for text in fields), class_="signature")


def _proof(document: Mapping[str, Any]) -> Html:
    digest, head = str(document["digest"]), document["chain"]["head"]
    grouped = " ".join(digest[at : at + 8] for at in range(0, len(digest), 8))
    text = (
        f"Entered in the shop's event chain; made when that had {head['seq']:,} entries. Whoever "
        "holds the .json of this record can prove it: envmon verify FILE.json"
    ).replace(",", "\u202f", 1)
    return tag(
        "footer", tag("p", tag("b", "Proof "), tag("code", grouped)), tag("p", text),
        tag("p", FAILING), class_="proof",
    )  # fmt: skip
