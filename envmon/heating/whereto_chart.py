"""Where the heat went, as a waterfall: from what the heaters gave down to what nothing explains."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.heating.draw import block, n, path, scale_of, svg, text
from envmon.heating.words import number
from envmon.job.record_html import tag

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from envmon.heating.draw import Room, Scale
    from envmon.job.record_html import Html

NAMES = {
    "fabric": "walls, slab, glass", "leaks": "air through gaps", "losses": "walls and air",
    "door": "open door", "wet work": "drying water", "vehicles": "warming vehicles",
    "stored": "stored in the building", "rest": "not explained",
}  # fmt: skip

WHERE_WORDS = "Estimates, no finer than they are known; a line is the range of nine cases in ten."


def where_chart(waterfall: Mapping[str, Any], room: Room) -> Html:
    """Return a waterfall, a line for each part with its range.

    Args:
        waterfall: One of ``where`` of a log's document.
        room: How wide it is; how high follows.
    """
    font = room.font
    rows = [*waterfall["parts"]]
    step = 2.3 * font
    left, right = 12.5 * font, room.width - 8.5 * font
    ends = [0.0, waterfall["heat_kwh"], *_reached(waterfall["heat_kwh"], rows)]
    across = scale_of(ends, (left, right))
    parts = [
        *_row("heaters gave", 0.0, waterfall["heat_kwh"], across, (0, step), "bar"),
        text(f"{number(waterfall['heat_kwh'])} kWh", room.width, 0.66 * step, "strong", "end"),
    ]
    at = waterfall["heat_kwh"]
    for place, part in enumerate(rows, 1):
        top = place * step
        kind = "unknown" if part["what"] == "rest" else "bar-less"
        name = NAMES.get(part["what"], part["what"])
        parts += _row(name, at - part["kwh"], at, across, (top, step), kind)
        parts += _whisker(at - part["kwh"], part, across, top + 0.42 * step)
        parts.append(path([(across.at(at), top - 0.25 * step), (across.at(at), top)], "axis"))
        parts.append(text(part["text"], room.width, top + 0.62 * step, "", "end"))
        at -= part["kwh"]
    foot = (len(rows) + 1) * step
    parts.append(path([(across.at(0), 0), (across.at(0), foot)], "axis"))
    return svg(room, foot + 0.3 * font, "where the heat went", parts)


def _reached(heat_kwh: float, parts: Sequence[Mapping[str, Any]]) -> Iterator[float]:
    at = heat_kwh
    for part in parts:
        spread = [at - end for end in part["within"]] if part["what"] != "rest" else []
        at -= part["kwh"]
        yield from (at, *spread)


def _row(
    name: str, low: float, high: float, across: Scale, place: tuple[float, float], kind: str
) -> Iterator[Html]:
    top, step = place
    x0, x1 = sorted((across.at(low), across.at(high)))
    yield text(name, 0, top + 0.62 * step, "")
    yield block(x0, top + 0.12 * step, max(x1 - x0, 1.0), 0.62 * step, kind)


def _whisker(at: float, part: Mapping[str, Any], across: Scale, y: float) -> Iterator[Html]:
    """Yield the range of where a part ends."""
    if part["what"] == "rest":
        return
    shift = at + part["kwh"]
    x0, x1 = sorted(across.at(shift - end) for end in part["within"])
    yield tag("path", d=f"M{n(x0)} {n(y)}H{n(x1)}M{n(x0)} {n(y - 3)}v6M{n(x1)} {n(y - 3)}v6",
              class_="whisker")  # fmt: skip
