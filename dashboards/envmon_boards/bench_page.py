"""The bench board's page: one bay's job for a tablet or a phone; the script fills it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from envmon.job.bodies import BODIES, body_of
from envmon_boards.skeleton import CAUTION, html, slot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.shop.models import Bay, Shop

NOTE = (
    "Levelling is due when about half of the rainbow sheen has gone: the clock is a help, the "
    "panel decides."
)


def bench_page(shop: Shop, bay: Bay, stages: Sequence[tuple[str, str]]) -> Any:
    """Return the page of a bay's bench.

    Args:
        shop: The shop file.
        bay: The bay.
        stages: Id and name of every stage.
    """
    head = [html.H1(bay.name), slot("job"), slot("vehicle")]
    return html.Main(
        [
            html.Div(head, className="bench-head"),
            html.Div(slot("silent"), className="bench-silent", role="alert"),
            html.Div(_columns(), className="bench-columns", hidden=True),
            slot("said", "Div"),
            _dock(),
        ],
        className="bench",
        **{"data-bench": bay.id, "data-catalogue": _catalogue(shop, bay, stages)},
    )


def _columns() -> list[Any]:
    now = html.Section(
        [
            html.Div([slot("shape"), slot("stage"), slot("verdict")], className="bench-verdict"),
            slot("numbers", "Div"),
            html.Ul(className="bench-why", **{"data-part": "why"}),
            html.Div(**{"data-part": "hindrances"}),
            html.Div(**{"data-part": "cure"}),
        ],
        className="bench-now",
        **{"aria-label": "now"},
    )
    cautions = html.Ul(className="bench-cautions", **{"data-part": "cautions"})
    first = [html.Div(**{"data-part": "alarms"}), now, _part("clocks"), cautions, _part("plain")]
    first.append(_part("day"))
    return [
        html.Div(first, className="column"),
        html.Div([_part("open"), _part("panels")], className="column"),
        html.Div([_part("steps"), _part("more"), _foot()], className="column"),
    ]


def _part(name: str) -> Any:
    return html.Section(className=f"bench-{name}", **{"data-part": name})


def _foot() -> Any:
    links = [html.A("mix", href="/mix"), html.A("solvent vapour", href="/vapour")]
    return html.Div([html.Nav(links), html.P(NOTE), html.P(CAUTION)], className="bench-foot")


def _dock() -> Any:
    """Return what the thumb rests on: undo and the next best act, with what is said of them."""
    undo = html.Button(className="bench-button bench-undo", disabled=True)
    following = html.Div(className="bench-next", **{"data-part": "next"})
    acts = html.Div([undo, following], className="dock-acts")
    said = html.Div(className="bench-said", role="status", **{"data-said": "next"})
    return html.Div([slot("refused", "Div"), said, acts], className="bench-dock", hidden=True)


def _catalogue(shop: Shop, bay: Bay, stages: Sequence[tuple[str, str]]) -> str:
    """Return what a job can be opened with, as JSON."""
    names = dict(stages)
    products = {product.id: product.name for product in shop.product}
    procedures = [
        {
            "id": procedure.id,
            "name": procedure.name,
            "steps": [names.get(step.stage, step.stage) for step in procedure.step],
            "products": {
                step.product: products.get(step.product, step.product)
                for step in procedure.step
                if step.product
            },
        }
        for procedure in shop.procedure
    ]
    document = {
        "procedures": procedures,
        "usual": bay.procedure,
        "bodies": _bodies(shop),
        "stages": [{"id": stage, "name": name} for stage, name in stages],
        "in_flight": shop.bench.in_flight,
    }
    return json.dumps(document, ensure_ascii=False)


def _bodies(shop: Shop) -> list[dict[str, Any]]:
    """Return the body shapes, the shop's own first."""
    own = {body.id for body in shop.body}
    ids = dict.fromkeys([*(body.id for body in shop.body), *BODIES])
    shapes = [body_of(shop, body_id) for body_id in ids]
    return [
        {"id": s.id, "name": s.name, "panels": len(s.panels), "own": s.id in own} for s in shapes
    ]
