"""Restart equals no restart: after any turn the store alone gives back the guard's state.

Source: rule 4 of the design (ours). A kill is met by never saying goodbye: what a new process
would rebuild is compared after every turn with what the running one holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.guard.engine import step
from envmon.service import watch as watch_module
from envmon.service.restored import plan_fingerprint, restored_state
from envmon.store.sqlite import SqliteStore
from tests.guard_support import plan_from
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from collections.abc import Iterator

PLAN, FINGERPRINT = plan_from(), plan_fingerprint(plan_from())
TOPICS = [
    ("hall/panel", "temp"),
    ("hall/air-a", "temp"),
    ("hall/air-a", "rh"),
    ("hall/air-b", "temp"),
]
VALUES = [5.0, 9.9, 15.0, 16.2, 20.0, 21.0, 25.0, 45.0, 66.0, 200.0]
LAGS = [None, 0.0, 1.0, 30.0, 100.0, -60.0, -500.0]
MESSAGES = st.tuples(
    st.sampled_from(TOPICS), st.sampled_from([*VALUES, None]), st.sampled_from(LAGS)
)
STAGES = st.sampled_from(["polish", "decontamination", "coating", None])
TURNS = st.lists(
    st.tuples(
        st.sampled_from([0.5, 5.0, 40.0, 130.0]),
        st.lists(MESSAGES, max_size=4),
        st.none() | STAGES.map(lambda stage: (stage,)),
        st.booleans(),
    ),
    max_size=15,
)


@pytest.fixture(scope="module", autouse=True)
def _at_once() -> Iterator[None]:
    """Take requests in at every turn."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(watch_module, "REQUESTS_EVERY_S", 0.0)
        yield


@settings(deadline=None, max_examples=60)
@given(TURNS)
def test_store_gives_back_the_state_after_every_turn(
    tmp_path_factory: pytest.TempPathFactory,
    turns: list[tuple[float, list[tuple[tuple[str, str], float | None, float | None]],
                      tuple[str | None] | None, bool]],
) -> None:  # fmt: skip
    hand = HandWatch(tmp_path_factory.mktemp("watch"))
    at_s, before = 0.0, list[tuple[str, bytes]]()
    for wait_s, messages, asked, again in turns:
        at_s += wait_s
        if asked is not None:
            kind = "stage_ended" if asked[0] is None else "stage_started"
            hand.store.ask(kind, "one", {"stage": asked[0]}, hand.clock.at_us)
        new = [
            (topic, senml(name, value, None if lag is None else at_s - lag))
            for (topic, name), value, lag in messages
        ]
        hand.turn(at_s, *new, *(before if again else []))
        before = new
        other = SqliteStore(hand.folder)
        state, _ = restored_state(PLAN, FINGERPRINT, other, 0)
        state, findings = step(PLAN, state, [], [], hand.watch.state.now_us)
        other.close()
        assert state == hand.watch.state
        assert findings == []
    hand.store.close()
