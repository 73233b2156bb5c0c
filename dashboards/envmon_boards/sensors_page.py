"""The sensors board's page: one line that says where to go, and room for a card per sensor."""

from __future__ import annotations

from typing import Any

from envmon.physics.salts import CAUTIONS
from envmon_boards.skeleton import html, slot

NOTE = (
    "A calibration is shown and accepted with: envmon calibrate SHOP.toml POINT QUANTITY. "
    "It counts from then on; what is kept stays as it is."
)


def sensors_page() -> Any:
    """Return the page; the script fills it."""
    head = [slot("shape", "Div"), slot("go", "Div", text="…"), slot("why", "Div")]
    return html.Main(
        [
            html.H1("Sensors", className="for-ears"),
            html.Div(slot("lost"), className="lost-bar", role="alert"),
            html.Div(head, className="go-line", role="status", **{"data-kind": "none"}),
            html.Div(className="sensor-grid", **{"data-grid": "1"}),
            html.Div(
                [
                    html.A("points: what nobody claims yet", href="/points"),
                    html.Span(NOTE),
                    html.Span(" ".join(CAUTIONS)),
                ],
                className="fine-print sensor-note",
            ),
        ],
        className="sensors",
        **{"data-sensors": "1"},
    )
