"""Readings per second of the guard's step, beside a loop that only keeps the newest values.

Run as ``python tests/benchmarks/guard_speed.py``. A stored day of a two-bay shop: ten quantities
every 5 s, a stage being worked in one bay, noise as of common sensors; the other lines make it
harder. Each figure is the median of several rounds in the process's own time, so that other work
on the machine counts little; compare the ratios, as absolute figures follow the machine.
"""

from __future__ import annotations

import math
import random
import statistics
import time
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import DAY_US, SECOND_US
from envmon.facts import Event, Flag, Reading
from envmon.guard.calm import calm_spans
from envmon.guard.conditions import air_conditions, rate_conditions
from envmon.guard.engine import fresh_state, step
from envmon.guard.judging import judge_bay
from tests.guard_support import SHOP, START_US, plan_from

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import GuardState

CHUNK = 20_000
EVERY_S = 5
ROUNDS = 5
SENSORS = "".join(
    f"""
[[point]]
id = "{bay}-{what}"
bay = "{bay}"
topic = "{bay}/{what}"
stale_after = 60
reads = {{ {reads} }}
"""
    for bay in ("one", "two")
    for what, reads in (
        ("air", 'air_temp_c = { name = "t" }, rel_hum_pct = { name = "h" }'),
        ("panel", 'panel_temp_c = { name = "t" }'),
        ("water", 'water_temp_c = { name = "t" }'),
    )
)
ROOF = """
[[point]]
id = "roof"
topic = "roof"
stale_after = 60
reads = { air_pressure_pa = { name = "p" }, outdoor_temp_c = { name = "t" } }
"""
MEANS = {
    "air_temp_c": 20.5, "rel_hum_pct": 47.0, "panel_temp_c": 19.0, "water_temp_c": 36.0,
    "air_pressure_pa": 100_800.0, "outdoor_temp_c": -6.0,
}  # fmt: skip


class Day(NamedTuple):
    """What is replayed.

    Attributes:
        name: What it is.
        plan: The shop.
        readings: In the order in which they were taken in.
        stage: The stage being worked in bay one.
    """

    name: str
    plan: GuardPlan
    readings: list[Reading]
    stage: str


def shop_text() -> str:
    """Return the shop of guard_support with other points: ten series, two bays."""
    head, _, rest = SHOP.partition("[[point]]")
    head = head.replace('air_space = "hall"\n', "")
    return head + SENSORS + ROOF + rest[rest.index("[[product]]") :]


def day(name: str, plan: GuardPlan, stage: str, **means: float) -> Day:
    """Return a day of readings around the usual means, some of them moved in bay one."""
    chance = random.Random(7)
    readings = []
    series = sorted(plan.series)
    for at_s in range(0, DAY_US // SECOND_US, EVERY_S):
        turn = 2 * math.pi * at_s / 86_400
        for place, (point, quantity) in enumerate(series):
            own = means.get(quantity) if point.startswith("one") else None
            swing = 0.0 if own is not None else 1.2 * math.sin(turn + place)
            value = (MEANS[quantity] if own is None else own) + swing + chance.gauss(0, 0.015)
            t_us = START_US + at_s * SECOND_US + place * 300_000
            readings.append(
                Reading(point, quantity, t_us, round(value, 3), Flag.GOOD, t_us + 40_000)
            )
    return Day(name, plan, readings, stage)


def started(day: Day) -> GuardState:
    """Return the guard as the day begins."""
    begun = Event(1, START_US, "stage_started", "one", {"stage": day.stage}, "")
    return step(day.plan, fresh_state(day.plan, START_US - 1), [], [begun], START_US)[0]


def run(day: Day, chunk: int, readings: list[Reading]) -> int:
    """Step through readings and return how many findings there were."""
    state, count = started(day), 0
    for place in range(0, len(readings), chunk):
        part = readings[place : place + chunk]
        state, findings = step(day.plan, state, part, [], part[-1].seen_us)
        count += len(findings)
    return count


def bare(readings: list[Reading]) -> dict[tuple[str, str], float]:
    """Keep the newest values and nothing else."""
    newest: dict[tuple[str, str], float] = {}
    for point, quantity, _t_us, value, _flag, _seen_us in readings:
        newest[point, quantity] = value
    return newest


def seconds(call: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Return the median processor time of a call [s]."""
    times = []
    for _ in range(rounds):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return statistics.median(times)


def row(name: str, count: int, took_s: float, bare_s: float) -> None:
    """Print a line; ``bare_s`` is what the bare loop takes for as many readings [s]."""
    each_us = took_s / count * 1e6
    print(f"{name:44} {each_us:9.2f} {count / took_s:12,.0f} {took_s / bare_s:9.1f}")


def report_steps(days: list[Day]) -> None:
    """Print readings per second, a day in chunks and the first hour one by one."""
    print(f"{'step':44} {'µs each':>9} {'readings/s':>12} {'× bare':>9}")
    readings = days[0].readings
    bare_s = seconds(lambda: bare(readings))
    row("bare loop: newest values in a dictionary", len(readings), bare_s, bare_s)
    for each in days:
        took_s = seconds(lambda each=each: run(each, CHUNK, each.readings))  # type: ignore[misc]
        row(f"{each.name}, {CHUNK} a call", len(each.readings), took_s, bare_s)
    for each in days:
        hour = each.readings[: len(each.readings) // 24]
        took_s = seconds(lambda each=each, hour=hour: run(each, 1, hour))  # type: ignore[misc]
        row(f"{each.name}, one a call", len(hour), took_s, bare_s / 24)


def report_judgement(day: Day) -> None:
    """Print what one judgement of a bay costs, and the box in it."""
    bay, state = day.plan.bays["one"], started(day)
    part = day.readings[:200]
    state, _ = step(day.plan, state, part, [], part[-1].seen_us)
    now, at_us = state.bays["one"], state.now_us
    known = air_conditions(bay, state.newest, now, at_us)
    held = {**known, **rate_conditions(bay, known, now, at_us)}

    def box() -> None:
        for _ in range(1000):
            calm_spans(bay, state.newest, held, now, at_us)

    def judgement() -> None:
        for _ in range(1000):
            judge_bay(day.plan, bay, state, at_us)

    print(f"\none judgement that keeps the box {seconds(judgement) * 1e3:6.1f} µs")
    print(f"a new box on top of it           {seconds(box) * 1e3:6.1f} µs")


def report() -> None:
    """Print both tables."""
    plan = plan_from(shop_text())
    flicker = plan_from(shop_text().replace("deadband = 0.5", "deadband = 0"))
    days = [
        day("calm day", plan, "coating"),
        day("air resting on 24 °C, deadband 0.3 K", plan, "coating", air_temp_c=24.0),
        day("dew margin resting on 3 K", plan, "coating", panel_temp_c=11.8, air_temp_c=20.5),
        day("air resting on 26 °C, no deadband", flicker, "polish", air_temp_c=26.0),
    ]
    broken = [
        r._replace(flag=Flag.RANGE) if r[:2] == ("one-water", "water_temp_c") else r
        for r in days[0].readings
    ]
    days.append(Day("a broken sensor in a calm day", plan, broken, "coating"))
    report_steps(days)
    report_judgement(days[0])


if __name__ == "__main__":
    report()
