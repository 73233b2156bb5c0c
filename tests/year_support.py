"""A year of work under the guard: readings, health flags, a person who works by it, the chain."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon.facts import Event, Flag, Reading
from envmon.guard.engine import fresh_state, step
from envmon.guard.plan import plan_from_shop
from envmon.intake.health import HealthBook
from envmon.intake.health_rules import health_rules
from envmon.units import QUANTITIES
from tests.year_person import TURN_US, Keeper, Worker
from tests.year_readings import Feed, demo_shop

if TYPE_CHECKING:
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import Finding, GuardState
    from tests.year_calendar import Stay
    from tests.year_person import Act
    from tests.year_readings import Sent


class Year(NamedTuple):
    """What came of it: the chain of events, and how the guard stood at the end."""

    events: list[Event]
    state: GuardState


def run_year(
    sent: Sent,
    stays: dict[str, list[Stay]],
    to_us: int,
    keeper: Keeper | None = None,
    plan: GuardPlan | None = None,
) -> Year:
    """Run a year through sensor health and the guard.

    Args:
        sent: What the nodes sent.
        stays: Who stood where; the person works by it.
        to_us: Where it ends [µs].
        keeper: Answers alarms; None takes the usual one.
        plan: Other limits and rules; None takes the demo's shop file as it is.
    """
    shop = demo_shop()
    plan = plan or plan_from_shop(shop)
    keeper = keeper or Keeper()
    feed, book = Feed(sent), HealthBook(health_rules(shop))
    state = fresh_state(plan, sent.start_us)
    workers = [Worker(bay, stays[bay]) for bay in stays]
    chain: list[Event] = []
    for now_us in range(sent.start_us + TURN_US, to_us + 1, TURN_US):
        readings = book.judge([_in_range(r) for r in sorted(feed.until(now_us), key=_taken_in)])
        state, findings = step(plan, state, readings, [], now_us)
        _note_findings(chain, findings)
        acts = [act for worker in workers for act in worker.act(state, now_us)]
        acts += keeper.act(state, findings, now_us)
        if acts:
            events = [_event(chain, now_us, act) for act in acts]
            state, findings = step(plan, state, [], events, now_us)
            _note_findings(chain, findings)
    return Year(chain, state)


def _taken_in(reading: Reading) -> tuple[int, int]:
    return reading.seen_us, reading.t_us


def _in_range(reading: Reading) -> Reading:
    """Put the gross range's flag on a reading, as intake does before health is judged."""
    quantity = QUANTITIES[reading.quantity]
    within = quantity.low <= reading.value <= quantity.high
    return reading if within else reading._replace(flag=Flag.RANGE)


def _event(chain: list[Event], at_us: int, act: Act) -> Event:
    chain.append(Event(len(chain) + 1, at_us, act.kind, act.bay, act.data, ""))
    return chain[-1]


def _note_findings(chain: list[Event], findings: list[Finding]) -> None:
    for found in findings:
        place = len(chain) + 1
        chain.append(Event(place, found.at_us, found.kind, found.bay, found.data, ""))
