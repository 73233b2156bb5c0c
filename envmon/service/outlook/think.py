"""Works out what is foreseen of every bay, from what is kept and what was learned."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.clock import HOUR_US, MINUTE_US, iso_from_us
from envmon.guard.alarm_kinds import CURING
from envmon.outlook.advice import advice
from envmon.outlook.ahead import Plans, minutes_in_stage
from envmon.outlook.experts import FORECAST
from envmon.outlook.foresee import Context, courses_of, outlook
from envmon.outlook.learning import Neighbour, fresh_facts
from envmon.outlook.weather import Weather
from envmon.service.job.book import book_from
from envmon.service.outlook.alarm import Looked, looked_at
from envmon.service.outlook.beside import leaves_beside
from envmon.service.outlook.day import day_of, planned_stages, steps_ahead, usual_steps
from envmon.service.outlook.live import FanLine, Moment, OutlookState, StageSaid, agreed_stage
from envmon.service.outlook.read import frames_between, priors_of
from envmon.service.outlook.verdicts import verdicts_in
from envmon.service.outlook.weather import weather_of, weather_said
from envmon.shop.air import air_spaces
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from envmon.guard.live import Fitness
    from envmon.guard.plan import GuardPlan, StagePlan
    from envmon.job.model import Job
    from envmon.outlook.crossing import Courses
    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import BayOutlook, ModelFacts, Said, StageOutlook
    from envmon.service.outlook.day import StepAhead
    from envmon.service.outlook.live import DayStep
    from envmon.shop.models import Shop
    from envmon.store.past import Past

log = logging.getLogger("envmon.outlook")

LOOKS_BACK_US = 14 * HOUR_US
SLOWLY_US = 2 * MINUTE_US
"""The day and advice cost as much again as all the rest; so often is enough for them."""
MOST_NEIGHBOURS = 3
"""Of many bays in one air those beside a bay stand for the rest: each costs as much as the bay."""
SILENT_MIN = 30
"""Of a neighbour whose air was not read within so many minutes nothing is known."""
WORD_DAYS = 14
"""The watch hears of a bay that has taught for so long; the early word was judged with 28 days."""
SHOWN_FANS = ("air_temp_c", "rel_hum_pct", "panel_temp_c")


@dataclass(frozen=True)
class Scene:
    """A bay at a moment.

    Attributes:
        bay: Its id.
        frame: Its rows up to now.
        stages: Its stages with the limits in force.
        job: The job open in it, or None.
        steps: The steps from now on.
        context: Plans, neighbours, what was said before.
        aired: Nobody coats or cures in the same air, so that a draught may be advised.
    """

    bay: str
    frame: BayFrame
    stages: tuple[StagePlan, ...]
    job: Job | None
    steps: tuple[StepAhead, ...]
    context: Context
    aired: bool

    @property
    def stage(self) -> str:
        """The stage being worked; empty for none."""
        return str(self.frame.stage[-1])


class Slow(NamedTuple):
    """What is worked out only now and then.

    Attributes:
        at_us: When it was [µs].
        about: What it was of; when that changes it is worked out anew.
        day: The steps from then on.
        advice: What a person might do.
    """

    at_us: int
    about: tuple[object, ...]
    day: tuple[DayStep, ...]
    advice: tuple[str, ...]


@dataclass
class Thinker:
    """Foresees for one shop; belongs to one thread.

    Attributes:
        shop: The shop file, checked.
        plan: The same, compiled for the guard.
        facts: Bay -> what was learned of it.
        told: Bay -> what was foreseen of it last.
        verdicts: Bay -> stage -> the guard's verdict then.
        weather: What was taken of the outdoors then.
    """

    shop: Shop
    plan: GuardPlan
    facts: dict[str, ModelFacts]
    told: dict[str, BayOutlook] = field(default_factory=dict)
    verdicts: dict[str, dict[str, Fitness]] = field(default_factory=dict)
    weather: Weather = field(default_factory=Weather)
    _slow: dict[str, Slow] = field(default_factory=dict)
    _beside_min: dict[str, float | None] = field(default_factory=dict)
    _failed: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        priors = priors_of(self.shop)
        known = {bay: facts for bay, facts in self.facts.items() if bay in priors}
        self.facts = {bay: fresh_facts(prior) for bay, prior in priors.items()} | known
        self._beside = {
            bay: sorted((o for o in group if o != bay), key=lambda o: abs(group.index(o) - place))
            for group in air_spaces(self.shop)
            for place, bay in enumerate(group)
        }

    def look(self, past: Past, now_us: int) -> dict[str, BayFrame]:
        """Return the recent rows of every bay.

        Raises:
            StoreError: The live file cannot be read.
        """
        end_us = (now_us // MINUTE_US + 1) * MINUTE_US
        return frames_between(past, self.shop, self.plan, (end_us - LOOKS_BACK_US, end_us))

    def foresee(
        self, past: Past, frames: dict[str, BayFrame], now_us: int
    ) -> dict[str, OutlookState]:
        """Return bay -> what is foreseen of it; a bay that cannot be worked out is left out."""
        self.verdicts = verdicts_in(past.store)
        self.weather = weather_of(past.store, frames, now_us)
        book = book_from(past.store, whole=False)
        jobs = {bay: book.in_bay(bay) for bay in frames}
        found = {}
        for bay in frames:
            try:
                found[bay] = self._state(self._scene(bay, frames, jobs), now_us)
            except Exception:
                # One bay must not take the outlook of the others with it.
                if bay not in self._failed:
                    log.exception("cannot foresee %s; said once", bay)
                self._failed.add(bay)
                self.told.pop(bay, None)
        return found

    def _scene(self, bay: str, frames: dict[str, BayFrame], jobs: dict[str, Job | None]) -> Scene:
        frame, job = frames[bay], jobs[bay]
        worked = str(frame.stage[-1]), int(minutes_in_stage(frame)[-1])
        usual = usual_steps(self.shop, bay)
        steps = steps_ahead(job, usual, worked, self.facts[bay].habits)
        beside = self._beside[bay]
        context = Context(
            Plans(
                stages=planned_stages(steps) if job or worked[0] in usual else (),
                outdoor=self.weather.outdoor,
            ),
            self.neighbours(bay, frames),
            self.told.get(bay),
        )
        stages = self.plan.variant(bay, job.procedure[0] if job else None).stages
        aired = not any(_cures(frames[b], jobs[b]) for b in (bay, *beside))
        return Scene(bay, frame, stages, job, tuple(steps), context, aired)

    def neighbours(self, bay: str, frames: dict[str, BayFrame]) -> list[Neighbour]:
        """Return the bays of the same air, those beside it, with what was learned of them.

        One that is silent is left out: nothing is made up of its air, nor held for hours.
        """
        heard = [other for other in self._beside[bay] if _is_heard(frames[other])]
        return [Neighbour(self.facts[other], frames[other]) for other in heard[:MOST_NEIGHBOURS]]

    def _state(self, scene: Scene, now_us: int) -> OutlookState:
        facts = self.facts[scene.bay]
        told = outlook(facts, scene.frame, scene.stages, now_us, scene.context)
        self.told[scene.bay] = told
        self._beside_min[scene.bay] = self._leaves_beside(scene)
        at, names = iso_from_us(now_us), {stage.id: stage.name for stage in scene.stages}
        if not told.known:
            day = day_of(scene.steps, scene.stages, None, now_us)
            return OutlookState(
                scene.bay, at, known=False, guessing=facts.guessing, day=day,
                of_job=scene.job is not None,
            )  # fmt: skip
        verdicts = self.verdicts.get(scene.bay, {})
        said = tuple(agreed_stage(_said(o, names), verdicts.get(o.stage)) for o in told.stages)
        about = about_of(scene, {one.stage: one for one in said}, guessing=facts.guessing)
        slow = self._slowly(scene, told, about, now_us)
        return OutlookState(
            bay=scene.bay,
            at=at,
            known=True,
            guessing=facts.guessing,
            about=about,
            stages=said,
            day=slow.day,
            of_job=scene.job is not None,
            fans=_fans(told),
            advice=slow.advice,
            outdoor=weather_said(
                self.weather, now_us, self.shop.shop.units, seen=scene.frame.has("outdoor_temp_c")
            ),
        )

    def _leaves_beside(self, scene: Scene) -> float | None:
        stage = next((stage for stage in scene.stages if stage.id == scene.stage), None)
        lead_min = self.plan.bays[scene.bay].rules.leaving_lead_us / MINUTE_US
        return None if stage is None else leaves_beside(scene.frame, stage, lead_min)

    def _slowly(self, scene: Scene, told: BayOutlook, about: StageSaid | None, now_us: int) -> Slow:
        """Return the day and advice, worked out anew when they are old or about something else."""
        steps = tuple((step.place, step.status) for step in scene.steps)
        of = (scene.stage, scene.aired, steps, about and (about.stage, about.fitness))
        known = self._slow.get(scene.bay)
        if known is None or known.about != of or not 0 <= now_us - known.at_us < SLOWLY_US:
            day = day_of(scene.steps, scene.stages, self._courses(scene, told), now_us)
            known = self._slow[scene.bay] = Slow(now_us, of, day, self._advice(scene, about))
        return known

    def looked(self, bay: str, stage: str) -> Looked:
        """Return what is foreseen of the stage being worked; nothing before enough was learned."""
        goals = {one.id for one in self.plan.bays[bay].stages if one.goal}
        told = self.told.get(bay)
        if not stage or stage in goals or told is None or self.facts[bay].days < WORD_DAYS:
            return Looked("", None)
        found = next((one for one in told.stages if one.stage == stage), None)
        if found is None:
            return Looked(stage, None)
        return looked_at(found, self._beside_min.get(bay))

    def _courses(self, scene: Scene, told: BayOutlook) -> Courses:
        fans = {fan.quantity: fan.quantiles["q50"][0] for fan in told.fans}
        now = [fans.get(name, float("nan")) for name in FORECAST]
        row = len(scene.frame) - 1
        return courses_of(self.facts[scene.bay], scene.frame, row, now, scene.context)[1]

    def _advice(self, scene: Scene, about: StageSaid | None) -> tuple[str, ...]:
        if about is None or about.fitness != "unfit" or not scene.aired:
            return ()
        stage = next(stage for stage in scene.stages if stage.id == about.stage)
        highs = [limit.high for limit in stage.limits if limit.quantity == "rel_hum_pct"]
        high = next((high for high in highs if np.isfinite(high)), float("inf"))
        facts, units = self.facts[scene.bay], self.shop.shop.units
        found = advice(facts, scene.frame, high, scene.context, units)
        return tuple(one.text for one in found)


def _is_heard(frame: BayFrame) -> bool:
    lately = (frame[name][-SILENT_MIN:] for name in ("air_temp_c", "rel_hum_pct"))
    return all(bool(np.isfinite(values).any()) for values in lately)


def _cures(frame: BayFrame, job: Job | None) -> bool:
    return str(frame.stage[-1]) in CURING or (job is not None and job.cure is not None)


def _said(one: StageOutlook, names: dict[str, str]) -> StageSaid:
    missing = tuple(QUANTITIES[name].label for name in one.not_foreseen)
    said = one.said
    return StageSaid(
        one.stage, names[one.stage], one.fitness, said.turns, said.text, _when(said),
        one.settle_min, missing,
    )  # fmt: skip


def _when(said: Said) -> Moment:
    times = (said.early_us, said.middle_us, said.late_us)
    return Moment(*(None if at_us is None else iso_from_us(at_us) for at_us in times))


def about_of(scene: Scene, said: dict[str, StageSaid], *, guessing: bool) -> StageSaid | None:
    """Return what the wall speaks of: the stage being worked, or the one that comes next.

    One that stays fit for hours gives way to the next one that is not fit yet; a goal
    is of interest until it is reached. Without a job or a stage nothing is coming, and a guess that
    knows no latest end is no line: it would come and go.
    """
    goals = {stage.id for stage in scene.stages if stage.goal}
    now = said.get(scene.stage)
    if now is not None and (not now.text or (scene.stage in goals and now.turns != "enters")):
        now = None
    if now is not None and now.turns == "leaves" and guessing and now.when.late is None:
        now = None
    if now is not None and (now.turns == "enters" or now.when.middle is not None):
        return now
    steps = scene.steps if scene.job is not None or scene.stage else ()
    coming = (said.get(step.stage) for step in steps if step.status == "todo")
    waits = (one for one in coming if one and one.turns == "enters" and one.stage not in goals)
    return next(waits, None if guessing else now)


def _fans(told: BayOutlook) -> tuple[FanLine, ...]:
    at_ms = told.at_us // 1_000
    return tuple(
        FanLine(
            fan.quantity,
            tuple(at_ms + minute * 60_000 for minute in fan.minutes),
            *(fan.quantiles[name] for name in ("q05", "q50", "q95")),
        )
        for fan in told.fans
        if fan.quantity in SHOWN_FANS
    )


def encoded(state: OutlookState) -> bytes:
    """Return the wire form."""
    return msgspec.json.encode(state)
