"""The history board's page: what a person picks by, and room for the chart the script draws."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon_boards.skeleton import html, slot

if TYPE_CHECKING:
    from envmon.shop.models import Shop

SPANS = (
    ("3h", "3 h"), ("today", "today"), ("yesterday", "yesterday"), ("7d", "7 days"),
    ("30d", "30 days"), ("season", "season"), ("pick", "from – to"),
)  # fmt: skip
MOVES = (
    ("earlier", "◀", "earlier"), ("later", "▶", "later"),
    ("closer", "+", "closer"), ("wider", "−", "wider"),
)  # fmt: skip
NOTE = (
    "Limits as in today's shop file; striped: outside them. Soft fill: lowest to highest. "
    "No line: no reading came."
)


def history_page(shop: Shop) -> Any:
    """Return the page: bays, spans, moves; chart; quantities with their values; units, files."""
    chart = [
        html.Div(className="chart", tabIndex=0, role="img", **{"data-chart": "1"}),
        html.Div(slot("hint"), className="chart-hint"),
        html.Div(slot("stamp"), className="old-stamp"),
    ]
    side = [
        html.Div([slot("when", "Div"), slot("doing", "Div")], className="at"),
        html.Div(className="lines", **{"data-lines": "1"}),
        html.Div(_units_and_files(), className="keys tail"),
    ]
    return html.Main(
        [
            html.H1("History", className="for-ears"),
            html.Div([_bays(shop), _spans(), _moves()], className="picks"),
            _from_to(),
            html.Div(slot("lost"), className="lost-bar", role="alert"),
            html.Div(
                [html.Div(chart, className="chart-box"), html.Div(side, className="side")],
                className="history-body",
            ),
            html.Div([slot("fine"), html.Span(NOTE)], className="fine-print"),
        ],
        className="history",
        **{"data-history": "1"},
    )


def _key(text: Any, act: str, value: str, **more: str) -> Any:
    marks = {"data-pick": act, "data-value": value, **more}
    return html.Button(text, className="key", type="button", **marks)


def _bays(shop: Shop) -> Any:
    keys = [_key(bay.name, "bay", bay.id) for bay in shop.bay]
    return html.Div(keys, className="keys bays", role="group", **{"aria-label": "bay"})


def _spans() -> Any:
    keys = [_key(text, "span", span) for span, text in SPANS]
    return html.Div(keys, className="keys spans", role="group", **{"aria-label": "span"})


def _moves() -> Any:
    keys = [
        _key([html.Span(sign, className="sign"), html.Span(text)], "move", move)
        for move, sign, text in MOVES
    ]
    return html.Div(keys, className="keys moves", role="group", **{"aria-label": "move"})


def _from_to() -> Any:
    """Return room for two fields of shop time, which only the script can make."""
    return html.Div(className="keys from-to", **{"data-fields": "1"})


def _units_and_files() -> list[Any]:
    return [
        _key("°C", "units", "metric"), _key("°F", "units", "us"),
        _key("save CSV", "file", "csv"), _key("save Parquet", "file", "parquet"),
    ]  # fmt: skip
