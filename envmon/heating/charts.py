"""Drawings of a heating log: days, signature, months against last winter's; from its document."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from envmon.heating.draw import (
    Scale,
    block,
    dot,
    level,
    path,
    scale_of,
    svg,
    text,
    upright,
)
from envmon.heating.words import day_name, number

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from envmon.heating.draw import Room
    from envmon.heating.words import Words
    from envmon.job.record_html import Html


def days_chart(document: Mapping[str, Any], words: Words, room: Room) -> Html:
    """Return energy of each day as a bar, with the outdoors above it."""
    days, font = document["days"], room.font
    left, right = 4.2 * font, room.width - 0.5 * font
    top, foot = 2.2 * font, room.height - 1.9 * font
    split = top + 0.42 * (foot - top)
    out = [None if d["outdoor_mean_c"] is None else words.temp_value(d["outdoor_mean_c"])
           for d in days]  # fmt: skip
    kwh = [d["energy_kwh"] for d in days]
    cold = scale_of([v for v in out if v is not None], (split - 0.8 * font, top))
    heat = scale_of([v for v in kwh if v is not None], (foot, split + 1.4 * font), zero=True)
    width = (right - left) / max(len(days), 1)
    parts = [
        *upright(cold, (left, right), words.temp_unit, font),
        *upright(heat, (left, right), "kWh", font),
        path(_line(out, cold, left, width), "cold"),
        *_bars(days, heat, left, width, words),
        *_month_marks([date.fromisoformat(d["day"]) for d in days], left, width, (top, foot), font),
        text("outdoors", left + 0.6 * font, cold.end - 0.7 * font, "soft"),
        text("energy", left + 0.6 * font, heat.end - 0.7 * font, "soft"),
    ]
    return svg(room, room.height, "energy and outdoor temperature of each day", parts)


def _line(
    values: Sequence[float | None], scale: Scale, left: float, width: float
) -> list[tuple[float, float] | None]:
    return [
        None if value is None else (left + (place + 0.5) * width, scale.at(value))
        for place, value in enumerate(values)
    ]


def _bars(
    days: Sequence[Mapping[str, Any]], scale: Scale, left: float, width: float, words: Words
) -> Iterator[Html]:
    for place, day in enumerate(days):
        x = left + place * width
        say = day_words(day, words)
        if day["energy_kwh"] is None:
            yield block(x + 0.15 * width, scale.start - 3, 0.7 * width, 3, "unknown", say)
            continue
        y = scale.at(day["energy_kwh"])
        yield block(x + 0.1 * width, y, 0.8 * width, scale.start - y, "bar", say)


def day_words(day: Mapping[str, Any], words: Words) -> str:
    """Return what a day comes to, in a line."""
    when = day_name(date.fromisoformat(day["day"]))
    kwh = "energy not known" if day["energy_kwh"] is None else f"{number(day['energy_kwh'])} kWh"
    cost = "" if day["cost"] is None else f", {words.money(day['cost'])}"
    out = day["outdoor_mean_c"]
    outdoor = "" if out is None else f", outdoors {words.temp(out)} {words.temp_unit}"
    return f"{when}: {kwh}{cost}{outdoor}"


def _month_marks(
    days: Sequence[date], left: float, width: float, ends: tuple[float, float], font: float
) -> Iterator[Html]:
    for place, day in enumerate(days):
        if place and day.day != 1:
            continue
        x = left + place * width
        yield path([(x, ends[0]), (x, ends[1] + 0.5 * font)], "grid")
        until = next((p for p in range(place + 1, len(days)) if days[p].day == 1), len(days))
        if (until - place) * width > 2.2 * font:
            yield text(f"{day:%b}", x + 0.3 * font, ends[1] + 1.4 * font, "soft")


def signature_chart(document: Mapping[str, Any], words: Words, room: Room) -> Html:
    """Return energy of a day against the outdoors, with the signature through it."""
    points = _points(document)
    font = room.font
    left, right, top, foot = 4.4 * font, room.width - font, 2.2 * font, room.height - 3.4 * font
    before = document["before"] or {}
    was = [(x, y, "a day of the winter before") for x, y in before.get("points", ())]
    was = was or _bill_points(before.get("bills", ()))
    early = points[: _before_last(document)]
    shown = [words.temp_value(x) for x, _, _ in (*points, *was)]
    across = scale_of(shown, (left, right))
    up = scale_of([y for _, y, _ in (*points, *was)], (foot, top), zero=True)
    radius = 0.26 * font if len(points) > 20 else 0.45 * font
    parts = [
        *upright(up, (left, right), "kWh/d", font),
        *level(across, foot, f"outdoors, mean of the day [{words.temp_unit}]", font),
        *(
            dot(across.at(words.temp_value(x)), up.at(y), radius, kind, say)
            for kind, group in (("dot-was", was), ("dot-side", early), ("dot", points[len(early):]))
            for x, y, say in group
        ),
        _fit(before.get("signature"), (across, up), words, "fit-was"),
        *_lines(document, (across, up), words, font),
    ]  # fmt: skip
    return svg(room, room.height, "energy of a day against outdoor temperature", parts)


def has_points(document: Mapping[str, Any]) -> bool:
    """Return whether there is any day or bill to draw against the outdoors."""
    before = document["before"] or {}
    was = before.get("points", ()) or _bill_points(before.get("bills", ()))
    return bool(_points(document) or was)


def _before_last(document: Mapping[str, Any]) -> int:
    """Return how many of the days drawn lie before the last change."""
    sides = document["sides"]
    drawn = [day["day"] for day in document["days"] if _is_drawn(day)]
    return sum(day < sides[-1]["first"] for day in drawn) if sides else 0


def _lines(
    document: Mapping[str, Any], scales: tuple[Scale, Scale], words: Words, font: float
) -> Iterator[Html | str]:
    """Yield the signature; where something changed one line for each side, with its days."""
    sides = document["sides"]
    if not sides:
        yield _fit(document["signature"], scales, words, "fit")
        return
    across, up = scales
    lines = [one["line"] for one in sides if one["line"] is not None]
    cold_c = words.celsius(across.low)
    highest = max((expected(line, cold_c) for line in lines), default=0.0)
    for one in sides:
        if one["line"] is None:
            continue
        last = one is sides[-1]
        yield _fit(one["line"], scales, words, "fit" if last else "fit-side")
        kwh = expected(one["line"], cold_c)
        y = up.at(kwh) + (-0.5 if kwh == highest else 2.6) * font
        named = one["first"] if last else one["last"]
        said = f"{'from' if last else 'to'} {day_name(date.fromisoformat(named))[4:]}"
        yield text(said, across.start + 0.3 * font, max(y, up.end + font), "strong")


def _is_drawn(day: Mapping[str, Any]) -> bool:
    return None not in {day["outdoor_mean_c"], day["energy_kwh"]} and not day["partial"]


def _points(document: Mapping[str, Any]) -> list[tuple[float, float, str]]:
    days = [
        (d["outdoor_mean_c"], d["energy_kwh"], day_name(date.fromisoformat(d["day"])))
        for d in document["days"]
        if _is_drawn(d)
    ]
    return days or _bill_points(document["bills"])


def _bill_points(bills: Sequence[Mapping[str, Any]]) -> list[tuple[float, float, str]]:
    return [
        (b["outdoor_mean_c"], b["energy_kwh"] / b["days"], f"bill {b['first']} to {b['last']}")
        for b in bills
        if None not in {b["outdoor_mean_c"], b["energy_kwh"]}
    ]


def _fit(
    found: Mapping[str, Any] | None, scales: tuple[Scale, Scale], words: Words, kind: str
) -> Html | str:
    if found is None:
        return ""
    across, up = scales
    low, high = (words.celsius(end) for end in (across.low, across.high))
    bend = found["change_point_c"]
    xs = [low, high] if bend is None or not low < bend < high else [low, bend, high]
    points = [(across.at(words.temp_value(x)), up.at(expected(found, x))) for x in xs]
    return path(_inside(points, up), kind)


def expected(found: Mapping[str, Any], outdoor_c: float) -> float:
    """Return the energy of a day by a signature of a document [kWh/d]."""
    if found["change_point_c"] is None:
        return float(found["intercept"] + found["slope"] * outdoor_c)
    colder = min(outdoor_c - found["change_point_c"], 0.0)
    return float(found["base_load"] + found["slope"] * colder)


def _inside(points: Sequence[tuple[float, float]], up: Scale) -> list[tuple[float, float] | None]:
    """Return a line cut where it leaves the drawing at its foot or its top."""
    top, foot = min(up.start, up.end), max(up.start, up.end)
    found: list[tuple[float, float] | None] = []
    for (x0, y0), (x1, y1) in pairwise(points):
        cuts = []
        for x, y in ((x0, y0), (x1, y1)):
            kept = min(max(y, top), foot)
            at = x if abs(y1 - y0) < 1e-9 or kept == y else x0 + (kept - y0) / (y1 - y0) * (x1 - x0)
            cuts.append((at, kept))
        found += cuts
    return found


def months_chart(document: Mapping[str, Any], room: Room) -> Html:
    """Return energy of each month beside the same month of the winter before."""
    font = room.font
    left, right, top, foot = 4.4 * font, room.width - font, 2.4 * font, room.height - 2.2 * font
    before = document["before"] or {"months": []}
    was = {m["first"][5:7]: _kwh(m) for m in before["months"]}
    months = [(date.fromisoformat(m["first"]), _kwh(m)) for m in document["months"]]
    shown = [v for v in (*was.values(), *(v for _, v in months)) if v is not None]
    up = scale_of(shown, (foot, top), zero=True)
    width = (right - left) / max(len(months), 1)
    parts = [*upright(up, (left, right), "kWh", font), path([(left, foot), (right, foot)], "axis")]
    for place, (first, kwh) in enumerate(months):
        x = left + place * width
        for value, kind, shift in ((was.get(f"{first:%m}"), "bar-was", 0.1), (kwh, "bar", 0.5)):
            name = f"{first:%b}{'' if kind == 'bar' else ', the winter before'}"
            parts += _month_bar(value, up, (x + shift * width, 0.38 * width), kind, name)
        parts.append(text(f"{first:%b}", x + width / 2, foot + 1.4 * font, "", "middle"))
    return svg(room, room.height, "energy of each month and of the same month before", parts)


def _kwh(month: Mapping[str, Any]) -> float | None:
    found: float | None = month["energy_kwh"]
    billed: float | None = month["billed_kwh"]
    return billed if found is None else found


def _month_bar(
    value: float | None, up: Scale, place: tuple[float, float], kind: str, name: str
) -> list[Html]:
    if value is None:
        return []
    y = up.at(value)
    say = f"{name}: {number(value)} kWh"
    return [block(place[0], y, place[1], up.start - y, kind, say)]
