"""The life of an alarm, held to the state table of ISA-18.2 and IEC 62682.

Source: fixtures/check/alarm_reference.json. Its states and transitions of ISA-18.2-2016 and
IEC 62682:2014 are from memory, as it says; the names of OPC UA part 9 come from asyncua 2.1.0,
generated from the OPC Foundation's own list.
"""

from __future__ import annotations

import json
from itertools import pairwise, product
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, get_args

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.guard.lifecycle import (
    ANNUNCIATED,
    SET_ASIDE,
    UNACKNOWLEDGED,
    AlarmNow,
    AnyLife,
    Input,
    move,
    next_life,
    normal,
)
from envmon.guard.live import Life

if TYPE_CHECKING:
    from collections.abc import Iterable

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "fixtures" / "check" / "alarm_reference.json").read_text()
)
TABLE = REFERENCE["states_ISA18.2_2016_IEC62682_2014"]
OPC = REFERENCE["opcua_part9_shelving"]

LETTERS: dict[str, AnyLife] = {
    "A": "NORM", "B": "UNACK", "C": "ACKED", "D": "RTNUN", "E": "LTUNK", "F": "LTACK",
    "G": "SHLVD", "H": "DSUPR", "I": "OOSRV",
}  # fmt: skip
LIVES = tuple(LETTERS.values())
STANDING = {"UNACK", "ACKED"}
WORDS = {
    "acknowledge": Input.ACKNOWLEDGE,
    "alarm condition occurs": Input.OCCURS,
    "condition recurs": Input.OCCURS,
    "condition clears": Input.CLEARS,
    "reset": Input.RESET,
    "shelve": Input.SHELVE,
    "unshelve": Input.UNSHELVE,
    "designed suppression on": Input.SUPPRESS,
    "designed suppression off": Input.RELEASE,
    "remove from service": Input.REMOVE,
    "return to service": Input.RETURN,
}
"""How the table begins the words of a transition -> what we call it."""
RAISED_AGAIN = ("ACKED", Input.AGAIN)
"""Not in the table: ReAlarmTime of OPC UA part 9, an option of ISA-18.2 (from memory)."""


class Case(NamedTuple):
    """One alarm and what happens to it."""

    life: AnyLife
    what: Input
    active: bool
    latches: bool
    wants_ack: bool

    @property
    def now(self) -> AlarmNow:
        return AlarmNow(
            1_000, "coating", self.life, self.active, 500, self.latches, self.wants_ack,
            text="too cold",
        )  # fmt: skip


def every_case() -> list[Case]:
    """Return every alarm that can be, with every input."""
    yes_no = (False, True)
    return [
        Case(life, what, active, latches, wants_ack)
        for life, what, active, latches, wants_ack in product(LIVES, Input, yes_no, yes_no, yes_no)
        if life in SET_ASIDE or active == (life in STANDING)
    ]


def meaning(words: str) -> Input:
    begins = [phrase for phrase in WORDS if words.startswith(phrase)]
    return WORDS[max(begins, key=len)]


def holds(words: str, case: Case) -> bool:
    """Return whether the conditions in a transition's words hold for an alarm."""
    if "not latching" in words and case.latches:
        return False
    if "latching" in words and "not latching" not in words and not case.latches:
        return False
    if "no acknowledgement required" in words:
        # The table leaves a latching one that needs no acknowledgement open: the latch wins.
        return not case.wants_ack and not case.latches
    return "acknowledgement required" not in words or case.wants_ack


def sources(letters: str) -> str:
    return "ABCDEF" if letters == "A..F" else letters


def expected(case: Case) -> list[AnyLife]:
    """Return where the table leads from a case; nothing where it says nothing."""
    found = [
        LETTERS["B" if case.active else "A"] if to == "A|B" else LETTERS[to]
        for source, to, words in TABLE["transitions"]
        if case.life in {LETTERS[letter] for letter in sources(source)}
        and meaning(words) is case.what
        and holds(words, case)
    ]
    return found or (["UNACK"] if (case.life, case.what) == RAISED_AGAIN else [])


def test_the_table_has_our_nine_states() -> None:
    assert [state.split()[0] for state in TABLE["states"]] == list(LETTERS)
    assert [state.split()[1] for state in TABLE["states"]] == list(LIVES)
    assert {"NORM", *get_args(Life)} == set(LIVES)


def test_states_are_shown_acknowledged_and_set_aside_as_the_table_describes_them() -> None:
    for state, words in TABLE["states"].items():
        life = state.split()[1]
        assert (life in UNACKNOWLEDGED) == ("unacknowledged" in words), state
        aside = any(word in words for word in ("shelved", "suppressed", "service"))
        assert (life in SET_ASIDE) == aside, state
        assert (life in ANNUNCIATED) == (life != "NORM" and not aside), state


