"""The points board's page: topics that nobody claims, and the claimed points below them."""

from __future__ import annotations

from typing import Any

from envmon_boards.skeleton import html, slot

NOTE = (
    "A claimed point is added to the shop file; its comments and its order stay, and a copy of the "
    "file as it was is kept beside it. What a number means is a guess from names, units and size: "
    "look at the sensor before you claim it."
)


def points_page() -> Any:
    """Return the page; the script fills it."""
    head = [slot("go", "Div", text="…"), slot("why", "Div")]
    return html.Main(
        [
            html.H1("Points", className="for-ears"),
            html.Div(slot("lost"), className="lost-bar", role="alert", hidden=True),
            html.Div(head, className="points-head", role="status"),
            html.Div(className="topic-list", **{"data-topics": "1"}),
            slot("more", "P", "points-more"),
            html.H2(["Claimed points ", html.A("all about them", href="/sensors")]),
            html.Div(className="claimed-list", **{"data-claimed": "1"}),
            html.Div(html.Span(NOTE), className="fine-print points-note"),
        ],
        className="points",
        **{"data-points": "1"},
    )
