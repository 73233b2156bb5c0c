"""Bills as a drawing: what each took a day, the bills of the winter before hollow beside it."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.heating.draw import block, scale_of, svg, text, upright
from envmon.heating.words import number

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from envmon.heating.draw import Room, Scale
    from envmon.heating.words import Words
    from envmon.job.record_html import Html


class _Bar(NamedTuple):
    """A bill by the day: its days, as dates of the later winter, and how much."""

    first: date
    end: date
    much: float
    kind: str
    say: str

    @property
    def name(self) -> str:
        """Its month, or its first day where it is of other days."""
        month = f"{self.first:%b}"
        return month if self.first.day == 1 else f"{self.first.day} {month}"


def told_by_bills(document: Mapping[str, Any]) -> bool:
    """Return whether all that is known of a log's energy or money is from bills."""
    told = any(one["energy_kwh"] is not None or one["cost"] is not None
               for one in document["bills"])  # fmt: skip
    return told and not document["whole"]["known"]["energy_kwh"]


def bills_words(document: Mapping[str, Any]) -> str:
    """Return what stands under the drawing of bills."""
    before = document["before"]
    was = " Hollow: the winter before." if before is not None and before["bills"] else ""
    return f"A bar is a bill: what it took a day.{was}"


def bills_chart(document: Mapping[str, Any], words: Words, room: Room) -> Html:
    """Return a bar for each bill, as wide as its days; energy a day, or money where that is all.

    Args:
        document: The log's document.
        words: How the shop reads it.
        room: How large the drawing is.
    """
    bills = document["bills"]
    energy = any(one["energy_kwh"] is not None for one in bills)
    bars = [*_bars(document, words, energy=energy)]
    font = room.font
    left, right = 4.2 * font, room.width - 0.5 * font
    top, foot = 2.2 * font, room.height - 1.9 * font
    up = scale_of([bar.much for bar in bars], (foot, top), zero=True)
    start = min(bar.first for bar in bars)
    width = (right - left) / (max(bar.end for bar in bars) - start).days
    unit = "kWh/d" if energy else f"{words.currency}/d"
    parts = [*upright(up, (left, right), unit, font)]
    named: set[str] = set()
    for bar in bars:
        place = left + (bar.first - start).days * width, width
        parts += _drawn(bar, up, place, font)
        if bar.name not in named:
            middle = place[0] + (bar.end - bar.first).days * width / 2
            parts.append(text(bar.name, middle, foot + 1.4 * font, "soft", "middle"))
            named.add(bar.name)
    return svg(room, room.height, "what each bill took a day", parts)


def _bars(document: Mapping[str, Any], words: Words, *, energy: bool) -> Iterator[_Bar]:
    before = document["before"] or {"bills": []}
    for bills, shift, kind in ((before["bills"], 1, "bar-was"), (document["bills"], 0, "bar")):
        for one in bills:
            whole = one["energy_kwh"] if energy else one["cost"]
            if whole is None:
                continue
            first, last = (date.fromisoformat(one[end]) for end in ("first", "last"))
            a_day = f"{number(whole / one['days'])} kWh" if energy else words.money(
                whole / one["days"]
            )  # fmt: skip
            say = f"bill {first} to {last}: {a_day} a day"
            since, until = (_years_on(day, shift) for day in (first, last))
            yield _Bar(since, until + timedelta(days=1), whole / one["days"], kind, say)


def _years_on(day: date, years: int) -> date:
    """Return the same day of a later year; the 28th where that has no 29 February."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return day.replace(year=day.year + years, day=28)


def _drawn(bar: _Bar, up: Scale, place: tuple[float, float], font: float) -> Sequence[Html]:
    """Return a bar; those of the winter before are set to the left, this winter's to the right."""
    x, width = place
    whole = (bar.end - bar.first).days * width
    was = bar.kind == "bar-was"
    at, wide = (x + 0.08 * whole, 0.4 * whole) if was else (x + 0.52 * whole, 0.4 * whole)
    y = up.at(bar.much)
    drawn = [block(at, y, wide, up.start - y, bar.kind, bar.say)]
    if wide > 2.2 * font:
        drawn.append(text(number(bar.much), at + wide / 2, y - 0.35 * font, "", "middle"))
    return drawn
