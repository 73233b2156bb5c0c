"""What the log's drawings share: room, scales with round ticks, marks and their look on paper.

A drawing is inline SVG. On a board its classes are coloured by the board; on paper the look stands
inside the drawing, since WeasyPrint draws it apart from the page.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from envmon.heating.words import number
from envmon.job.record_html import Html, tag

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

PAPER_LOOK = """
.heat text { font-family: "Liberation Sans", "DejaVu Sans", sans-serif; fill: #101a1e; }
.heat .soft { fill: #43535a; } .heat .strong { font-weight: bold; }
.heat .grid { stroke: #d4d8d4; stroke-width: 0.6; fill: none; }
.heat .axis { stroke: #101a1e; stroke-width: 0.8; fill: none; }
.heat .bar { fill: #2c5158; } .heat .bar-was { fill: #ffffff; stroke: #101a1e; stroke-width: 0.8; }
.heat .bar-less { fill: #8fb0a9; } .heat .dot { fill: #2c5158; }
.heat .dot-was { fill: none; stroke: #6b7a80; stroke-width: 0.8; }
.heat .dot-side { fill: #8fb0a9; }
.heat .fit-side { stroke: #4c7b80; stroke-width: 1.6; fill: none; }
.heat .dot-apart { fill: none; stroke: #a62108; stroke-width: 1.1; }
.heat .fit { stroke: #101a1e; stroke-width: 1.6; fill: none; }
.heat .fit-was { stroke: #6b7a80; stroke-width: 1.2; fill: none; stroke-dasharray: 5 3; }
.heat .cold { stroke: #101a1e; stroke-width: 1.3; fill: none; }
.heat .whisker { stroke: #101a1e; stroke-width: 1; fill: none; }
.heat .q0 { fill: #f1f1ee; } .heat .q1 { fill: #d9e3df; } .heat .q2 { fill: #b3cac5; }
.heat .q3 { fill: #82a7a5; } .heat .q4 { fill: #4c7b80; } .heat .q5 { fill: #1d4750; }
.heat .unknown { fill: none; stroke: #6b7a80; stroke-width: 0.8; stroke-dasharray: 2 2; }
.heat .on-dark { fill: #ffffff; } .heat .edge { stroke: #101a1e; stroke-width: 1; fill: none; }
"""


class Room(NamedTuple):
    """How large a drawing is, in its own units.

    Attributes:
        width: Width.
        height: Height; drawings that follow from their content pass it over.
        font: Size of its letters.
        paper: Whether it carries its look with it.
    """

    width: float
    height: float
    font: float
    paper: bool = False


PAPER = Room(690, 210, 10, paper=True)


class Scale(NamedTuple):
    """From values to places: ``low`` at ``start``, ``high`` at ``end``."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the place of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def scale_of(values: Sequence[float], ends: tuple[float, float], *, zero: bool = False) -> Scale:
    """Return a scale on round numbers that shows every value.

    Args:
        values: What it must show.
        ends: Places of its low and its high end.
        zero: Whether it shows zero as well.
    """
    shown = [*values, *([0.0] if zero else [])] or [0.0, 1.0]
    low, high = min(shown), max(shown)
    if high - low < 1e-9:
        high = low + 1.0
    step = step_of(high - low, 5)
    return Scale(math.floor(low / step) * step, math.ceil(high / step) * step, *ends)


def step_of(span: float, most: int) -> float:
    """Return a round step that divides a span into at most ``most`` parts, or one more."""
    raw = span / most
    ten = 10.0 ** math.floor(math.log10(raw))
    return next(ten * nice for nice in (1, 2, 5, 10) if ten * nice >= raw * 0.999)


def ticks_of(scale: Scale, most: int = 5) -> list[float]:
    """Return round values of a scale."""
    step = step_of(scale.high - scale.low, most)
    first, last = math.ceil(scale.low / step - 1e-9), math.floor(scale.high / step + 1e-9)
    return [step * place for place in range(first, last + 1)]


def tick_text(value: float) -> str:
    """Return a tick's number, no longer than it must be."""
    return number(value, 0 if abs(value - round(value)) < 1e-6 else 1)


def svg(room: Room, height: float, label: str, parts: Sequence[object]) -> Html:
    """Return a drawing.

    Args:
        room: How wide it is, and whether it carries its look.
        height: How high it is.
        label: What it shows, for those who cannot see it.
        parts: What is in it.
    """
    look = [tag("style", Html(PAPER_LOOK))] if room.paper else []
    return tag(
        "svg", *look, *parts, viewBox=f"0 0 {n(room.width)} {n(height)}", class_="heat chart",
        role="img", aria_label=label, xmlns="http://www.w3.org/2000/svg", font_size=room.font,
    )  # fmt: skip


def text(what: object, x: float, y: float, kind: str = "", anchor: str = "start") -> Html:
    """Return a line of text; ``y`` is its foot."""
    named = {"class_": kind} if kind else {}
    return tag("text", what, x=n(x), y=n(y), text_anchor=anchor, **named)


def block(x: float, y: float, width: float, height: float, kind: str, say: str = "") -> Html:
    """Return a filled rectangle; ``say`` shows where a pointer rests on it."""
    title = [tag("title", say)] if say else []
    size = {"x": n(x), "y": n(y), "width": n(max(width, 0)), "height": n(max(height, 0))}
    return tag("rect", *title, class_=kind, **size)


def path(points: Sequence[tuple[float, float] | None], kind: str) -> Html:
    """Return a line through points, broken where one is not known."""
    pen, steps = "M", []
    for point in points:
        if point is None:
            pen = "M"
            continue
        steps.append(f"{pen}{n(point[0])} {n(point[1])}")
        pen = "L"
    return tag("path", d="".join(steps), class_=kind) if steps else Html("")


def dot(x: float, y: float, radius: float, kind: str, say: str = "") -> Html:
    """Return a disc."""
    title = [tag("title", say)] if say else []
    return tag("circle", *title, cx=n(x), cy=n(y), r=n(radius), class_=kind)


def upright(scale: Scale, ends: tuple[float, float], unit: str, font: float) -> Iterator[Html]:
    """Yield the grid and numbers of a vertical scale; its unit stands over it."""
    left, right = ends
    room = abs(scale.start - scale.end) / font
    for value in ticks_of(scale, max(2, min(5, int(room / 1.8)))):
        y = scale.at(value)
        yield path([(left, y), (right, y)], "grid")
        yield text(tick_text(value), left - 0.5 * font, y + 0.35 * font, "soft", "end")
    yield text(unit, left - 0.5 * font, scale.end - 0.7 * font, "soft", "end")


def level(scale: Scale, y: float, unit: str, font: float) -> Iterator[Html]:
    """Yield the line and numbers of a horizontal scale; its unit stands below."""
    yield path([(scale.start, y), (scale.end, y)], "axis")
    for value in ticks_of(scale, 8):
        x = scale.at(value)
        yield path([(x, y), (x, y + 0.4 * font)], "axis")
        yield text(tick_text(value), x, y + 1.5 * font, "soft", "middle")
    yield text(unit, scale.end, y + 2.8 * font, "soft", "end")


def n(value: float) -> str:
    """Return a number of a drawing, short."""
    return f"{value:.1f}".removesuffix(".0")
