"""``envmon outlook``: what is foreseen now, what was learned, and what the data cannot tell."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import msgspec

from envmon.clock import SystemClock, iso_from_us
from envmon.errors import InputError
from envmon.guard.plan import plan_from_shop
from envmon.heating.words import Words
from envmon.outlook.constants import BELIEFS, Learned
from envmon.outlook.learning import SCORED_MIN
from envmon.service.outlook.facts import known_facts
from envmon.service.outlook.morning import mornings_said, with_mornings
from envmon.service.outlook.plan import plan_of
from envmon.service.outlook.think import Thinker
from envmon.service.watch_process import data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore
from envmon.units import QUANTITIES, shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.outlook.model import ModelFacts
    from envmon.service.outlook.live import OutlookState
    from envmon.units import UnitSystem

_MARKS = {"fit": "●", "marginal": "◐", "unfit": "✕", "unknown": "?"}


class LearnedState(msgspec.Struct, frozen=True):
    """What was learned of a bay.

    Attributes:
        guessing: Nothing yet.
        at: Up to when it was learned.
        days: From so many days.
        loss_w_k: Heat the bay loses [W/K]; None where the data cannot tell it.
        constants: Name -> what the data tell, with its range.
        untold: What they cannot tell: a guess is used, and not reported.
        errors: Quantity -> median error of forecasts at ``leads_min``.
        leads_min: Minutes ahead.
    """

    guessing: bool
    at: str
    days: float
    loss_w_k: Learned | None
    constants: dict[str, Learned]
    untold: tuple[str, ...]
    errors: dict[str, tuple[float, ...]]
    leads_min: tuple[int, ...] = SCORED_MIN


@dataclass(frozen=True, slots=True)
class OutlookReport:
    """The answer.

    Attributes:
        bays: Bay -> its name, what is foreseen, what was learned.
        timezone: The shop's time zone.
        units: What the text is written in.
        why_anew: Why what was learned before cannot be used; empty when it can.
    """

    bays: dict[str, tuple[str, OutlookState, LearnedState]]
    timezone: str
    units: UnitSystem = "metric"
    why_anew: str = ""


def learned_state(facts: ModelFacts) -> LearnedState:
    """Return what was learned, without what the data cannot tell."""
    told = {name: one for name, one in facts.constants.items() if one.told}
    loss = facts.loss_w_k if facts.loss_w_k is not None and facts.loss_w_k.told else None
    return LearnedState(
        facts.guessing, iso_from_us(facts.made_us), facts.days, loss, told, facts.untold,
        facts.errors,
    )  # fmt: skip


def shop_outlook(
    shop_path: Path, bay: str | None = None, clock: Clock | None = None
) -> OutlookReport:
    """Return what is foreseen of a shop now, and what was learned of it.

    Args:
        shop_path: The shop file.
        bay: Only this bay; None is all.
        clock: What time it is; the machine's own by default.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: There is no such bay.
        StoreError: There is no data yet.
    """
    shop = load_shop(shop_path)
    names = {one.id: one.name for one in shop.bay}
    if bay is not None and bay not in names:
        raise InputError(f"bay is {bay!r}; allowed: {', '.join(names)}")
    folder = data_folder(shop, shop_path)
    ensure_data(folder, shop_path)
    known = known_facts(folder)
    thinker = Thinker(shop, plan_from_shop(shop), known.bays)
    now_us = (clock or SystemClock()).now_us()
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        frames = thinker.look(past, now_us)
        idle = {one for one, frame in frames.items() if not str(frame.stage[-1])}
        mornings = mornings_said(past, shop, thinker.plan, now_us) if idle else {}
        states = with_mornings(thinker.foresee(past, frames, now_us), mornings, idle)
    finally:
        past.close()
        store.close()
    found = {
        one: (names[one], state, learned_state(thinker.facts[one]))
        for one, state in states.items()
        if bay in {None, one}
    }
    return OutlookReport(found, shop.shop.timezone, shop.shop.units, known.why)


def outlook_json(report: OutlookReport) -> str:
    """Return the answer as one JSON document, SI."""
    bays = {
        bay: {"name": name, "outlook": state, "learned": learned}
        for bay, (name, state, learned) in report.bays.items()
    }
    return msgspec.json.encode({"bays": bays}).decode()


def outlook_lines(report: OutlookReport) -> list[str]:
    """Return the answer as text."""
    found: list[str] = []
    if report.why_anew:
        found += ["", f"{report.why_anew}; it is learned anew from the shop's history"]
    for name, state, learned in report.bays.values():
        found += [
            "",
            *_foreseen_lines(name, state, report.timezone),
            *_learned_lines(learned, report),
        ]
    return found[1:]


def _foreseen_lines(name: str, state: OutlookState, zone: str) -> Iterator[str]:
    yield f"{name}" + (": a guess still, from usual bays" if state.guessing else "")
    if not state.known:
        yield "  nothing is foreseen: air or humidity is missing or old"
        yield from _morning_lines(state)
        return
    yield from _said_lines(state)
    for one in state.stages:
        if one.text or one.not_foreseen:
            hand = f"  (not foreseen: {', '.join(one.not_foreseen)})" if one.not_foreseen else ""
            yield f"    {_MARKS[one.fitness]} {one.name:18} {one.text or 'not known'}{hand}"
    plan = plan_of(state, None, zone)
    if plan.steps:
        yield "  the day, " + ("as the job goes on" if state.of_job else "were it begun now")
    for step in plan.steps:
        yield f"    {step.step.index + 1:2}. {step.step.name:18} {step.text}"
    if plan.steps:
        yield f"    {plan.text}"


def _said_lines(state: OutlookState) -> Iterator[str]:
    if state.outdoor is not None:
        yield f"  {state.outdoor.text}"
    if state.about is not None and state.about.text:
        yield f"  {state.about.name}: {state.about.text}"
    yield from _morning_lines(state)
    for line in state.advice:
        yield f"  → {line}"


def _morning_lines(state: OutlookState) -> Iterator[str]:
    if state.morning is not None:
        yield f"  → {state.morning.text}"


def _learned_lines(learned: LearnedState, report: OutlookReport) -> Iterator[str]:
    if learned.guessing:
        yield "  learned: nothing yet; that takes about half a day of readings"
        return
    until = datetime.fromisoformat(learned.at).astimezone(ZoneInfo(report.timezone))
    yield f"  learned from {learned.days:.1f} days up to {until:%d %b %Y %H:%M}"
    words = Words(report.units, "")
    if learned.loss_w_k is not None:
        loss = learned.loss_w_k
        low, high = words.loss(loss.low), words.loss(loss.high)
        yield f"    {'heat lost':42} {words.loss(loss.value)} ({low} to {high}) {words.loss_unit}"
    for name, one in learned.constants.items():
        belief = BELIEFS[name]
        yield f"    {belief.label:42} {_range(one)} {belief.unit}".rstrip()
    for quantity, errors in learned.errors.items():
        yield f"    {_errors_line(quantity, errors, learned.leads_min, report.units)}"
    labels = [BELIEFS[name].label for name in learned.untold if name in BELIEFS]
    if labels:
        yield f"    the data cannot tell: {'; '.join(labels)}"


def _errors_line(
    quantity: str, errors: Sequence[float], leads_min: Sequence[int], units: UnitSystem
) -> str:
    known = QUANTITIES[quantity]
    how = shown(known, units)
    row = ", ".join(
        f"{error * how.factor:.1f} at {lead} min"
        for error, lead in zip(errors, leads_min, strict=False)
    )
    unit = "K" if how.unit == "°C" else how.unit
    return f"typical error, {known.label} [{unit}]: {row}"


def _range(one: Learned) -> str:
    return f"{one.value:.3g} ({one.low:.3g} to {one.high:.3g})"
