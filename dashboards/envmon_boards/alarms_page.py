"""The alarm board's page: room for what stands, what is set aside, what was, and the figures."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from envmon_boards.skeleton import CAUTION, html, slot

if TYPE_CHECKING:
    from envmon.shop.models import Shop

PAST = (("24", "24 h"), ("168", "7 days"))
FIGURES = (("7", "7 days"), ("30", "30 days"), ("365", "a year"))
NOTE = (
    "Beside them the figures of ISA-18.2 and IEC 62682, from memory. A flood starts with more "
    "than 10 alarms in 10 minutes and ends with fewer than 5. Chattering: three times within a "
    "minute. Fleeting: over within a minute. An alarm that follows from another counts too."
)


def alarms_page(shop: Shop) -> Any:
    """Return the page; the script fills it."""
    names = {bay.id: bay.name for bay in shop.bay}
    return html.Main(
        [
            html.H1("Alarms", className="for-ears"),
            html.Div(slot("not-live"), className="not-live", role="alert", hidden=True),
            html.Div(
                [slot("mark"), html.Span("No alarm stands"), slot("calm-since")],
                className="calm",
                hidden=True,
            ),
            slot("said", "Div"),
            html.Div(className="alarm-list", **{"data-alarms": "open"}),
            _section("Set aside", html.Div(className="alarm-list", **{"data-alarms": "aside"})),
            _section("Recent", _keys("past", PAST), html.Div(**{"data-alarms": "past"})),
            _section(
                "How the alarms behave",
                _keys("figures", FIGURES),
                html.Div(**{"data-alarms": "figures"}),
                html.P(NOTE, className="small-print"),
            ),
            html.P(CAUTION, className="small-print"),
        ],
        className="alarm-page",
        **{
            "data-alarm-page": "1",
            "data-longest": f"{shop.alarms.longest_shelf / 60:g}",
            "data-bays": json.dumps(names, ensure_ascii=False),
        },
    )


def _section(title: str, *parts: Any) -> Any:
    return html.Section([html.H2(title), *parts], className="alarm-section")


def _keys(what: str, spans: tuple[tuple[str, str], ...]) -> Any:
    keys = [
        html.Button(text, className="key", **{"data-act": what, "data-span": span})
        for span, text in spans
    ]
    return html.Div(keys, className="keys", role="group")
