"""Charts of a record as inline SVG: black on white says it all, colour only helps."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.clock import SECOND_US, us_from_iso
from envmon.job.record_html import Html, tag
from envmon.job.record_words import amount_text, edge_text, label_of, local_time, unit_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from envmon.units import UnitSystem

WIDTH, LEFT, RIGHT = 720, 128, 66
LANE, GAP, STRIP, FOOT = 70, 12, 6, 26
_INNER = WIDTH - LEFT - RIGHT
_STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1_440)
_MOST_TICKS = 8

# Inside the drawing, since WeasyPrint draws it apart from the page's own look.
_LOOK = """
.chart text { font-family: "Liberation Sans", "DejaVu Sans", sans-serif; font-size: 10px;
  fill: #101a1e; }
.chart .name { font-weight: bold; font-size: 11px; }
.chart .ground { fill: #f1f1ee; } .chart .window { fill: #ffffff; }
.chart .limit { stroke: #101a1e; stroke-width: 0.8; stroke-dasharray: 4 3; }
.chart .tick { stroke: #c9ceca; stroke-width: 0.5; }
.chart .spread { fill: #b9c2c0; }
.chart .mean { fill: none; stroke: #101a1e; stroke-width: 1.3; }
.chart .outside { fill: #101a1e; }
.chart .unknown { fill: none; stroke: #101a1e; stroke-width: 0.8; }
"""


class _Scale(NamedTuple):
    """From values to heights in a lane."""

    low: float
    high: float
    top: float

    def y(self, value: float) -> float:
        return self.top + LANE - (value - self.low) / (self.high - self.low) * LANE


class _Frame(NamedTuple):
    """What all lanes of a chart share."""

    from_us: int
    to_us: int
    step_us: int
    zone: str
    units: UnitSystem

    def x(self, at_us: float) -> float:
        return LEFT + (at_us - self.from_us) / (self.to_us - self.from_us) * _INNER

    def ends(self, place: int) -> tuple[float, float]:
        """Return the left and right edge of a bucket."""
        start = self.from_us + place * self.step_us
        return self.x(start), self.x(min(start + self.step_us, self.to_us))


def chart(data: Mapping[str, Any], zone: str, units: UnitSystem) -> Html:
    """Return a chart with a lane for each quantity.

    Args:
        data: One of ``measured.charts`` of a record.
        zone: The shop's time zone.
        units: Units it is drawn in.
    """
    ends = us_from_iso(data["from"]), us_from_iso(data["to"])
    frame = _Frame(*ends, round(data["step_s"] * SECOND_US), zone, units)
    lanes = data["lanes"]
    height = len(lanes) * (LANE + STRIP + GAP) + FOOT
    drawn = [_lane(lane, frame, n * (LANE + STRIP + GAP) + 4) for n, lane in enumerate(lanes)]
    said = ", ".join(label_of(lane["quantity"]) for lane in lanes)
    axis = _axis(frame, height - FOOT)
    box = f"0 0 {WIDTH} {height}"
    label = f"{said} over {data['stage']}"
    look = tag("style", Html(_LOOK))
    named = {"viewBox": box, "class_": "chart", "role": "img", "aria_label": label}
    return tag("svg", look, *drawn, *axis, **named)


def _lane(lane: Mapping[str, Any], frame: _Frame, top: float) -> Html:
    scale = _scale(lane, top)
    parts = [
        *_limits(lane, frame, scale),
        *_band(lane, frame, scale),
        *_line(lane["mean"], frame, scale),
        *_strip(lane, frame, top + LANE + 1),
        *_labels(lane, frame, scale),
    ]
    return tag("g", *parts)


def _scale(lane: Mapping[str, Any], top: float) -> _Scale:
    """Return a scale that shows every value and both limits, with a little air around them."""
    values = [v for name in ("lowest", "highest") for v in lane[name] if v is not None]
    values += [float(lane[end]) for end in ("low", "high") if lane[end] is not None]
    low, high = min(values, default=0.0), max(values, default=1.0)
    air = max((high - low) * 0.12, 0.5)
    return _Scale(low - air, high + air, top)


def _limits(lane: Mapping[str, Any], frame: _Frame, scale: _Scale) -> Iterator[Html]:
    low = scale.low if lane["low"] is None else float(lane["low"])
    high = scale.high if lane["high"] is None else float(lane["high"])
    yield tag("rect", x=LEFT, y=scale.top, width=_INNER, height=LANE, class_="ground")
    if lane["low"] is None and lane["high"] is None:
        return
    top, bottom = scale.y(high), scale.y(low)
    yield tag("rect", x=LEFT, y=_n(top), width=_INNER, height=_n(bottom - top), class_="window")
    for name in ("low", "high"):
        if lane[name] is not None:
            y = scale.y(float(lane[name]))
            text = edge_text(float(lane[name]), lane["quantity"], frame.units)
            yield tag("line", x1=LEFT, x2=LEFT + _INNER, y1=_n(y), y2=_n(y), class_="limit")
            yield tag("text", text, x=LEFT - 6, y=_n(y + 3.5), class_="edge", text_anchor="end")


def _band(lane: Mapping[str, Any], frame: _Frame, scale: _Scale) -> Iterator[Html]:
    """Yield a bar from the lowest to the highest of every bucket."""
    path = []
    for place, (low, high) in enumerate(zip(lane["lowest"], lane["highest"], strict=True)):
        if low is not None and high is not None:
            left, right = frame.ends(place)
            top, bottom = scale.y(high), scale.y(low)
            path.append(f"M{_n(left)} {_n(top)}H{_n(right)}V{_n(bottom)}H{_n(left)}Z")
    if path:
        yield tag("path", d="".join(path), class_="spread")


def _line(values: Sequence[float | None], frame: _Frame, scale: _Scale) -> Iterator[Html]:
    """Yield the means as a line that is broken where nothing is known."""
    path, pen = [], "M"
    for place, value in enumerate(values):
        if value is None:
            pen = "M"
            continue
        left, right = frame.ends(place)
        y = _n(scale.y(value))
        path.append(f"{pen}{_n(left)} {y}H{_n(right)}")
        pen = "L"
    if path:
        yield tag("path", d="".join(path), class_="mean")


def _strip(lane: Mapping[str, Any], frame: _Frame, y: float) -> Iterator[Html]:
    """Yield what is below a lane: black where it was outside, a zigzag where nobody knows."""
    low = -math.inf if lane["low"] is None else float(lane["low"])
    high = math.inf if lane["high"] is None else float(lane["high"])
    outside, unknown = [], []
    for place, (least, most) in enumerate(zip(lane["lowest"], lane["highest"], strict=True)):
        left, right = frame.ends(place)
        if least is None or most is None:
            middle = _n((left + right) / 2)
            unknown.append(f"M{_n(left)} {_n(y + STRIP - 2)}L{middle} {_n(y)}L{_n(right)} ")
            unknown.append(f"{_n(y + STRIP - 2)}")
        elif least < low or most > high:
            outside.append(f"M{_n(left)} {_n(y)}H{_n(right)}v{STRIP - 2}H{_n(left)}Z")
    if outside:
        yield tag("path", d="".join(outside), class_="outside")
    if unknown:
        yield tag("path", d="".join(unknown), class_="unknown")


def _labels(lane: Mapping[str, Any], frame: _Frame, scale: _Scale) -> Iterator[Html]:
    name, unit = label_of(lane["quantity"]), unit_of(lane["quantity"], frame.units)
    first, _, rest = name.partition(" above ")
    lines = [first, *([f"above {rest}"] if rest else []), unit]
    for at, text in enumerate(lines):
        kind = "name" if at < len(lines) - 1 else "edge"
        yield tag("text", text, x=0, y=_n(scale.top + 12 + at * 13), class_=kind)
    yield from _extremes(lane, frame, scale)


def _extremes(lane: Mapping[str, Any], frame: _Frame, scale: _Scale) -> Iterator[Html]:
    """Yield the highest and the lowest value beside the lane, never one over the other."""
    highest = max((v for v in lane["highest"] if v is not None), default=None)
    lowest = min((v for v in lane["lowest"] if v is not None), default=None)
    if highest is None or lowest is None:
        return
    top = min(max(scale.y(highest) + 3.5, scale.top + 9), scale.top + LANE - 11)
    bottom = max(min(scale.y(lowest) + 3.5, scale.top + LANE), top + 11)
    for word, value, y in (("max", highest, top), ("min", lowest, bottom)):
        text = amount_text(value, lane["quantity"], frame.units, unit=False)
        yield tag("text", f"{word} {text}", x=LEFT + _INNER + 6, y=_n(y), class_="edge")


def _axis(frame: _Frame, y: float) -> Iterator[Html]:
    for at_us in _ticks(frame):
        x, moment = _n(frame.x(at_us)), local_time(at_us, frame.zone)
        yield tag("line", x1=x, x2=x, y1=4, y2=_n(y - GAP), class_="tick")
        yield tag("text", f"{moment:%H:%M}", x=x, y=_n(y + 6), class_="edge", text_anchor="middle")


def _ticks(frame: _Frame) -> list[int]:
    """Return round local times within the chart [µs]."""
    whole_min = (frame.to_us - frame.from_us) / (60 * SECOND_US)
    step_min = next((s for s in _STEPS_MIN if whole_min / s <= _MOST_TICKS), _STEPS_MIN[-1])
    start = local_time(frame.from_us, frame.zone)
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    first = math.ceil((start - midnight) / timedelta(minutes=step_min)) * step_min
    # Counted from midnight on, so that ticks are round also in zones with half hours.
    offset_us = frame.from_us // SECOND_US * SECOND_US - round(
        (start - midnight).total_seconds() * SECOND_US
    )
    ticks = []
    while (at_us := offset_us + first * 60 * SECOND_US) <= frame.to_us:
        ticks.append(at_us)
        first += step_min
    return ticks


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
