"""Cards of the front sheet: did the conditions hold? Told apart by shape, not by colour."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from envmon.job.record_html import Html, section, tag
from envmon.job.record_verdict import Verdict, cure_verdict, run_verdicts

if TYPE_CHECKING:
    from collections.abc import Mapping

_SIGN = {
    "held": '<circle cx="12" cy="12" r="9"/>',
    "missed": '<path d="M4 4L20 20M20 4L4 20" class="stroke"/>',
    "unknown": '<circle cx="12" cy="12" r="9" class="ring"/>'
    '<text x="12" y="16.5" text-anchor="middle" font-size="13" font-weight="bold" '
    'font-family="Liberation Sans, sans-serif">?</text>',
    "none": '<path d="M4 12H20" class="stroke thin"/>',
}
_SIGN_LOOK = (
    "<style>.sign circle{fill:#101a1e} .sign .ring{fill:none;stroke:#101a1e;stroke-width:2} "
    ".sign .stroke{fill:none;stroke:#101a1e;stroke-width:4.5} .sign .thin{stroke-width:2} "
    ".sign text{fill:#101a1e}</style>"
)
MOST_LINES = 2
"""What is longer would push the signature off the front sheet; the details say all of it."""


def verdicts_part(document: Mapping[str, Any]) -> Html:
    """Return whether the conditions held, on a card for each stage that matters."""
    zone = document["shop"]["timezone"]
    cards = [_card(verdict) for verdict in run_verdicts(document)]
    cure = cure_verdict(document, zone)
    cards += [_card(cure)] if cure else []
    if not cards:
        cards = [tag("p", "Nothing that needs its own air was worked yet.")]
    kind = "cards three" if len(cards) == 3 else "cards"
    return section(
        "Did the conditions hold?",
        tag("div", *cards, class_=kind),
        tag("p", _sensors(document), class_="soft sensors"),
    )


def _sensors(document: Mapping[str, Any]) -> str:
    """Return how the sensors behind the numbers stand, in one line."""
    rows = document["sensors"]
    if not rows:
        return "No sensor measured here."
    words = {
        "valid": "in date", "undated": "without a date for the next check", "overdue": "OVERDUE",
        "shop_file": "as in the shop file", "none": "never checked",
    }  # fmt: skip
    counts = Counter(row["standing"] for row in rows)
    said = ", ".join(f"{counts[key]} {word}" for key, word in words.items() if counts[key])
    return f"Calibration of the {len(rows)} sensors behind this: {said}."


def _card(verdict: Verdict) -> Html:
    more = len(verdict.lines) - MOST_LINES
    lines = [tag("p", line) for line in verdict.lines[:MOST_LINES]]
    lines += [tag("p", f"and {more} more, in the details")] if more > 0 else []
    head = tag("h3", sign(verdict.kind), tag("span", verdict.title))
    return tag("div", head, tag("p", tag("b", verdict.word)), *lines, class_=f"card {verdict.kind}")


def sign(kind: str) -> Html:
    """Return a sign that is told apart by its shape: disc, cross, question mark, dash."""
    return Html(
        f'<svg class="sign" viewBox="0 0 24 24" width="20" height="20" aria-hidden="true">'
        f"{_SIGN_LOOK}{_SIGN[kind]}</svg>"
    )
