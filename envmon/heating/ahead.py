"""Tomorrow morning in words: when to start heating each bay, and whether to let it fall tonight."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from envmon.clock import MINUTE_US, SECOND_US, us_from_datetime
from envmon.heating.money import cost
from envmon.heating.mornings import BayPast
from envmon.heating.preheat import LONGEST_MIN, STEP_MIN, start_heating
from envmon.heating.runtime import measured_share
from envmon.heating.setback import Bay, Evening, Prices, allowed_setback, tonight
from envmon.heating.warming import Aim
from envmon.heating.warming_model import model_or_none
from envmon.heating.words import UNKNOWN, Words, about, percent
from envmon.job.record_words import length_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from envmon.heating.log import HeatShop
    from envmon.heating.model import Winter
    from envmon.heating.preheat import Start
    from envmon.heating.setback import Tonight
    from envmon.heating.warming_model import BayModel
    from envmon.outlook.ahead import Outside
    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import ModelFacts
    from envmon.shop.heat import Heater

STEP_US = 5 * MINUTE_US
AHEAD_H = 24
HEAT, NOW = "start heating", "now"


class Night(NamedTuple):
    """What is asked about the coming night.

    Attributes:
        winter: Everything known up to now; its last minute is now.
        now_us: Time now [µs].
        names: Bay id -> what people call it.
        bays: Bay id -> what stands in it.
        loss_w_k: Bay id -> its loss by the energy signature [W/K].
        facts: Bay id -> what the outlook learned of it.
        frames: Bay id -> its rows over the winter's minutes, where there are facts.
        outdoor: The outdoors ahead by a forecast; empty for none.
        asked_us: When it is asked, up to a quarter of an hour after ``now_us`` [µs]: a start that
            is over by then is now.
    """

    winter: Winter
    now_us: int
    names: Mapping[str, str]
    bays: Mapping[str, Bay]
    loss_w_k: Mapping[str, float]
    facts: Mapping[str, ModelFacts] = {}
    frames: Mapping[str, BayFrame] = {}
    outdoor: Sequence[Outside] = ()
    asked_us: int = 0


class Ahead(NamedTuple):
    """A bay's next morning.

    Attributes:
        bay: Its id.
        ready_us: When it is to be warm [µs].
        start_us: When to start heating [µs]; None where nobody knows.
        chance: Chance of being warm in time then; None likewise.
        advice: ``hold``, ``let fall``, ``either`` or ``not known``.
        saved_kwh: What letting it fall saves [kWh]; None where nobody knows.
        saved: The same in money; None where no price is known.
        text: All of it in words.
        line: When to start, in as few words as a wall has room for; empty where nobody knows, or
            where the bay is held because something cures there.
        start: When to start, with the chance and what it rests on; empty likewise.
        when: How the words name the start; empty where they name no time ahead.
    """

    bay: str
    ready_us: int
    start_us: int | None
    chance: float | None
    advice: str
    saved_kwh: float | None
    saved: float | None
    text: str
    line: str = ""
    start: str = ""
    when: str = ""


def mornings_ahead(night: Night, shop: HeatShop, words: Words) -> tuple[Ahead, ...]:
    """Return the next morning of each heated bay whose air is measured.

    Args:
        night: What is known.
        shop: What the shop file says of heat.
        words: How the shop reads it.
    """
    heated = {heater.bay for heater in shop.heaters}
    heated |= {
        bay for bay, of in night.winter.bays.items() if of.heater_on is not None
        or of.heater_w is not None
    }  # fmt: skip
    return tuple(
        as_of(_ahead(night, shop, words, bay), night.asked_us)
        for bay, of in night.winter.bays.items()
        if bay in heated and of.air_c is not None
    )


def as_of(ahead: Ahead, at_us: int) -> Ahead:
    """Return a morning as it is said at a time [µs]: no start that is over is told as one ahead."""
    if not ahead.when or ahead.start_us is None or ahead.start_us > at_us:
        return ahead
    text, line, start = (
        words.replace(f"{HEAT} {ahead.when}", f"{HEAT} {NOW}", 1)
        for words in (ahead.text, ahead.line, ahead.start)
    )
    return ahead._replace(text=text, line=line, start=start, when="")


def ready_us(now_us: int, ready_by: str, zone: str) -> int:
    """Return when a clock time comes next [µs].

    Args:
        now_us: Time now [µs].
        ready_by: Local time such as ``08:00``.
        zone: The shop's time zone.
    """
    now = datetime.fromtimestamp(now_us // SECOND_US, ZoneInfo(zone))
    hour, minute = (int(part) for part in ready_by.split(":"))
    ready = now.replace(hour=hour, minute=minute, second=0, microsecond=0, fold=0)
    if us_from_datetime(ready) <= now_us:
        ready = (ready.replace(tzinfo=None) + timedelta(days=1)).replace(tzinfo=ready.tzinfo)
    return us_from_datetime(ready)


def _ahead(night: Night, shop: HeatShop, words: Words, bay: str) -> Ahead:
    winter, info = night.winter, shop.info
    at_us = ready_us(night.now_us, info.ready_by, winter.zone)
    by_min = (at_us - night.now_us) / MINUTE_US
    name = night.names.get(bay, bay)
    if by_min > LONGEST_MIN:
        from_us = at_us - round(LONGEST_MIN * MINUTE_US)
        text = f"{name}: said from {_clock(from_us, winter.zone)} on, for {info.ready_by}."
        return Ahead(bay, at_us, None, None, "not known", None, None, text)
    past = _past(winter, bay, next((h for h in shop.heaters if h.bay == bay), None))
    stands = night.bays.get(bay, Bay())
    wanted = Aim(float(info.target), float(info.setback))
    aim = wanted._replace(setback_c=allowed_setback(wanted, stands))
    model = _model(night, past, bay, aim)
    start = start_heating(past, aim, by_min, model=model, outdoor=night.outdoor)
    if start is None:
        text = f"{name}: when to start is not known, since air or outdoors is not known now."
        return Ahead(bay, at_us, None, None, "not known", None, None, text)
    prices = _prices(night.now_us, shop, winter.zone)
    loss_w_k = night.loss_w_k.get(bay)
    found = tonight(Evening(past, aim, by_min, start, stands, prices, model, loss_w_k))
    # Rather five minutes early, at a time that people read off a clock.
    begin_us = (night.now_us + round(start.wait_min) * MINUTE_US) // STEP_US * STEP_US
    begin_us = max(begin_us, night.now_us)
    when = NOW if start.wait_min < STEP_MIN else f"at {_clock(begin_us, winter.zone)}"
    line, whole = _start_words(start, when, info.ready_by, aim, words)
    text = f"{name}: {whole} "
    if stands.cures:
        line = whole = ""
    if not start.in_time and found.advice != "hold":
        text += "There is no time to let it fall tonight."
        return Ahead(bay, at_us, begin_us, start.chance, "hold", None, None, text, line, whole)
    saved = None if found.saved is None else float(found.saved)
    return Ahead(
        bay, at_us, begin_us, start.chance, found.advice, found.saved_kwh, saved,
        text + _night_words(found, saved, words), line, whole, "" if when == NOW else when,
    )  # fmt: skip


def _past(winter: Winter, bay: str, heater: Heater | None) -> BayPast:
    """Return a bay's past from the first minute its air is known."""
    of, outdoor_c = winter.bays[bay], winter.outdoor_c
    assert of.air_c is not None
    first = int(np.argmax(np.isfinite(of.air_c)))
    outdoor = np.full(winter.minutes, np.nan) if outdoor_c is None else outdoor_c
    run = measured_share(of, heater)
    start_us = winter.start_us + first * MINUTE_US
    return BayPast(
        start_us, of.air_c[first:], outdoor[first:], None if run is None else run[first:],
        winter.zone,
    )  # fmt: skip


