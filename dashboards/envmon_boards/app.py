"""The board process's web application: Dash pages on FastAPI, the live part beside them."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import dash
from fastapi import FastAPI

from envmon_boards.alarms_page import alarms_page
from envmon_boards.api import router_of
from envmon_boards.bench_page import bench_page
from envmon_boards.door import Door
from envmon_boards.door_headers import Headers, policy_of
from envmon_boards.door_login import login_router
from envmon_boards.door_porter import Porter
from envmon_boards.history_page import history_page
from envmon_boards.mix_api import mix_router
from envmon_boards.mix_page import mix_page
from envmon_boards.outlook_api import outlook_router
from envmon_boards.points_api import points_router
from envmon_boards.points_page import points_page
from envmon_boards.sensors_api import sensors_router
from envmon_boards.sensors_page import sensors_page
from envmon_boards.skeleton import demo_page, html, top_bar, wall
from envmon_boards.vapour_api import vapour_router
from envmon_boards.vapour_page import vapour_page
from envmon_boards.winter_api import winter_router
from envmon_boards.winter_page import winter_page

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.shop.models import Shop
    from envmon_boards.api import Boards

ASSETS = Path(__file__).parent / "assets"


_WHOLE_SHOP: dict[str, Callable[[Shop], Any]] = {
    "alarms": alarms_page,
    "history": history_page,
    "sensors": lambda _shop: sensors_page(),
    "points": lambda _shop: points_page(),
    "mix": mix_page,
    "vapour": vapour_page,
    "winter": winter_page,
    "demo": demo_page,
}
"""Pages that are not about one bay."""


def page(boards: Boards, path: str) -> Any:
    """Return the page for ``/``, ``/bay/<id>``, ``/bench/<id>``, ``/alarms`` and the others."""
    return html.Div([top_bar(boards.shop, demo=boards.demo), *_below(boards, path)])


def _below(boards: Boards, path: str) -> list[Any]:
    bays = {bay.id: bay for bay in boards.shop.bay}
    kind, _, bay_id = path.strip("/").partition("/")
    if not kind:
        return wall(boards.shop.bay)
    if kind == "bay" and bay_id in bays:
        return wall([bays[bay_id]])
    if kind == "bench" and bay_id in bays:
        stages = [(stage.id, stage.name) for stage in boards.plan.bays[bay_id].stages]
        return [bench_page(boards.shop, bays[bay_id], stages)]
    whole = _WHOLE_SHOP.get(path.strip("/"))
    if whole is not None and (kind != "demo" or boards.demo):
        return [whole(boards.shop)]
    return [html.P(f"There is no page {path}. Bays: {', '.join(bays)}.", className="lost")]


def build_app(boards: Boards) -> FastAPI:
    """Return the web application.

    Args:
        boards: What it works with.
    """
    server = FastAPI(title="envmon boards", docs_url=None, redoc_url=None, openapi_url=None)
    porter = Porter(boards.shop, boards.folder, boards.people, boards.door_clock)
    server.include_router(login_router(porter, boards.shop.shop.name))
    server.include_router(router_of(boards))
    server.include_router(sensors_router(boards))
    server.include_router(points_router(boards))
    server.include_router(mix_router(boards))
    server.include_router(vapour_router(boards))
    server.include_router(outlook_router(boards))
    server.include_router(winter_router(boards))
    app: Any = dash.Dash(
        "envmon_boards",
        server=server,  # type: ignore[arg-type]
        backend="fastapi",
        assets_folder=str(ASSETS),
        serve_locally=True,
        title=escape(boards.shop.shop.name),  # goes into the page as it is
        update_title="",
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    # Without this every page keeps a websocket open that nothing here uses.
    app.backend.websocket_capability = False
    facts = {
        "data-tz": boards.shop.shop.timezone,
        "data-units": boards.shop.shop.units,
        "data-silence": f"{boards.shop.shop.silence:g}",
        "data-speed": f"{boards.clock.speed:g}",
    }
    app.layout = html.Div([dash.dcc.Location(id="where"), html.Div(id="page", **facts)])

    def show(path: str | None) -> Any:
        return page(boards, path or "/")

    app.callback(dash.Output("page", "children"), dash.Input("where", "pathname"))(show)
    # Dash collects its assets at the first request for "/" only; a screen may ask for a bay first.
    app._setup_server()  # noqa: SLF001
    headers = Headers(policy_of(app.csp_hashes()), porter.encrypted)
    server.add_middleware(Door, porter=porter, headers=headers)
    return server
