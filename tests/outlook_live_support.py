"""A shop with some hours of minutes behind it, for the tests of the outlook that is live."""

from __future__ import annotations

import math
from contextlib import contextmanager
from typing import TYPE_CHECKING, Literal

import msgspec

from envmon.clock import MINUTE_US, iso_from_us
from envmon.facts import Flag, NewEvent, Reading, kept_value
from envmon.guard.plan import plan_from_shop
from envmon.service.outlook.live import (
    DayStep,
    FanLine,
    Moment,
    MorningSaid,
    OutlookState,
    StageSaid,
)
from envmon.service.outlook.think import Thinker
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore
from tests.bench_support import PROCEDURES
from tests.boards_support import NOW_US, shop_from, shop_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.guard.live import Fitness
    from envmon.shop.models import Shop

TEXT = shop_text().replace(
    'id = "north"\n', 'id = "north"\nprocedure = "winter_coating"\n', 1
) + PROCEDURES  # fmt: skip
SHARED = TEXT.replace('viewing_distance = "6 m"', 'viewing_distance = "6 m"\nair_space = "hall"')
WASHED_MIN = 25
"""So many minutes ago the last wash of the story ended."""


def shop_of(text: str = TEXT) -> Shop:
    return shop_from(text)


def minute_of(back_min: int) -> tuple[float, float, float]:
    """Return air [°C], humidity [%] and panel [°C] of a story with a wash some time ago."""
    since = WASHED_MIN - back_min
    wet = 30 * math.exp(-since / 40) if since > 0 else 30 * min(1.0, max(0.0, (since + 40) / 40))
    return 20.0 + 0.4 * math.sin(back_min / 3), 48.0 + wet, 17.5


def fill(
    folder: Path, hours: int, now_us: int = NOW_US, bays: tuple[str, ...] = ("north",)
) -> None:
    """Keep a reading a minute up to a time, and the stages of a wash and of drying."""
    store = SqliteStore(folder)
    readings = []
    for back in range(hours * 60, -1, -1):
        at_us = now_us - back * MINUTE_US
        said = zip(("air_temp_c", "rel_hum_pct", "panel_temp_c"), minute_of(back), strict=True)
        readings += [
            Reading(f"{bay}-all", name, at_us, kept_value(value), Flag.GOOD, at_us)
            for name, value in said
            for bay in bays
        ]
    store.add_readings(readings)
    for stage, back in (("wash", WASHED_MIN + 20), ("drying", WASHED_MIN)):
        at_us = now_us - back * MINUTE_US
        store.add_events([NewEvent(at_us, "stage_started", b, {"stage": stage}) for b in bays])
    store.close()


@contextmanager
def past_of(folder: Path) -> Iterator[Past]:
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        yield past
    finally:
        past.close()
        store.close()


def thinker_of(text: str = TEXT) -> Thinker:
    shop = shop_of(text)
    return Thinker(shop, plan_from_shop(shop), {})


def foreseen(folder: Path, thinker: Thinker, now_us: int = NOW_US) -> dict[str, OutlookState]:
    with past_of(folder) as past:
        return thinker.foresee(past, thinker.look(past, now_us), now_us)


def at(minutes: float) -> str:
    """Return a time so many minutes from the stand's now, as ISO text."""
    return iso_from_us(NOW_US + round(minutes * MINUTE_US))


def moment(early: float, middle: float, late: float | None) -> Moment:
    return Moment(at(early), at(middle), None if late is None else at(late))


MORNING = MorningSaid(
    "2026-01-28T17:00:00Z", "2026-01-28T14:40:00Z", 0.9,
    "start heating at 05:40 for 20.0 °C by 08:00",
    "start heating at 05:40 for 20.0 °C by 08:00 with a chance of 90 % (warming takes about "
    "1 h 50 min at −12.0 °C outside; the bay model of 24 days, by the forecast).",
)  # fmt: skip


def evening(bay: str = "north") -> OutlookState:
    """Return an outlook of a bay in which nothing is worked: only the morning is of interest."""
    return msgspec.structs.replace(
        told(bay), about=None, stages=(), of_job=False, advice=(), morning=MORNING
    )


def told(
    bay: str = "north", text: str = "closing in 20–30 min", *, guessing: bool = False
) -> OutlookState:
    """Return an outlook as the process publishes it: coating closes, the day goes on."""
    turns: Literal["enters", "leaves"] = "leaves" if text.startswith("closing") else "enters"
    fitness: Fitness = "fit" if turns == "leaves" else "unfit"
    about = StageSaid("coating", "Coating", fitness, turns, text, moment(20, 25, 30), 10.0)
    t_ms = tuple(NOW_US // 1_000 + minute * 60_000 for minute in range(0, 181, 5))
    rise = tuple(44 + 0.1 * place for place in range(len(t_ms)))
    fan = FanLine("rel_hum_pct", t_ms, tuple(v - 3 for v in rise), rise, tuple(v + 3 for v in rise))
    day = (
        DayStep(
            7, "coating", "Coating", "active", 30.0, moment(0, 0, 0), waits=False, foreseen=True
        ),
        DayStep(
            8,
            "early_cure",
            "Early cure",
            "todo",
            60.0,
            moment(30, 32, 60),
            waits=False,
            foreseen=True,
        ),
        DayStep(
            9, "cure", "Full cure", "todo", 60.0, moment(90, 95, 125), waits=True, foreseen=True
        ),
    )
    return OutlookState(
        bay, at(0), known=True, guessing=guessing, about=about, stages=(about,), day=day,
        of_job=True, fans=(fan,),
        advice=("open the door 10 min: humidity about 62 → 48 %, air down to 17 °C",),
    )  # fmt: skip
