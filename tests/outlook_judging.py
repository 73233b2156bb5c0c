"""The outlook judged by rolling origin: learn from the past alone, foresee, compare with what came.

Used by the quick test and by ``benchmarks/outlook_judged.py``. Baselines: persistence, straight
line (least squares over a quarter of an hour), exponential to ambient with the rate that line has.

A stage counts as entered when the mean of each limited quantity over eleven minutes (the swing of a
thermostat left out) holds for ten.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.clock import MINUTE_US
from envmon.outlook.crossing import HOLDS_MIN, first_run
from envmon.outlook.experts import FORECAST, LEADS_MIN, Bay
from envmon.outlook.foresee import Context, outlook
from envmon.outlook.frame import Worked, frame_from_columns
from envmon.outlook.hidden import WET_STAGES
from envmon.outlook.learning import Neighbour, fit_hall, update, usable_rows
from envmon.outlook.situations import SITUATIONS
from envmon.outlook.trust import bands_of, judge
from envmon.physics.air import dew_point_c, frost_point_c
from envmon.physics.surface import dew_margin_k

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.guard.plan import StagePlan
    from envmon.outlook.constants import Priors
    from envmon.outlook.frame import BayFrame
    from envmon.outlook.model import ModelFacts, Span
    from tests.year_calendar import Stay
    from tests.year_readings import Sent

DAY = 1440
BASELINES = {"persistence": 0, "straight line": 2, "exponential": 3}
SCORED_MIN = (10, 30, 60, 120)
MEAN_MIN = 11
AFTER_WASH = 3
"""Situations up to this one are a wash and the two and a half hours after it."""


def frames_of(
    sent: Sent, stays: dict[str, list[Stay]], *, bodies: bool = True
) -> dict[str, BayFrame]:
    """Return what the nodes of the simulated shop sent as frames, each with its neighbour.

    Args:
        sent: What the nodes sent.
        stays: Who stood where.
        bodies: Whether the jobs say what stands there.
    """
    worked = {bay: _worked(stays[bay], bodies=bodies) for bay in stays}
    alone = {bay: _frame(sent, bay, worked[bay], ()) for bay in stays}
    return {
        bay: _frame(sent, bay, worked[bay], [alone[b] for b in stays if b != bay]) for bay in stays
    }


def _frame(
    sent: Sent, bay: str, worked: Sequence[Worked], neighbours: Sequence[BayFrame]
) -> BayFrame:
    nodes = sent.values
    columns = {
        "air_temp_c": [nodes[f"{bay}/air"]["temp"], nodes[f"{bay}/air2"]["temp"]],
        "rel_hum_pct": [nodes[f"{bay}/air"]["rh"], nodes[f"{bay}/air2"]["rh"]],
        "panel_temp_c": [nodes[f"{bay}/panel"]["surface"]],
        "outdoor_temp_c": [nodes["outdoor/air"]["temp"]],
        "outdoor_rel_hum_pct": [nodes["outdoor/air"]["rh"]],
        "air_pressure_pa": [nodes["outdoor/air"]["pressure"]],
        "heater_on": [nodes[f"{bay}/heater"]["on"]],
        "heater_power_w": [nodes[f"{bay}/heater"]["power"]],
        "door_open": [nodes[f"{bay}/door"]["open"]],
    }
    size = len(nodes["outdoor/air"]["temp"])
    return frame_from_columns(columns, worked, sent.start_us, size, neighbours)


def _worked(stays: Sequence[Stay], *, bodies: bool) -> list[Worked]:
    worked = []
    for stay in stays:
        for stage, start, minutes in stay.job.stages:
            from_us = stay.from_us + start * MINUTE_US
            to_us = from_us + minutes * MINUTE_US if minutes else stay.to_us
            body = stay.job.vehicle.name if bodies else ""
            worked.append(Worked(stage, from_us, min(to_us, stay.to_us), body))
    return worked


class Turn(NamedTuple):
    """Facts learned before a day, and the frames up to a later one in which they are used."""

    facts: dict[str, ModelFacts]
    from_day: int
    to_day: int


def rolling(
    frames: dict[str, BayFrame],
    priors: dict[str, Priors],
    days: tuple[int, int],
    refit: int = 7,
    history: int = 28,
) -> Iterator[Turn]:
    """Learn anew every few days and take in each day's errors in between.

    Args:
        frames: Bay -> all rows.
        priors: Bay -> what the shop file says.
        days: First and last day to judge.
        refit: Days between fits.
        history: Days a fit looks back.
    """
    facts: dict[str, ModelFacts] = {}
    for day in range(*days):
        if (day - days[0]) % refit == 0:
            first = max(0, day - history)
            past = {bay: f.rows(first * DAY, day * DAY) for bay, f in frames.items()}
            facts = fit_hall(past, priors)
        else:
            part = {bay: f.rows((day - 2) * DAY, day * DAY) for bay, f in frames.items()}
            facts = {
                bay: update(facts[bay], part[bay], _neighbours(bay, facts, part)) for bay in frames
            }
        yield Turn(facts, day, day + 1)


def _neighbours(
    bay: str, facts: dict[str, ModelFacts], frames: dict[str, BayFrame]
) -> list[Neighbour]:
    return [Neighbour(facts[b], frames[b]) for b in frames if b != bay]


@dataclass
class Scores:
    """Errors and coverage, gathered turn by turn."""

    rows: list[dict[str, Any]] = field(default_factory=list)

    def add(self, frames: dict[str, BayFrame], turn: Turn, every: int = 30) -> None:
        """Judge the rows of a turn, one in so many."""
        lead_in = 2 * DAY
        first = max(0, turn.from_day * DAY - lead_in)
        part = {b: f.rows(first, turn.to_day * DAY + 181) for b, f in frames.items()}
        for bay, frame in part.items():
            rows = np.arange(turn.from_day * DAY - first, len(frame) - 181, every)
            rows = rows[usable_rows(frame)[rows]]
            if len(rows):
                self._note(bay, frame, part, turn, rows)

    def _note(
        self, bay: str, frame: BayFrame, part: dict[str, BayFrame], turn: Turn, rows: Any
    ) -> None:
        facts = turn.facts
        one = Bay(frame, facts[bay].constants, facts[bay].habits)
        others = [Bay(part[b], facts[b].constants, facts[b].habits) for b in part if b != bay]
        judged = judge(one, rows, others)
        bands = bands_of(judged, facts[bay].trust, (0.05, 0.5, 0.95))
        self.rows.append(
            {"bay": bay, "situation": judged.situation, "bands": bands,
             "said": judged.forecasts, "came": judged.truth}
        )  # fmt: skip

    def table(self, *, after_wash: bool | None = None, bay: str | None = None) -> list[Score]:
        """Return a row for each quantity and lead."""
        return [
            self._score(place, name, lead, after_wash=after_wash, bay=bay)
            for place, name in enumerate(FORECAST)
            for lead in SCORED_MIN
            if self._has(name)
        ]

    def _has(self, name: str) -> bool:
        return any(np.isfinite(row["came"][name]).any() for row in self.rows)

    def _score(
        self, place: int, name: str, lead_min: int, *, after_wash: bool | None, bay: str | None
    ) -> Score:
        lead = int(np.searchsorted(LEADS_MIN, lead_min))
        off: dict[str, list[Any]] = {which: [] for which in (*BASELINES, "ours", "inside")}
        for row in self.rows:
            # Where a sensor is silent now, nothing is foreseen of it.
            chosen = np.isfinite(row["came"][name][lead]) & np.isfinite(row["said"][name][0, lead])
            if after_wash is not None:
                chosen &= (row["situation"] <= AFTER_WASH) == after_wash
            if bay is not None and row["bay"] != bay:
                continue
            came = row["came"][name][lead, chosen]
            for which, expert in BASELINES.items():
                off[which].append(np.abs(row["said"][name][expert, lead, chosen] - came))
            low, middle, high = row["bands"][:, place, lead, chosen]
            off["ours"].append(np.abs(middle - came))
            off["inside"].append((came >= low) & (came <= high))
        mean = {which: float(np.mean(np.concatenate(parts))) for which, parts in off.items()}
        count = sum(len(part) for part in off["ours"])
        return Score(name, lead_min, count, mean, 100 * mean["inside"])


class Score(NamedTuple):
    """Mean absolute errors at a lead, ours and the baselines', and what 90 % intervals cover."""

    quantity: str
    lead_min: int
    rows: int
    mean_off: dict[str, float]
    covered_pct: float

    @property
    def best_baseline(self) -> float:
        return min(self.mean_off[which] for which in BASELINES)

    def line(self) -> str:
        errors = "  ".join(f"{self.mean_off[which]:7.2f}" for which in (*BASELINES, "ours"))
        return f"{self.quantity:14}{self.lead_min:4} min {errors}  {self.covered_pct:5.1f} %"


