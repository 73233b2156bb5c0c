"""The winter board's page: what the heat did and cost; the script fills it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon_boards.skeleton import html, slot

if TYPE_CHECKING:
    from envmon.shop.models import Shop

_DRAWINGS = {
    "days": "Day by day",
    "calendar": "The winter as a calendar",
    "signature": "Energy against the outdoors",
    "months": "Month against month",
    "where": "Where the heat went",
}


def winter_page(_shop: Shop) -> Any:
    """Return the page: numbers, tomorrow, drawings, what follows, the day table, cautions."""
    head = html.Div(
        [
            html.Div(
                className="keys", role="group", **{"aria-label": "winter", "data-part": "years"}
            ),
            slot("span", "Div"),
            slot("made", "Div"),
        ],
        className="winter-head",
    )
    return html.Main(
        [
            html.H1("Winter: the heating log", className="for-ears"),
            head,
            html.Div(slot("lost"), className="lost-bar", role="status", hidden=True),
            html.Dl(className="winter-numbers", **{"data-part": "numbers"}),
            _words("ahead", "Next morning"),
            html.Div(
                [
                    *[_drawing(name) for name in ("days", "calendar", "signature", "months")],
                    _words("say", "What this says"),
                    _drawing("where"),
                    _words("missing", "What is missing"),
                    _words("cautions", "Heat and safety"),
                    _table(),
                ],
                className="winter-body",
            ),
            html.Ul(className="winter-rests", **{"data-part": "rests"}),
        ],
        className="winter",
        **{"data-winter": "1"},
    )


_CAPTIONS = {
    "signature": "A dot is a day. Hollow and dashed: the winter before.",
    "months": "Filled: this winter. Hollow: the one before.",
    "where": "Estimates; a line is the range of nine cases in ten.",
}


def _drawing(name: str) -> Any:
    caption = html.P(_CAPTIONS[name], className="caption") if name in _CAPTIONS else ""
    return html.Section(
        [html.H2(_DRAWINGS[name]), html.Div(className="drawn", **{"data-part": name}), caption],
        className=f"winter-panel at-{name}",
        hidden=True,
    )


def _words(name: str, title: str) -> Any:
    return html.Section(
        [html.H2(title), html.Ul(**{"data-part": name})],
        className=f"winter-panel words at-{name}",
        hidden=True,
    )


def _table() -> Any:
    table = html.Table([html.Thead(**{"data-part": "heads"}), html.Tbody(**{"data-part": "rows"})])
    # A box that scrolls can be reached by keys only when it can be focused.
    box = html.Div(table, className="rows", tabIndex=0, role="region", **{"aria-label": "days"})
    return html.Section([html.H2("Days"), box], className="winter-panel at-table", hidden=True)
