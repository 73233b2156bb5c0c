"""The winter as a calendar: a square for each day, the darker the more it took."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from envmon.heating.charts import day_words
from envmon.heating.draw import block, path, svg, text
from envmon.heating.words import number

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from envmon.heating.draw import Room
    from envmon.heating.words import Words
    from envmon.job.record_html import Html

SHADES = 6
_WEEKDAYS = ("Mon", "", "Wed", "", "Fri", "", "Sun")
_GAP = 0.12


def calendar_chart(document: Mapping[str, Any], words: Words, room: Room) -> Html:
    """Return a column for each week, Monday on top; more weeks than fit go on in a row below.

    Args:
        document: The log's document.
        words: How the shop reads it.
        room: How wide it is; how high follows.
    """
    days = {date.fromisoformat(day["day"]): day for day in document["days"]}
    first = min(days) - timedelta(days=min(days).weekday())
    weeks = (max(days) - first).days // 7 + 1
    left = 3.2 * room.font
    least = 1.25 * room.font
    columns = min(weeks, max(8, int((room.width - left) / least)))
    rows = -(-weeks // columns)
    columns = -(-weeks // rows)
    size = min((room.width - left) / columns, 3.4 * room.font)
    edges = shade_edges([day["energy_kwh"] for day in days.values()])
    band = 7 * size + 2.4 * room.font
    parts: list[object] = []
    for row in range(rows):
        top = row * band + 1.6 * room.font
        weeks_here = range(row * columns, min((row + 1) * columns, weeks))
        parts += _names(top, size, room.font)
        for column, week in enumerate(weeks_here):
            start = first + timedelta(weeks=week)
            x = left + column * size
            parts += _month_name(start, days, x, top, room.font)
            parts += _week(start, days, (x, top, size), edges, words)
    foot = rows * band + 1.2 * room.font
    parts += _legend(edges, left, foot, room)
    return svg(room, foot + 1.6 * room.font, "energy of each day as a calendar", parts)


def shade_edges(values: Sequence[float | None]) -> list[float]:
    """Return what separates the shades: equal steps from nothing to the dearest day."""
    most = max((value for value in values if value is not None), default=0.0)
    return [most * place / SHADES for place in range(1, SHADES)]


def _names(top: float, size: float, font: float) -> Iterator[Html]:
    for place, name in enumerate(_WEEKDAYS):
        if name:
            yield text(name, 0, top + (place + 0.5) * size + 0.35 * font, "soft")


def _month_name(
    start: date, days: Mapping[date, Any], x: float, top: float, font: float
) -> Iterator[Html]:
    """Yield the month's name over the week that holds its first day."""
    for number_ in range(7):
        day = start + timedelta(days=number_)
        if day in days and (day.day == 1 or (day == min(days) and day.day < 20)):
            yield text(f"{day:%b}", x, top - 0.5 * font, "strong")


def _week(
    start: date,
    days: Mapping[date, Any],
    place: tuple[float, float, float],
    edges: Sequence[float],
    words: Words,
) -> Iterator[Html]:
    x, top, size = place
    inner = size * (1 - _GAP)
    for row in range(7):
        day = start + timedelta(days=row)
        if day not in days:
            continue
        found, y = days[day], top + row * size
        kwh = found["energy_kwh"]
        kind = "unknown" if kwh is None else f"q{sum(kwh > edge for edge in edges)}"
        yield block(x, y, inner, inner, kind, day_words(found, words))
        if day.day == 1:  # a month's first day has its left edge drawn
            yield path([(x - size * _GAP / 2, y), (x - size * _GAP / 2, y + inner)], "edge")


def _legend(edges: Sequence[float], left: float, foot: float, room: Room) -> Iterator[Html]:
    font, x = room.font, left
    for place in range(SHADES):
        yield block(x, foot - 0.9 * font, 1.6 * font, font, f"q{place}")
        x += 1.7 * font
    x += 0.5 * font
    step = edges[0] if edges else 0.0
    yield text(f"kWh a day, in steps of {number(step)}", x, foot, "soft")
    x += 15 * font
    if x + 8 * font < room.width:
        yield block(x, foot - 0.9 * font, 1.6 * font, font, "unknown")
        yield text("not known", x + 2.2 * font, foot, "soft")
