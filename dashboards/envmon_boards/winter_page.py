"""The winter board's page: what the heat cost, what changed, what to do; the rest behind keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon_boards.skeleton import html, slot

if TYPE_CHECKING:
    from envmon.shop.models import Shop

SECTIONS = {
    "answers": "the winter",
    "days": "day by day",
    "months": "month by month",
    "building": "where the heat went",
    "missing": "what is missing",
}
"""The page's sections, one shown at a time; the first answers what most people ask."""


def winter_page(_shop: Shop) -> Any:
    """Return the page; the script fills it, and shows one section at a time."""
    parts = {
        "answers": _answers(),
        "days": [_table()],
        "months": [_drawing("months", "Month against month", caption=True),
                   _drawing("calendar", "The winter as a calendar"),
                   _words("each", "Each month in the same weather")],
        "building": [_drawing("signature", "Energy against the outdoors", caption=True),
                     _drawing("where", "Where the heat went", caption=True), _rests()],
        "missing": [_words("missing", "What is missing"), _words("notes", "To be known")],
    }  # fmt: skip
    sections = [
        html.Div(of, className=f"winter-part part-{name}", hidden=name != "answers",
                 **{"data-section": name})
        for name, of in parts.items()
    ]  # fmt: skip
    lost = html.Div(slot("lost"), className="lost-bar", role="status", hidden=True)
    title = html.H1("Winter: the heating log", className="for-ears")
    return html.Main([title, _head(), lost, *sections], className="winter", **{"data-winter": "1"})


def _head() -> Any:
    years = html.Div(
        className="keys", role="group", **{"aria-label": "winter", "data-part": "years"}
    )
    keys = html.Div(
        [html.Button(text, type="button", className="key", **{"data-tab": name})
         for name, text in SECTIONS.items()],
        className="keys winter-tabs", role="group", **{"aria-label": "section"},
    )  # fmt: skip
    return html.Div(
        [years, slot("span", "Div"), keys, slot("made", "Div")], className="winter-head"
    )


def _answers() -> list[Any]:
    """Return what it cost, what changed and what to do, with the days drawn below."""
    numbers = html.Dl(className="winter-numbers", **{"data-part": "numbers"})
    bills = html.Table(
        [html.Thead(**{"data-part": "bill-heads"}), html.Tbody(**{"data-part": "bill-rows"})],
        className="winter-bills",
    )
    cost = html.Section(
        [html.H2("What it cost"), _big("cost"), numbers, bills], className="winter-panel at-cost"
    )
    changed = html.Section(
        [html.H2("What changed"), _big("same"), html.Ul(**{"data-part": "say"})],
        className="winter-panel words at-say",
    )
    to_do = html.Section(
        [
            html.H2("What to do"),
            html.Ul(**{"data-part": "ahead"}),
            html.Div([html.H3("Heat and safety"), html.Ul(**{"data-part": "cautions"})],
                     className="at-cautions"),
        ],
        className="winter-panel words at-do",
    )  # fmt: skip
    bills = _drawing("billed", "Bill by bill", caption=True)
    return [cost, changed, to_do, bills, _drawing("days", "Day by day")]


def _big(name: str) -> Any:
    return html.P([slot(name, "B"), slot(f"{name}-under", "Span")], className="winter-big")


def _drawing(name: str, title: str, *, caption: bool = False) -> Any:
    drawn = html.Div(className="drawn", **{"data-part": name})
    below = [html.P(slot(f"caption-{name}"), className="caption")] if caption else []
    return html.Section(
        [html.H2(title), drawn, *below], className=f"winter-panel at-{name}", hidden=True
    )


def _words(name: str, title: str) -> Any:
    return html.Section(
        [html.H2(title), html.Ul(**{"data-part": name})],
        className=f"winter-panel words at-{name}",
        hidden=True,
    )


def _rests() -> Any:
    return html.Ul(className="winter-rests", **{"data-part": "rests"})


def _table() -> Any:
    table = html.Table([html.Thead(**{"data-part": "heads"}), html.Tbody(**{"data-part": "rows"})])
    # A box that scrolls can be reached by keys only when it can be focused.
    box = html.Div(table, className="rows", tabIndex=0, role="region", **{"aria-label": "days"})
    months = html.Div(
        className="keys", role="group", **{"aria-label": "month", "data-part": "pages"}
    )
    return html.Section([months, box], className="winter-panel at-table", hidden=True)
