"""What is foreseen of a bay as it is published on ``envmon/<bay>/outlook`` and shown.

Times are ISO texts in UTC, so that a screen may count down by itself; values are SI. It is never
retained: an outlook that is not renewed is none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import msgspec

from envmon.guard.live import Fitness
from envmon.job.model import StepStatus

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.guard.live import BayState

_AGAINST: dict[str, frozenset[Fitness]] = {
    "leaves": frozenset({"unfit", "unknown"}),
    "enters": frozenset({"fit", "marginal"}),
}
"""What is expected of a stage -> verdicts it cannot be said beside."""


class Moment(msgspec.Struct, frozen=True):
    """When something is expected: the middle, and an interval that holds it in 9 cases of 10.

    None stands for not within the three hours that are foreseen.
    """

    early: str | None = None
    middle: str | None = None
    late: str | None = None


class StageSaid(msgspec.Struct, frozen=True):
    """What is foreseen of one stage.

    Attributes:
        stage: Its id.
        name: Its name.
        fitness: The guard's verdict; where it has none yet, whether the limits that can be foreseen
            hold now.
        turns: Whether it is expected to enter its window or to leave it; empty for not known.
        text: One line such as ``fit in about 35 min``; empty when there is nothing to say. It
            never speaks against the verdict.
        when: When it turns, as it is said.
        settle_min: What has to pass after that before a start [min].
        not_foreseen: Labels of limits that nothing is foreseen of, such as water.
    """

    stage: str
    name: str
    fitness: Fitness
    turns: Literal["", "enters", "leaves"] = ""
    text: str = ""
    when: Moment = Moment()
    settle_min: float = 0.0
    not_foreseen: tuple[str, ...] = ()


class DayStep(msgspec.Struct, frozen=True):
    """One step of the day, when all goes as usual in this shop.

    Attributes:
        index: Place in the procedure.
        stage: Its stage.
        name: Name of the stage.
        status: Where it stands in the job; ``todo`` without one.
        usual_min: Minutes it takes here; of the one being worked, those that are left.
        start: When it can begin at the earliest.
        waits: The air is expected to keep it waiting.
        foreseen: Whether the air is foreseen at that time; else only the usual minutes speak.
    """

    index: int
    stage: str
    name: str
    status: StepStatus
    usual_min: float
    start: Moment
    waits: bool
    foreseen: bool


class FanLine(msgspec.Struct, frozen=True):
    """A quantity ahead.

    Attributes:
        quantity: Its name.
        t_ms: Times [ms, UTC].
        low: 5 % lie below this.
        middle: The middle.
        high: 5 % lie above this.
    """

    quantity: str
    t_ms: tuple[int, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]


class OutdoorSaid(msgspec.Struct, frozen=True):
    """Which outdoors were taken for the hours ahead.

    Attributes:
        by: A forecast, or ``usual``: as now, with the usual course of the day; ``guess`` where
            nothing is known of the outdoors.
        text: The same in words, with the age of the forecast or why it is not used.
        heard: When the newest word of the forecast was said; None without one.
        until: Up to when it goes; None where it is not used.
        off_k: How much warmer the shop's own sensor was lately [K]; None where nobody knows.
    """

    by: Literal["forecast", "usual", "guess"]
    text: str
    heard: str | None = None
    until: str | None = None
    off_k: float | None = None


class MorningSaid(msgspec.Struct, frozen=True):
    """When to start heating so that the bay is warm in the morning.

    Attributes:
        ready: When it is to be warm.
        start: When to start; None where nobody knows.
        chance: Chance of being warm in time then.
        line: As a wall has room for, such as ``start heating at 05:40 for 20.0 °C by 08:00``.
        text: The same with the chance and what it rests on, as on the winter's pages.
    """

    ready: str
    start: str | None
    chance: float | None
    line: str
    text: str


class OutlookState(msgspec.Struct, frozen=True):
    """Everything a screen shows of what is foreseen of a bay.

    Attributes:
        bay: Id of the bay.
        at: Time this was worked out for.
        known: False when air or humidity is missing or old: then nothing is foreseen.
        guessing: The bay has taught nothing yet; what is said comes from usual bays.
        about: The stage the wall speaks of: the one being worked, or the one that comes next.
        stages: Every stage.
        day: The steps from now on: of the job, or of the bay's usual procedure.
        of_job: The steps are those of the job open in the bay.
        fans: Air, humidity and panel ahead.
        advice: What a person may do, in the shop's units.
        outdoor: Which outdoors were taken.
        morning: When to start heating; None while something is worked or cures there, or while
            there is nothing to say.
    """

    bay: str
    at: str
    known: bool
    guessing: bool
    about: StageSaid | None = None
    stages: tuple[StageSaid, ...] = ()
    day: tuple[DayStep, ...] = ()
    of_job: bool = False
    fans: tuple[FanLine, ...] = ()
    advice: tuple[str, ...] = ()
    outdoor: OutdoorSaid | None = None
    morning: MorningSaid | None = None


def outlook_topic(bay: str) -> str:
    """Return the topic what is foreseen of a bay is published on."""
    return f"envmon/{bay}/outlook"


def agreed_stage(said: StageSaid, verdict: Fitness | None) -> StageSaid:
    """Return what is said of a stage beside its verdict; None for a verdict nobody knows.

    A window that is left already is not closing, and one that is open is not awaited: words that
    are kept from flickering, or are half a minute old, give way to the verdict.
    """
    if verdict is None or (verdict == said.fitness and verdict not in _AGAINST.get(said.turns, ())):
        return said
    if verdict in _AGAINST.get(said.turns, ()):
        return msgspec.structs.replace(said, fitness=verdict, turns="", text="", when=Moment())
    return msgspec.structs.replace(said, fitness=verdict)


def agreed(
    state: OutlookState, verdicts: Mapping[str, Fitness], *, worked: bool = False
) -> OutlookState:
    """Return what is foreseen without the words that speak against a verdict.

    Args:
        state: What is foreseen.
        verdicts: Stage -> the guard's verdict of it now, as far as they are known.
        worked: A stage has been begun in the bay: there it is not time for the next morning.
    """
    stages = tuple(agreed_stage(one, verdicts.get(one.stage)) for one in state.stages)
    about = state.about and agreed_stage(state.about, verdicts.get(state.about.stage))
    if about is not None and state.about is not None and state.about.text and not about.text:
        about = None
    morning = None if worked else state.morning
    return msgspec.structs.replace(state, stages=stages, about=about, morning=morning)


def verdicts_of(state: BayState) -> dict[str, Fitness]:
    """Return stage -> verdict of a bay as it is shown."""
    return {stage.id: stage.fitness for stage in state.stages}
