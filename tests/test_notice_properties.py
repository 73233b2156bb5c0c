"""Whatever happens in whatever order: cutting and restarting change nothing, nobody is left out.

Properties are this project's own (restart equals no restart; no message lost or doubled).
"""

from __future__ import annotations

import itertools
from collections import Counter
from typing import TYPE_CHECKING

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import HOUR_US, SECOND_US
from envmon.notice.decide import decide
from envmon.notice.people import RANKS
from envmon.notice.rounds import GATHER_US, is_open
from envmon.notice.state import Message, NoticeState
from envmon.notice.words import LINE
from tests.notice_support import AT_US, DAY_PERSON, SECOND_PERSON, book_of, event

if TYPE_CHECKING:
    from envmon.facts import Event

QUIET = SECOND_PERSON.replace("kari", "per") + 'quiet = "15:00-17:00"\n'
BOOK = book_of(DAY_PERSON, SECOND_PERSON, QUIET)
ALARMS = [f"{bay}-{what}" for bay in ("north", "south") for what in ("window", "heater", "frost")]
KINDS = ["alarm_raised"] * 5 + ["alarm_cleared"] * 3 + [
    "alarm_acknowledged", "alarm_again", "alarm_shelved", "alarm_shelf_over", "alarm_removed",
    "alarm_returned", "stage_started", "stage_ended",
]  # fmt: skip


@st.composite
def streams(draw: st.DrawFn) -> list[Event]:
    """Return events of some hours, the guard's and persons' in any order."""
    at_us, events = AT_US, []
    for seq in range(1, draw(st.integers(1, 40)) + 1):
        at_us += draw(st.sampled_from([0, 1, 5, 19, 20, 21, 300, 900, 3_600])) * SECOND_US
        alarm = draw(st.sampled_from(ALARMS))
        bay, _, what = alarm.partition("-")
        data = {"alarm": alarm, "what": what, "text": f"{alarm} {seq}", "do": "act", "by": "Ola",
                "priority": draw(st.sampled_from(list(RANKS))), "why": "",
                "stage": draw(st.sampled_from([None, "drying", "cure"])),
                "under": draw(st.sampled_from([None, None, *ALARMS]))}  # fmt: skip
        events.append(event(draw(st.sampled_from(KINDS)), at_us, bay, seq, **data))
    return events


def run(
    events: list[Event], cuts: list[int], end_us: int, *, restart: bool = False
) -> tuple[NoticeState, list[Message]]:
    """Decide in steps cut at places of the stream, with looks at the clock in between."""
    state, sent = NoticeState(AT_US), []
    edges = sorted({0, len(events), *(cut for cut in cuts if cut <= len(events))})
    for begin, stop in itertools.pairwise(edges):
        part = events[begin:stop]
        state, new = decide(BOOK, state, part, part[-1].at_us)
        sent += new
        if restart:
            state = msgspec.json.decode(msgspec.json.encode(state), type=NoticeState)
    state, new = decide(BOOK, state, [], end_us)
    return state, [*sent, *new]


@given(streams(), st.lists(st.integers(0, 40), max_size=10))
@settings(max_examples=300, deadline=None)
def test_cuts_and_restarts_change_nothing(events: list[Event], cuts: list[int]) -> None:
    end_us = events[-1].at_us + 3 * HOUR_US
    whole = run(events, [], end_us)
    assert run(events, cuts, end_us) == whole
    assert run(events, list(range(41)), end_us, restart=True) == whole


@given(streams())
@settings(max_examples=300, deadline=None)
def test_every_open_high_alarm_is_told_to_everyone_due(events: list[Event]) -> None:
    state, sent = run(events, [], events[-1].at_us + 12 * HOUR_US)
    for name, standing in state.standing.items():
        if not is_open(state, standing):
            continue
        for person in BOOK.people:
            heard = [m for m in sent if m.person == person.id and (name, standing.notice.seq)
                     in m.alarms]  # fmt: skip
            assert bool(heard) == person.wants(standing.notice.priority), (name, person.id)
    assert not any(state.waiting.values())


@given(streams())
@settings(max_examples=300, deadline=None)
def test_nothing_is_told_twice_and_every_line_fits(events: list[Event]) -> None:
    _, sent = run(events, [], events[-1].at_us + 12 * HOUR_US)
    assert [m.number for m in sent] == list(range(1, len(sent) + 1))
    calls = Counter(
        (m.person, alarm) for m in sent for alarm in m.alarms if "NOT ACKNOWLEDGED" not in m.line
    )
    # A gathered message may hold a repeat behind another line.
    assert max(calls.values(), default=0) <= 5
    for message in sent:
        assert 0 < len(message.line) <= LINE
        assert "\n" not in message.line


@given(streams())
@settings(max_examples=200, deadline=None)
def test_acknowledged_alarm_is_silent_at_once(events: list[Event]) -> None:
    acted = [
        event("alarm_acknowledged", events[-1].at_us, alarm.partition("-")[0], 99, alarm=alarm)
        for alarm in ALARMS
    ]
    state, _ = run(events, [], events[-1].at_us)
    state, new = decide(BOOK, state, acted, events[-1].at_us)
    state, more = decide(BOOK, state, [], events[-1].at_us + 12 * HOUR_US)
    assert all(not m.alarms for m in [*new, *more]), [m.line for m in more]


@given(streams())
@settings(max_examples=200, deadline=None)
def test_who_waits_awake_is_told_within_the_gather_time(events: list[Event]) -> None:
    """Outside floods and quiet hours nothing is held back longer."""
    state, _ = run(events, [], events[-1].at_us)
    state, _ = decide(BOOK, state, [], events[-1].at_us + GATHER_US)
    if state.flood.since_us is None:
        late = [n for n in state.waiting.get("ola", []) if n.ready_us <= state.now_us]
        assert not late