def test_every_row_of_the_table_is_used_by_some_case() -> None:
    assert len(TABLE["transitions"]) == 19
    for source, _, words in TABLE["transitions"]:
        for letter in sources(source):
            assert any(
                case.life == LETTERS[letter] and meaning(words) is case.what and holds(words, case)
                for case in every_case()
            ), (letter, words)


@pytest.mark.parametrize("life", LIVES)
def test_every_transition_of_the_table_and_no_other(life: AnyLife) -> None:
    cases = [case for case in every_case() if case.life == life]
    assert cases
    for case in cases:
        leads = expected(case)
        assert len(leads) <= 1, f"the table is not plain about {case}"
        assert next_life(case.now, case.what) == (leads[0] if leads else life), case


def test_moving_agrees_with_the_state_it_names_and_keeps_the_rest() -> None:
    for case in every_case():
        now = case.now
        after = move(now, case.what, 2_000)
        assert after.life == next_life(now, case.what)
        if after.life == now.life and after.active == now.active:
            assert after is now
        same = ("stage", "latches", "wants_ack", "under", "text")
        assert all(getattr(after, name) == getattr(now, name) for name in same)
        assert after.since_us == (1_000 if after.life == case.life else 2_000)


def test_set_aside_it_is_still_worked_out() -> None:
    """OPC UA part 9, clause 4.8, as the reference file notes it: still evaluated, not shown."""
    for life in SET_ASIDE:
        now = AlarmNow(1_000, life=life, active=False)
        up = move(now, Input.OCCURS, 2_000)
        assert (up.life, up.active, up.raised_us, up.since_us) == (life, True, None, 1_000)
        assert move(up, Input.CLEARS, 3_000) == now


def test_methods_of_opc_ua_part_9_have_an_input_of_ours_or_are_named_as_left_out() -> None:
    methods = set(OPC["AlarmConditionType_members"].split("methods ")[1].split())
    ours = {
        "Acknowledge": Input.ACKNOWLEDGE, "Reset": Input.RESET, "Suppress": Input.SUPPRESS,
        "Unsuppress": Input.RELEASE, "RemoveFromService": Input.REMOVE,
        "PlaceInService": Input.RETURN,
    }  # fmt: skip
    left_out = {"Confirm", "Silence"}
    assert methods == set(ours) | left_out
    assert "ReAlarmTime" in OPC["AlarmConditionType_members"]
    shelving = {name for name in OPC["transitions"] if "OneShot" not in name}
    assert shelving == {"UnshelvedToTimedShelved", "TimedShelvedToUnshelved"}
    begun = set(ours.values()) | {Input.SHELVE, Input.UNSHELVE}
    assert set(Input) - begun == {Input.OCCURS, Input.CLEARS, Input.AGAIN}


INPUTS = st.lists(st.tuples(st.sampled_from(Input), st.integers(0, 10**12)), max_size=60)
KINDS = st.tuples(st.booleans(), st.booleans())
"""(latches, wants_ack)"""


def alarm(kind: tuple[bool, bool]) -> AlarmNow:
    latches, wants_ack = kind
    return msgspec.structs.replace(normal(0), latches=latches, wants_ack=wants_ack)


def walk(now: AlarmNow, inputs: Iterable[tuple[Input, int]]) -> list[AlarmNow]:
    """Return where an alarm stands before and after each input, each so much later [µs]."""
    path, at_us = [now], now.since_us
    for what, later_us in inputs:
        at_us += later_us
        path.append(move(path[-1], what, at_us))
    return path


@given(KINDS, INPUTS)
def test_no_sequence_ends_in_an_undefined_state(
    kind: tuple[bool, bool], inputs: list[tuple[Input, int]]
) -> None:
    for now in walk(alarm(kind), inputs):
        assert now.life in LIVES
        if now.life not in SET_ASIDE:
            assert now.active == (now.life in STANDING), now
        assert now.life not in {"LTUNK", "LTACK"} or now.latches
        assert now.life != "RTNUN" or (now.wants_ack and not now.latches)
        assert now.raised_us is not None or now.life in SET_ASIDE | {"NORM"}


@given(KINDS, INPUTS)
def test_active_is_what_was_last_said_of_the_condition(
    kind: tuple[bool, bool], inputs: list[tuple[Input, int]]
) -> None:
    active = False
    for (what, _), now in zip(inputs, walk(alarm(kind), inputs)[1:], strict=True):
        active = {Input.OCCURS: True, Input.CLEARS: False}.get(what, active)
        assert now.active is active


