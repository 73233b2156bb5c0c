"""The parts a page is built of; the live script fills everything marked ``data-f``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash

from envmon_boards.size import WallSize, wall_size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.shop.models import Bay, Shop

html: Any = dash.html  # its typed signatures know no data-* attributes

MAIN = ("air_temp_c", "rel_hum_pct")
"""Can be read from as far as the verdict; the others from nearer on a shared wall."""
OTHERS = ("panel_temp_c", "dew_margin_k", "water_temp_c", "dissolved_solids_ppm")
WATER = ("water_temp_c", "dissolved_solids_ppm")
"""Shown only while the stage wants them."""
LABELS = {
    "air_temp_c": "air",
    "rel_hum_pct": "humidity",
    "panel_temp_c": "panel",
    "dew_margin_k": "above dew point",
    "water_temp_c": "water",
    "dissolved_solids_ppm": "solids",
}
CAUTION = "A screen can fail: look at the car. This is no gas and no CO alarm; certified ones are."


def slot(name: str, tag: str = "Span", classes: str = "", text: str = "") -> Any:
    """Return an element the live script writes into."""
    return getattr(html, tag)(text, className=f"f-{name} {classes}".strip(), **{"data-f": name})


def number_tile(quantity: str) -> Any:
    """Return label, number and window track of one quantity."""
    label = [slot("mark"), html.Span(LABELS[quantity], className="what"), slot("unit")]
    track = [html.Div(className="band"), html.Div(className="needle")]
    kind = "main" if quantity in MAIN else "other"
    return html.Div(
        [
            html.Div(label, className="label"),
            slot("number", "Div", text="—"),
            html.Div(track, className="track"),
        ],
        className=f"tile {kind} {'water' if quantity in WATER else ''}".strip(),
        **{"data-q": quantity},
    )


def bay_card(bay: Bay, size: WallSize, *, alone: bool) -> Any:
    """Return a bay's card: stage, verdict, reasons, numbers, trend.

    Args:
        bay: The bay.
        size: Font sizes.
        alone: It has the whole screen.
    """
    link = "/" if alone else f"/bay/{bay.id}"
    change = html.A("bench", href=f"/bench/{bay.id}", className="change")
    name = html.A(bay.name, href=link, className="bay-name")
    head = [name, slot("since"), slot("step-of"), change, slot("last")]
    plate = [slot("shape", "Div"), slot("verdict", "Div", text="NO DATA")]
    trend = [
        html.Div(className="plot", **{"data-plot": "temps"}),
        html.Div(className="plot", **{"data-plot": "hum"}),
    ]
    return html.Section(
        [
            html.Div(head, className="head"),
            _banner(),
            html.Div(slot("stage", "Div", text="—"), className="stage-box"),
            html.Div(plate, className="plate"),
            _job(),
            html.Div([number_tile(name) for name in (*MAIN, *OTHERS)], className="numbers"),
            slot("reasons", "Div"),
            html.Div(trend, className="trend"),
            slot("strip", "Div"),
            slot("cautions", "Div"),
            html.Div([slot("ahead"), slot("guess")], className="outlook", hidden=True),
        ],
        className="card alone" if alone else "card",
        style={"--big": f"{size.big_px:.1f}px", "--small": f"{size.small_px:.0f}px"},
        **{"data-bay": bay.id, "data-kind": "silent", "role": "region", "aria-label": bay.name},
    )


def _job() -> Any:
    """Return room for what the bay's job needs next: a panel that is due, the cure, a start."""
    line = [
        slot("job-mark"),
        html.Div(slot("job-what"), className="job-name"),
        slot("job-words"),
        slot("job-left"),
    ]
    return html.Div(
        [html.Div(line, className="job-line"), html.Div(slot("job-more"), className="job-box")],
        className="job",
        hidden=True,
    )


def _banner() -> Any:
    """Return room for a bay's alarm, with a button large enough for a wet glove."""
    acknowledge = html.Button("acknowledge", className="ack", **{"data-act": "acknowledge"})
    line = html.Div([slot("alarm"), slot("alarm-about")], className="banner-text")
    said = html.Div([slot("alarm-head"), line], className="banner-said", role="alert")
    return html.Div([slot("urgency"), said, acknowledge], className="banner")


def wall(bays: Sequence[Bay]) -> list[Any]:
    """Return the cards of one or more bays and the line that says how far they can be read."""
    size = wall_size(len(bays), max(bay.viewing_distance for bay in bays))
    alone = len(bays) == 1
    cards = [bay_card(bay, size, alone=alone) for bay in bays]
    layout = f"wall bays-{min(len(bays), 4)}" + (" many" if len(bays) > 4 else "")
    return [html.Main(cards, className=layout), bottom_bar(size)]


def top_bar(shop: Shop, *, demo: bool) -> Any:
    """Return shop name, ways to other pages, trouble, who is logged in, theme and clock."""
    links = [html.A("all bays", href="/")]
    links += [html.A(bay.name, href=f"/bay/{bay.id}") for bay in shop.bay if len(shop.bay) > 1]
    links.append(html.A(["alarms", slot("unseen")], href="/alarms", className="to-alarms"))
    links.append(html.A("history", href="/history"))
    links.append(html.A("sensors", href="/sensors"))
    links.append(html.A("mix", href="/mix"))
    links.append(html.A("vapour", href="/vapour"))
    links.append(html.A("winter", href="/winter"))
    if demo:
        links.append(html.A("demo", href="/demo"))
    theme = html.Button("dark / bright", className="theme", **{"data-act": "theme"})
    sound = html.Button(slot("sound"), className="theme sound", **{"data-act": "sound"})
    mark = html.Span(className="mark")
    shop_wide = html.A([mark, slot("shopwide")], href="/alarms", className="shop-wide", hidden=True)
    return html.Header(
        [
            html.Span(shop.shop.name, className="shop-name"),
            html.Nav(links),
            html.Div([slot("trouble"), shop_wide], role="status", className="trouble-box"),
            sound,
            theme,
            html.Div(className="door", **{"data-door": "1"}),
            slot("clock", text="--:--"),
            html.Div("touch once to switch the sound on", className="sound-ask", hidden=True),
        ],
        className="top",
    )


def bottom_bar(size: WallSize) -> Any:
    """Return the caution, and from how far the large characters can be read."""
    short = "" if size.reach_m >= size.wanted_m - 0.05 else f", {size.wanted_m:.1f} m asked for"
    reach = f"Verdict readable from {size.reach_m:.1f} m{short} (20 arc minutes, 32-inch screen)"
    return html.Footer([html.Span(CAUTION), html.Span(reach)], className="bottom")


def demo_page(shop: Shop) -> Any:
    """Return the demo's hands: pull a sensor, open a door, start a wash."""
    rows = [
        html.Div([html.Span(bay.name), *_hands(bay.id)], className="hand-row") for bay in shop.bay
    ]
    return html.Main(
        [
            html.H1(["Demo", html.Span("pull a sensor, see what the wall says")]),
            slot("said", "Div"),
            *rows,
            slot("nodes", "Div"),
        ],
        className="demo-page",
        **{"data-demo": "1"},
    )


def _hands(bay_id: str) -> list[Any]:
    acts = (
        ("open door", "door", "1"), ("shut door", "door", ""),
        ("start wash", "wash", "1"), ("end wash", "wash", ""),
    )  # fmt: skip
    return [
        html.Button(
            text,
            className="hand",
            **{"data-act": "hand", "data-of": bay_id, "data-hand": hand, "data-on": on},
        )
        for text, hand, on in acts
    ]