HEAD = f"{'':23}persist.     line  expon.     ours  cover"


class Case(NamedTuple):
    """A stage that was not fit at a time after a wash: when it was, and when that was expected."""

    bay: str
    stage: str
    after_min: int
    came: float
    said: Span
    guard: float
    """When each limit first held by the guard's deadband, without any mean [min]."""

    @property
    def off_min(self) -> float:
        return abs((200.0 if self.said.middle is None else self.said.middle) - self.came)

    @property
    def good(self) -> bool:
        return self.off_min <= max(5.0, 0.15 * self.came)

    @property
    def covered(self) -> bool:
        early = 0.0 if self.said.early is None else self.said.early
        late = np.inf if self.said.late is None else self.said.late
        return bool(early <= self.came <= late)


def wash_cases(
    frames: dict[str, BayFrame],
    turn: Turn,
    stages: dict[str, Sequence[StagePlan]],
    after: Sequence[int] = (1,),
) -> list[Case]:
    """Return the cases of a turn: so many minutes after each last rinse."""
    found = []
    for bay, frame in frames.items():
        wet = np.isin(frame.stage, sorted(WET_STAGES))
        ends = np.flatnonzero(wet[:-1] & ~wet[1:] & (frame.stage[:-1] == "rinse")) + 1
        ends = ends[(ends >= turn.from_day * DAY) & (ends < turn.to_day * DAY)]
        for end in ends:
            for minutes in after:
                row = int(end) + minutes - 1
                if row + 215 < len(frame):
                    found += _cases(frames, bay, row, minutes, turn, stages[bay])
    return found


