"""A small shop for the guard, readings for it, and a bench that steps it by seconds."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from envmon.clock import SECOND_US
from envmon.facts import Event, Flag, Reading
from envmon.guard.describe import describe
from envmon.guard.engine import fresh_state, step
from envmon.guard.plan import GuardPlan, plan_from_shop
from envmon.shop.load import check_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.live import BayState, Fitness, Reason
    from envmon.guard.state import Finding, GuardState
    from envmon.shop.models import Shop

START_US = 1_769_500_800_000_000
"""2026-01-27T08:00:00Z; second 0 of every test."""

SHOP = """
[shop]
name = "Harbour Row Surface Care"
site = "harbour_row"
timezone = "Europe/Oslo"

[[bay]]
id = "one"
name = "Bay one"
air_space = "hall"
by_hand = ["dissolved_solids_ppm"]
procedure = "work"

[[bay]]
id = "two"
name = "Bay two"
air_space = "hall"

[[point]]
id = "air-a"
bay = "one"
topic = "hall/air-a"
stale_after = 60
reads = { air_temp_c = { name = "temp", spike = 0 }, rel_hum_pct = { name = "rh", spike = 0 } }

[[point]]
id = "air-b"
bay = "one"
topic = "hall/air-b"
stale_after = 90
reads = { air_temp_c = { name = "temp", spike = 0 } }

[[point]]
id = "panel"
bay = "one"
topic = "hall/panel"
stale_after = 120
reads = { panel_temp_c = { name = "temp", spike = 0, rate = 0 } }

[[point]]
id = "bucket"
bay = "two"
topic = "hall/bucket"
stale_after = 300
reads = { water_temp_c = { name = "temp" } }

[[product]]
id = "test_wax"
name = "Test wax"
sheet = 2025-11-03
source = "Test wax data sheet, edition 1"
settle = 300

[[product.limit]]
stage = "polish"
quantity = "air_temp_c"
low = 16
high = 26
margin = 2
deadband = 0.5
on_delay = 90
off_delay = 45

[[product.limit]]
stage = "polish"
quantity = "panel_temp_c"
low = 10
high = 35
margin = 0
deadband = 0
on_delay = 30
off_delay = 0

[[product.limit]]
stage = "polish"
quantity = "rel_hum_pct"
high = 65
margin = 0
deadband = 0
on_delay = 30
off_delay = 0

[[procedure]]
id = "work"
name = "Work"
step = [{ stage = "polish", product = "test_wax" }, { stage = "coating" }]
"""

ABOUT_LIMITS = ("window", "unknown")
"""The kinds of alarm that the limits of a stage alone decide."""


@cache
def shop_from(text: str = SHOP) -> Shop:
    shop, faults = check_text(text, "test.toml")
    assert shop is not None, faults
    return shop


@cache
def plan_from(text: str = SHOP) -> GuardPlan:
    return plan_from_shop(shop_from(text))


def us(at_s: float) -> int:
    return START_US + round(at_s * SECOND_US)


def reading(
    point: str, quantity: str, value: float, at_s: float, *, seen_s: float | None = None,
    flag: Flag = Flag.GOOD,
) -> Reading:  # fmt: skip
    """Return a reading true at ``at_s``, taken in then or at ``seen_s``."""
    return Reading(point, quantity, us(at_s), value, flag, us(at_s if seen_s is None else seen_s))


def event(seq: int, kind: str, bay: str, at_s: float, data: dict[str, Any]) -> Event:
    return Event(seq, us(at_s), kind, bay, data, "")


class Bench:
    """A guard stepped by hand; keeps what it found."""

    def __init__(self, text: str = SHOP, bay: str = "one") -> None:
        self.plan, self.bay = plan_from(text), bay
        self.state: GuardState = fresh_state(self.plan, START_US)
        self.findings: list[Finding] = []
        self._seq = 0

    def take(
        self, readings: Sequence[Reading], events: Sequence[Event] = (), to_s: float | None = None
    ) -> list[Finding]:
        """Step once, up to ``to_s`` (else to the last fact), and return what was found."""
        times = [r.seen_us for r in readings] + [e.at_us for e in events]
        now_us = max(times, default=0) if to_s is None else us(to_s)
        self.state, found = step(self.plan, self.state, readings, events, now_us)
        self.findings += found
        return found

    def air(self, temp_c: float, at_s: float, rh_pct: float = 45.0) -> list[Finding]:
        return self.take(
            [
                reading("air-a", "air_temp_c", temp_c, at_s),
                reading("air-a", "rel_hum_pct", rh_pct, at_s),
            ]
        )

    def panel(self, temp_c: float, at_s: float) -> list[Finding]:
        return self.take([reading("panel", "panel_temp_c", temp_c, at_s)])

    def all_well(self, at_s: float) -> list[Finding]:
        """Bring everything that polishing and coating need well inside."""
        return self.air(21.0, at_s) + self.panel(20.0, at_s)

    def go(self, to_s: float) -> list[Finding]:
        return self.take([], to_s=to_s)

    def start(self, stage: str | None, at_s: float) -> list[Finding]:
        kind = "stage_ended" if stage is None else "stage_started"
        self._seq += 1
        data = {} if stage is None else {"stage": stage}
        return self.take([], [event(self._seq, kind, self.bay, at_s, data)])

    def fitness(self, stage: str) -> Fitness:
        return self.state.bays[self.bay].stages[stage].fitness

    def alarms(self) -> set[str]:
        """The kinds of alarm about the stage being worked whose condition stands."""
        plan, alarms = self.plan.bays[self.bay], self.state.bays[self.bay].alarms
        kinds = {plan.alarms[alarm_id] for alarm_id, alarm in alarms.items() if alarm.active}
        return kinds & set(ABOUT_LIMITS)

    def live(self) -> BayState:
        return describe(self.plan, self.state, self.bay)

    def reason(self, stage: str, quantity: str) -> Reason:
        (found,) = (s for s in self.live().stages if s.id == stage)
        (reason,) = (r for r in found.reasons if r.quantity == quantity)
        return reason


def seconds_of(findings: Sequence[Finding], kind: str) -> list[float]:
    """Return when findings of a kind became true [s], those of sensors left out."""
    return [
        (f.at_us - START_US) / SECOND_US
        for f in findings
        if f.kind == kind and f.data.get("what", "window") in ABOUT_LIMITS
    ]
