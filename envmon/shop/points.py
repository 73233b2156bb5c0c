"""Points whose topic has wildcards, written out for every bay they can belong to."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from envmon.units import FORECASTS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.shop.models import Point

_TEMPLATE = re.compile(r"\{([1-9])\}")


def filled(template: str, levels: Sequence[str]) -> str:
    """Return a template with ``{1}`` replaced by the text of the topic's first ``+``, and so on.

    Args:
        template: Text such as ``{1}-air``.
        levels: What each ``+`` of the topic stands for, in order.
    """
    return _TEMPLATE.sub(lambda match: levels[int(match[1]) - 1], template)


def read_by(point: Point) -> list[str]:
    """Return the quantities of which a point sends readings, not forecasts."""
    return [quantity for quantity in point.reads if quantity not in FORECASTS]


def sends_readings(point: Point) -> bool:
    """Return whether a point is a sensor: one that only foretells is none."""
    return bool(read_by(point))


def expand_points(points: Sequence[Point], bays: Sequence[str]) -> list[Point]:
    """Return the points with every ``{1}`` that names the bay written out, one point per bay.

    A ``+`` that names no bay stays in the topic: all its topics feed the one point.

    Args:
        points: Points of a checked shop file.
        bays: Ids of all bays.
    """
    expanded: list[Point] = []
    for point in points:
        match = _TEMPLATE.fullmatch(point.bay or "")
        if match is None:
            expanded.append(point)
            continue
        place = int(match[1])
        for bay in bays:
            levels = [bay if i == place else "+" for i in range(1, point.topic.count("+") + 1)]
            parts = iter(levels)
            topic = "/".join(
                next(parts) if level == "+" else level for level in point.topic.split("/")
            )
            update = {"id": filled(point.id, levels), "bay": bay, "topic": topic}
            expanded.append(point.model_copy(update=update))
    return expanded