BACK = {"SHLVD": Input.UNSHELVE, "DSUPR": Input.RELEASE, "OOSRV": Input.RETURN}


@given(KINDS, INPUTS, st.sampled_from([Input.SHELVE, Input.SUPPRESS, Input.REMOVE]), INPUTS)
def test_set_aside_it_is_never_shown_and_comes_back_to_what_its_condition_gives(
    kind: tuple[bool, bool],
    before: list[tuple[Input, int]],
    aside: Input,
    meanwhile: list[tuple[Input, int]],
) -> None:
    put = walk(alarm(kind), [*before, (aside, 1)])[-1]
    assert put.life in SET_ASIDE
    stay = [item for item in meanwhile if item[0] is not BACK[put.life]]
    path = walk(put, stay)
    assert all(now.life == put.life and now.life not in ANNUNCIATED for now in path)
    assert {now.raised_us for now in path} == {put.raised_us}
    last = path[-1]
    back = move(last, BACK[put.life], last.since_us + 10**15)
    latched = "LTUNK" if last.owes_reset else "NORM"
    assert back.life == ("UNACK" if last.active else latched)
    assert back.raised_us == (back.since_us if last.active else put.raised_us)
    assert (back.by, back.reason, back.until_us) == ("", "", None)


@given(KINDS, INPUTS, INPUTS)
def test_written_down_and_read_back_it_goes_on_as_if_it_had_not_stopped(
    kind: tuple[bool, bool], before: list[tuple[Input, int]], after: list[tuple[Input, int]]
) -> None:
    now = walk(alarm(kind), before)[-1]
    again = msgspec.json.decode(msgspec.json.encode(now), type=AlarmNow)
    assert again == now
    assert walk(again, after) == walk(now, after)


@given(KINDS, INPUTS)
def test_times_never_run_back_and_a_raise_is_a_new_unacknowledged_state(
    kind: tuple[bool, bool], inputs: list[tuple[Input, int]]
) -> None:
    for old, new in pairwise(walk(alarm(kind), inputs)):
        assert new.since_us >= old.since_us
        assert (new.raised_us or 0) >= (old.raised_us or 0)
        raised = new.life == "UNACK" and old.life != "UNACK"
        assert new.raised_us == (new.since_us if raised else old.raised_us)


@given(KINDS, INPUTS)
def test_only_an_acknowledged_alarm_that_stands_is_raised_again(
    kind: tuple[bool, bool], inputs: list[tuple[Input, int]]
) -> None:
    for now in walk(alarm(kind), inputs):
        again = move(now, Input.AGAIN, now.since_us + 1)
        assert (again.life == "UNACK") if now.life == "ACKED" else (again is now)


NAMED = {Input.ACKNOWLEDGE, Input.SHELVE, Input.REMOVE}
BY = {"ACKED": "ACKNOWLEDGE", "LTACK": "ACKNOWLEDGE", "SHLVD": "SHELVE", "OOSRV": "REMOVE"}
"""State -> the act whose person stands beside it; nobody beside the others."""


def act(now: AlarmNow, what: Input, at_us: int) -> AlarmNow:
    """Move, and as a person's act does, put name, reason and time on the state it led to."""
    after = move(now, what, at_us)
    if what not in NAMED or after.life in {now.life, "NORM"}:
        return after
    if what is Input.ACKNOWLEDGE:
        return msgspec.structs.replace(after, by=what.name)
    return msgspec.structs.replace(after, by=what.name, reason=what.name, until_us=at_us + 5)


@pytest.mark.parametrize("kind", list(product((False, True), repeat=2)))
def test_who_why_and_until_when_belong_to_the_state_they_were_said_of(
    kind: tuple[bool, bool],
) -> None:
    """Every state that any sequence of inputs leads to, times aside."""
    known, new, at_us = set[AlarmNow](), {alarm(kind)}, 0
    while new - known:
        known |= new
        at_us += 10
        moved = {act(now, what, at_us) for now, what in product(new, Input)}
        new = {timeless(now) for now in moved} - known
    assert {now.life for now in known} >= {"NORM", "UNACK", "ACKED", *SET_ASIDE}
    for now in known:
        by = BY.get(now.life, "")
        assert (now.by, now.reason) == (by, by if now.life in {"SHLVD", "OOSRV"} else ""), now
        assert (now.until_us is not None) == (now.life in {"SHLVD", "OOSRV"}), now


def timeless(now: AlarmNow) -> AlarmNow:
    """Return an alarm with its times evened out, so that there are finitely many."""
    return msgspec.structs.replace(
        now, since_us=0, raised_us=None, until_us=None if now.until_us is None else 0
    )