def _model(night: Night, past: BayPast, bay: str, aim: Aim) -> BayModel | None:
    """Return a bay's learned model over the minutes of its past; None where it has taught none."""
    frame = night.frames.get(bay)
    if frame is not None:
        frame = frame.rows(len(frame) - len(past.air_c), len(frame))
    return model_or_none(night.facts.get(bay), frame, aim, night.outdoor)


def _prices(now_us: int, shop: HeatShop, zone: str) -> Prices:
    steps = AHEAD_H * 60 * MINUTE_US // STEP_US
    edges = now_us + np.arange(steps + 1, dtype=np.int64) * STEP_US
    price = cost(edges, np.zeros(steps), shop.tariffs, shop.info, zone).price_kwh
    return Prices(price, shop.info.efficiency, shop.info.currency)


def _start_words(start: Start, when: str, ready_by: str, aim: Aim, words: Words) -> tuple[str, str]:
    """Return the same as a line for a wall, and with the chance and what it rests on."""
    goal = f"{words.temp(aim.target_c)} {words.temp_unit} by {ready_by}"
    known = np.isfinite(start.warm_min)
    takes = length_text(round(start.warm_min) * 60) if known else UNKNOWN
    outside = f"at {words.temp(start.outdoor_c)} {words.temp_unit} outside"
    rests = f"(warming takes about {takes} {outside}; {start.rests})"
    chance = percent(start.chance)
    if not start.in_time:
        line = f"start now; {goal} is reached with a chance of {chance} only"
        return line, f"{line} {rests}."
    line = f"{HEAT} {when} for {goal}"
    sure = f" with a chance of {chance}" if start.mornings else ", a guess still"
    return line, f"{line}{sure} {rests}."


def _night_words(found: Tonight, saved: float | None, words: Words) -> str:
    if found.advice == "hold" and found.why:
        return f"Hold it tonight: {found.why}."
    if found.advice == "not known" or found.saved_kwh is None:
        return f"Hold or let fall tonight: not known, {found.rests}."
    money = "" if saved is None else f", {words.about_money(abs(saved))}"
    kwh = f"{about(abs(found.saved_kwh))} kWh{money}"
    if found.advice == "either":
        return f"Holding or letting it fall tonight comes to the same ({found.rests})."
    if found.advice == "hold":
        return f"Holding it tonight saves about {kwh} ({found.rests})."
    low = (
        ""
        if found.lowest_c is None
        else (f"; it falls to about {words.temp(found.lowest_c)} {words.temp_unit}")
    )
    return f"Letting it fall tonight saves about {kwh}{low} ({found.rests})."


def _clock(at_us: int, zone: str) -> str:
    return f"{datetime.fromtimestamp(at_us // SECOND_US, ZoneInfo(zone)):%H:%M}"
