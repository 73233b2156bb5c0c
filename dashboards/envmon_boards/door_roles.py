"""What each address takes: the one table of method and path to role."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias

from starlette.routing import compile_path

if TYPE_CHECKING:
    from envmon.service.people.book import Role

Needed: TypeAlias = "Role | Literal['nobody']"
"""A role, or ``nobody``: it is answered to everybody."""

ROUTES: tuple[tuple[str, str, Needed], ...] = (
    # answered to everybody
    ("GET", "/healthz", "nobody"),
    ("GET", "/login", "nobody"),
    ("GET", "/api/v1/who", "nobody"),
    ("POST", "/api/v1/login", "nobody"),
    ("POST", "/api/v1/logout", "nobody"),
    ("GET", "/ack/{token}", "nobody"),  # the signed link is the right
    ("POST", "/ack/{token}", "nobody"),
    ("GET", "/assets/{path:path}", "nobody"),
    ("GET", "/static/login.css", "nobody"),
    ("GET", "/static/login.js", "nobody"),
    ("GET", "/static/ack.css", "nobody"),
    ("GET", "/_favicon.ico", "nobody"),
    # pages, and what draws them: megabytes that no stranger needs
    ("GET", "/static/plotly.min.js", "look"),
    ("GET", "/_dash-component-suites/{package_name}/{fingerprinted_path:path}", "look"),
    ("GET", "/", "look"),
    ("GET", "/stages/{bay_id}", "look"),
    ("GET", "/_dash-layout", "look"),
    ("GET", "/_dash-dependencies", "look"),
    ("POST", "/_dash-update-component", "look"),
    ("GET", "/_reload-hash", "look"),
    # looking
    ("GET", "/api/v1/bays", "look"),
    ("GET", "/api/v1/bays/{bay_id}", "look"),
    ("GET", "/api/v1/bays/{bay_id}/trend", "look"),
    ("GET", "/api/v1/bays/{bay_id}/outlook", "look"),
    ("GET", "/api/v1/bays/{bay_id}/plan", "look"),
    ("GET", "/api/v1/stream", "look"),
    ("GET", "/api/v1/alarms", "look"),
    ("GET", "/api/v1/alarms/recent", "look"),
    ("GET", "/api/v1/alarms/figures", "look"),
    ("GET", "/api/v1/history", "look"),
    ("GET", "/api/v1/history/span", "look"),
    ("GET", "/api/v1/history/export", "look"),
    ("GET", "/api/v1/jobs", "look"),
    ("GET", "/api/v1/jobs/{job_id}", "look"),
    ("GET", "/api/v1/sensors", "look"),
    ("GET", "/api/v1/points", "look"),
    ("GET", "/api/v1/mix/resin", "look"),
    ("GET", "/api/v1/mix/{kind}", "look"),
    ("GET", "/api/v1/vapour", "look"),
    ("GET", "/api/v1/vapour/start", "look"),
    ("GET", "/api/v1/winter", "look"),
    ("GET", "/api/v1/demo", "look"),
    # working; a record handed out is an entry in the chain
    ("GET", "/api/v1/jobs/{job_id}/record.json", "work"),
    ("GET", "/api/v1/jobs/{job_id}/record.html", "work"),
    ("GET", "/api/v1/jobs/{job_id}/record.pdf", "work"),
    ("POST", "/api/v1/bays/{bay_id}/stage", "work"),
    ("POST", "/api/v1/bays/{bay_id}/acts", "work"),
    ("POST", "/api/v1/demo", "work"),
    # out of service and back is managing, everything else of an alarm is working
    ("POST", "/api/v1/alarms/{alarm}/remove", "manage"),
    ("POST", "/api/v1/alarms/{alarm}/return", "manage"),
    ("POST", "/api/v1/alarms/{alarm}/{act}", "work"),
    # managing
    ("POST", "/api/v1/jobs/{job_id}/erase", "manage"),
    ("POST", "/api/v1/points/claim", "manage"),
)
"""The first that fits counts. What is not listed: reading takes look, all else takes manage."""
READING = frozenset({"GET", "HEAD", "OPTIONS"})
_COMPILED = tuple((method, compile_path(path)[0], needed) for method, path, needed in ROUTES)


def needed_for(method: str, path: str) -> Needed:
    """Return what a request takes.

    Args:
        method: Its method; HEAD is as GET.
        path: Its path, decoded.
    """
    asked = "GET" if method == "HEAD" else method
    for known, pattern, needed in _COMPILED:
        if known == asked and pattern.match(path):
            return needed
    return "look" if method in READING else "manage"
