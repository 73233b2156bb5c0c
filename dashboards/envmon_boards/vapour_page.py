"""The vapour board's page: what a work with solvent asks of the air; the script fills it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.physics.solvent import CAUTIONS
from envmon.physics.solvent_limits import SOLVENTS
from envmon_boards.mix_dials import Dial
from envmon_boards.mix_page import dial_room
from envmon_boards.skeleton import html, slot

if TYPE_CHECKING:
    from envmon.shop.models import Shop

_ML = (5, 10, 15, 20, 30, 40, 50, 60, 80, 100, 150, 200, 300, 500, 750, 1000)
_FL_OZ = (0.2, 0.3, 0.5, 0.7, 1, 1.3, 1.7, 2, 2.7, 3.4, 5, 7, 10, 17, 25, 34)
_M3 = (30, 50, 75, 100, 125, 150, 175, 200, 225, 250, 300, 350, 400, 500, 700, 1000)
_FT3 = tuple(round(35.3147 * m3, -2) for m3 in _M3)
_SHARES = (5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100)
_MINUTES = (1, 2, 5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 480)
_CHANGES = (0, 0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 30, 40, 60)


def _steps(values: tuple[float, ...], unit: str) -> tuple[str, ...]:
    return tuple(f"{value:g} {unit}".rstrip() for value in values)


def _dial(field: str, label: str, metric: tuple[str, ...], start: str, us: Any = None) -> Dial:
    return Dial(field, label, metric, metric.index(start), us or metric)


def _temps(low: int, high: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    degrees = range(low, high + 1)
    return tuple(f"{c} °C" for c in degrees), tuple(f"{round(1.8 * c + 32)} °F" for c in degrees)


_IN, _OUT = _temps(5, 40), _temps(-35, 35)
DIALS = (
    _dial("amount", "product used", _steps(_ML, "ml"), "60 ml", _steps(_FL_OZ, "fl oz")),
    _dial("share", "solvent in it", _steps(_SHARES, "%"), "100 %"),
    _dial("over", "spread in", _steps(_MINUTES, "min"), "20 min"),
    _dial("air", "air changes, or flow", _steps(_CHANGES, "/h"), "0.5 /h"),
    _dial("volume", "volume of the bay", _steps(_M3, "m³"), "200 m³", _steps(_FT3, "ft³")),
    _dial("mixing", "mixing factor", _steps(tuple(range(1, 11)), ""), "3"),
    _dial("temp", "in the bay", _IN[0], "20 °C", _IN[1]),
    _dial("outdoor", "outdoors", _OUT[0], "0 °C", _OUT[1]),
)
"""What can be set; volume and temperatures are taken from the bay where they are known."""


def vapour_page(shop: Shop) -> Any:
    """Return the page: what is asked on one side, what follows on the other."""
    asked = [
        _keys("bay", [(bay.id, bay.name) for bay in shop.bay]),
        _keys("carrier", [(name, name) for name in SOLVENTS]),
        html.Div([dial_room(dial, 0) for dial in DIALS], className="vapour-dials"),
    ]
    return html.Main(
        [
            html.H1("Solvent vapour", className="for-ears"),
            html.Ul([html.Li(text) for text in CAUTIONS], className="vapour-cautions"),
            html.Div(slot("lost"), className="lost-bar", role="alert", hidden=True),
            html.Div(
                [
                    html.Section(asked, className="vapour-asked", **{"aria-label": "the work"}),
                    html.Section(_follows(), **{"aria-label": "the air", "data-part": "all"}),
                ],
                className="vapour-body",
            ),
        ],
        className="vapour",
        **{"data-vapour": "1"},
    )


def _follows() -> list[Any]:
    head = [slot("shape", "Div"), slot("go", "Div", text="…"), slot("why", "Div")]
    figures = [
        html.Div(className="vapour-course", **{"data-part": "course"}),
        html.Dl(className="vapour-lines", **{"data-part": "lines"}),
    ]
    return [
        html.Div(head, className="go-line", role="status", **{"data-kind": "none"}),
        html.Div(className="vapour-limits", **{"data-part": "limits"}),
        html.Div(figures, className="vapour-figures", **{"data-part": "figures"}),
        html.Ul(className="vapour-notes", **{"data-part": "notes"}),
    ]


def _keys(what: str, values: list[tuple[str, str]]) -> Any:
    keys = [
        html.Button(text, className="key", type="button", **{"data-set": what, "data-value": value})
        for value, text in values
    ]
    return html.Div(keys, className="keys", role="group", **{"aria-label": what})
