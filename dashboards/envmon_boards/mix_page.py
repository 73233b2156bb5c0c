"""The mixing board's page: dials for wet gloves; the server does every sum."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from envmon_boards.mix_dials import SUMS
from envmon_boards.skeleton import html, slot

if TYPE_CHECKING:
    from envmon.shop.models import Bay, Shop
    from envmon_boards.mix_dials import Dial, Sum

RESIN = "resin"


def mix_page(shop: Shop) -> Any:
    """Return the page: a section for each sum, one for each bay's resin, keys to choose."""
    sections = [_sum(each) for each in SUMS]
    tabs = [(each.kind, each.short) for each in SUMS]
    return html.Main(
        [
            html.H1("Mixing", className="for-ears"),
            html.Div([_units(), _tabs([*tabs, (RESIN, "resin")])], className="mix-keys"),
            html.Div([*sections, _resin(shop.bay)], className="mix-sums"),
        ],
        className="mix",
        **{"data-mix": "ratio"},
    )


def _key(text: str, act: str, value: str) -> Any:
    marks = {"data-mix-act": act, "data-value": value}
    return html.Button(text, className="key", type="button", **marks)


def _units() -> Any:
    keys = [_key("ml, °C", "units", "metric"), _key("fl oz, °F", "units", "us")]
    return html.Div(keys, className="keys mix-units", role="group", **{"aria-label": "units"})


def _tabs(tabs: list[tuple[str, str]]) -> Any:
    keys = [_key(text, "tab", kind) for kind, text in tabs]
    return html.Div(keys, className="mix-tabs", role="group", **{"aria-label": "which sum"})


def _sum(each: Sum) -> Any:
    ways = [_key(way.key, "way", str(place)) for place, way in enumerate(each.ways)]
    dials = [dial_room(dial, place) for place, way in enumerate(each.ways) for dial in way.dials]
    return html.Section(
        [
            html.H2(each.title),
            html.Div(className="vessel", role="img", **{"data-vessel": "1"}),
            slot("say", "Div", text="…"),
            slot("lines", "Dl"),
            html.Div(ways, className="keys mix-ways", role="group", **{"aria-label": "way"}),
            html.Div(dials, className="mix-dials"),
            slot("cautions", "Ul", "mix-cautions"),
        ],
        className="mix-sum",
        **{"data-sum": each.kind, "data-way": "0", "aria-label": each.title},
    )


def dial_room(dial: Dial, way: int) -> Any:
    """Return less, the value and more; the value can be written as well."""
    name = f"{dial.label}: "
    less = html.Button("−", type="button", **{"data-mix-act": "less", "aria-label": name + "less"})
    more = html.Button("+", type="button", **{"data-mix-act": "more", "aria-label": name + "more"})
    value = html.Span(className="dial-room", **{"data-room": "1"})
    return html.Div(
        [html.Span(dial.label, className="dial-name"), less, value, more],
        className="dial",
        **{
            "data-dial": dial.field,
            "data-of-way": str(way),
            "data-place": str(dial.start),
            "data-ladder": json.dumps([dial.ladder, dial.ladder_us]),
        },
    )


def _resin(bays: tuple[Bay, ...] | list[Bay]) -> Any:
    rooms = [
        html.Div(
            [
                html.H3(bay.name),
                slot("shape", "Div"),
                slot("say", "Div", text="…"),
                slot("lines", "Dl"),
            ],
            className="mix-bay",
            **{"data-resin": bay.id, "data-kind": "unknown"},
        )
        for bay in bays
    ]
    return html.Section(
        [html.H2("Rinse water and resin"), *rooms, slot("cautions", "Ul", "mix-cautions")],
        className="mix-sum",
        **{"data-sum": RESIN, "aria-label": "Rinse water and resin"},
    )