def _cases(
    frames: dict[str, BayFrame], bay: str, row: int, minutes: int, turn: Turn,
    stages: Sequence[StagePlan],
) -> list[Case]:  # fmt: skip
    frame = frames[bay]
    came = _conditions(frame, row)
    if came is None:
        return []
    recent = {b: f.rows(max(0, row - 719), row + 1) for b, f in frames.items()}
    now_us = frame.start_us + row * MINUTE_US
    context = Context(neighbours=_neighbours(bay, turn.facts, recent))
    told = outlook(turn.facts[bay], recent[bay], stages, now_us, context)
    found = []
    for stage, one in zip(stages, told.stages, strict=True):
        if one.enters is None:
            continue
        mean, guard = (_entered(stage, came[which]) for which in ("mean", "raw"))
        if 0 < mean <= 180:
            found.append(Case(bay, stage.id, minutes, mean, one.enters, guard))
    return found


def _conditions(frame: BayFrame, row: int) -> dict[str, dict[str, Any]] | None:
    """Return the conditions of the three hours after a row, as they are and as running means."""
    half = MEAN_MIN // 2
    found: dict[str, dict[str, Any]] = {"mean": {}, "raw": {}}
    for name in FORECAST:
        values = frame[name][row - half : row + 181 + half]
        known = np.isfinite(values)
        if known.mean() < 0.97:
            return None
        values = np.interp(np.arange(len(values)), np.flatnonzero(known), values[known])
        found["raw"][name] = values[half:-half]
        found["mean"][name] = np.convolve(values, np.full(MEAN_MIN, 1 / MEAN_MIN), "valid")
    for one in found.values():
        share = np.clip(one["rel_hum_pct"], 1, 100)
        dew = dew_point_c(one["air_temp_c"], share)
        frost = frost_point_c(one["air_temp_c"], share)
        one["dew_margin_k"] = dew_margin_k(one["panel_temp_c"], dew, frost)
    found["raw"]["deadband"] = True
    return found


def _entered(stage: StagePlan, came: dict[str, Any]) -> float:
    """Return when all limits of a stage held; with the deadband, the first moment of that."""
    strict = "deadband" in came
    holds = np.ones(181, dtype=bool)
    for limit in stage.limits:
        band = limit.deadband if strict else 0.0
        values = came[limit.quantity]
        holds &= (values >= limit.low + band) & (values <= limit.high - band)
    return float(first_run(holds[None], 1 if strict else HOLDS_MIN)[0])


def situations_counted(scores: Scores) -> dict[str, int]:
    """Return how many judged rows each situation had."""
    places = np.concatenate([row["situation"] for row in scores.rows])
    return {name: int((places == place).sum()) for place, name in enumerate(SITUATIONS)}
