"""A turn of the watch: committed, then acknowledged; nothing stops the stream.

Source of what is expected: rules 1 and 4 of the design (ours). The broker is the link's
in-memory twin here; a real one is in test_watch_broker.py.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.clock import MINUTE_US
from envmon.errors import StoreError
from envmon.facts import Flag, Reading
from envmon.guard.alarm_acts import LISTENING, RAISED
from envmon.guard.engine import step
from envmon.service import publishing
from envmon.service import watch as watch_module
from envmon.service.replay.mark import TAKEN
from envmon.service.restored import plan_fingerprint, restored_state
from envmon.service.watch import PAYLOAD_KEPT, Watch
from envmon.store.chain import first_break
from envmon.store.sqlite import SqliteStore
from tests.guard_support import SHOP, START_US, plan_from
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ALL = (0, 2**62)


@pytest.fixture
def hand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[HandWatch]:
    """A watch that publishes at once and does not wait before it tries the store again."""
    for name in ("REQUESTS_EVERY_S", "RETRY_S"):
        monkeypatch.setattr(watch_module, name, 0.0)
    monkeypatch.setattr(publishing, "GAP_S", 0.0)
    made = HandWatch(tmp_path)
    yield made
    made.store.close()


def values(hand: HandWatch) -> list[float]:
    return [reading.value for reading in hand.store.readings(*ALL)]


def test_a_reading_is_stored_judged_published_and_acknowledged(hand: HandWatch) -> None:
    payload = senml("temp", 20.5, 1)
    assert hand.turn(2, ("hall/panel", payload)) == 1
    assert values(hand) == [20.5]
    assert hand.link.acknowledged == [payload]
    panel = hand.retained("envmon/one/state")["conditions"]["panel_temp_c"]
    assert (panel["value"], panel["t"]) == (20.5, "2026-01-27T08:00:01.000Z")


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("hall/panel", b"not json"),
        ("hall/panel", senml("temp", "20")),
        ("hall/panel", b'[{"n":"temp","v":1e999}]'),
        ("hall/panel", b"\xff" * 5000),
        ("hall/panel", b""),
        ("nobody/asked", b"1"),
    ],
)
def test_a_bad_payload_is_counted_kept_acknowledged_and_stops_nothing(
    hand: HandWatch, topic: str, payload: bytes
) -> None:
    good = senml("temp", 21.0, 1)
    hand.turn(2, ("hall/panel", senml("temp", 20.0, 0)), (topic, payload), ("hall/panel", good))
    assert values(hand) == [20.0, 21.0]
    assert hand.link.acknowledged[1:] == [payload, good]
    assert hand.store.reject_total() == 1
    (kept,) = hand.store.rejects()
    assert (kept.topic, kept.payload) == (topic, payload[:PAYLOAD_KEPT])
    assert len(kept.reason) > 10


def failing(monkeypatch: pytest.MonkeyPatch, store: SqliteStore, method: str) -> list[int]:
    """Make a method of the store fail as long as the list holds something."""
    left = [1]
    real = getattr(store, method)

    def maybe(*args: Any) -> Any:
        if left:
            raise StoreError("the disk is full")
        return real(*args)

    monkeypatch.setattr(store, method, maybe)
    return left


@pytest.mark.parametrize("method", ["add_readings", "add_events", "save_snapshot"])
def test_store_error_acknowledges_nothing_and_the_same_messages_are_tried_again(
    hand: HandWatch, monkeypatch: pytest.MonkeyPatch, method: str
) -> None:
    """Whichever write fails, nothing of the turn has happened: not even in the guard."""
    hand.turn(0, ("hall/panel", senml("temp", 5.0, 0)))
    hand.store.ask("stage_started", "one", {"stage": "decontamination"}, 0)
    left = failing(monkeypatch, hand.store, method)
    state, acknowledged = hand.watch.state, list(hand.link.acknowledged)
    assert hand.turn(10, ("hall/panel", senml("temp", 20.0, 9))) == 0
    assert hand.turn(11, ("hall/panel", senml("temp", 21.0, 10))) == 0
    assert hand.watch.state is state
    assert hand.link.acknowledged == acknowledged
    assert values(hand) == [5.0]
    assert hand.event_kinds() == []
    beat = hand.retained("envmon/watch/heartbeat")
    assert (beat["state"], beat["text"]) == ("trouble", "the disk is full")
    left.clear()
    assert hand.turn(12) == 1
    assert hand.turn(13) == 1
    assert values(hand) == [5.0, 20.0, 21.0]
    assert len(hand.link.acknowledged) == 3
    assert hand.event_kinds()[0] == "stage_started"
    assert hand.store.requests() == []


def test_requests_become_events_once(hand: HandWatch, tmp_path: Path) -> None:
    boards = SqliteStore(tmp_path)
    boards.ask("stage_started", "one", {"stage": "decontamination"}, 1_000_000)
    boards.ask("no_such_thing", "one", {}, 0)
    boards.ask("stage_started", "no_such_bay", {"stage": "wash"}, 0)
    for at_s in (5, 6, 7):
        hand.turn(at_s)
    assert boards.requests() == []
    started = [e for e in boards.events() if e.kind == "stage_started"]
    assert [(e.bay, e.data) for e in started] == [
        ("one", {"stage": "decontamination", "asked": "1970-01-01T00:00:01.000Z"})
    ]
    assert hand.retained("envmon/one/state")["stage"] == "decontamination"
    boards.close()


@pytest.mark.parametrize("stage", [["wash"], {"a": 1}, 7, "no_such_stage", None])
def test_request_with_a_strange_stage_stops_nothing(hand: HandWatch, stage: object) -> None:
    hand.store.ask("stage_started", "one", {"stage": stage}, 0)
    hand.turn(1, ("hall/panel", senml("temp", 20.0, 0)))
    assert hand.store.requests() == []
    assert hand.watch.state.bays["one"].stage is None
    assert values(hand) == [20.0]


def test_messages_without_a_time_of_their_own_are_all_stored_in_order(hand: HandWatch) -> None:
    """They waited while the watch was away and come all at once."""
    waiting = [("hall/panel", senml("temp", float(n))) for n in range(20)]
    hand.turn(5, *waiting)
    hand.turn(5, *waiting)
    readings = list(hand.store.readings(*ALL))
    assert [r.value for r in readings] == [float(n % 20) for n in range(40)]
    assert {r.flag for r in readings} == {Flag.GOOD}
    assert all(r.t_us <= r.seen_us for r in readings)
    assert hand.watch.state.newest["panel/panel_temp_c"].value == 19.0


def test_late_and_future_readings_are_stored_and_flagged(hand: HandWatch) -> None:
    for value, at_s in ((20.0, 50), (19.0, 40), (30.0, 4000), (20.5, 60)):
        hand.turn(61, ("hall/panel", senml("temp", value, at_s)))
    flags = {r.value: r.flag for r in hand.store.readings(*ALL)}
    assert flags == {20.0: Flag.GOOD, 19.0: Flag.LATE, 30.0: Flag.CLOCK, 20.5: Flag.GOOD}
    assert hand.retained("envmon/one/state")["conditions"]["panel_temp_c"]["value"] == 20.5


def alarmed(hand: HandWatch) -> None:
    """Bring the panel out of decontamination's 10–30 °C for its on-delay of 180 s."""
    hand.store.ask("stage_started", "one", {"stage": "decontamination"}, 0)
    hand.turn(0, ("hall/panel", senml("temp", 20.0, 0)))
    hand.turn(1, ("hall/panel", senml("temp", 5.0, 1)))
    for at_s in (90, 181):
        hand.turn(at_s, ("hall/panel", senml("temp", 5.0, at_s - 1)))


def well_again(hand: HandWatch) -> None:
    """Bring it back for the off-delay of 1 200 s."""
    for at_s in range(190, 1_400, 100):
        hand.turn(at_s, ("hall/panel", senml("temp", 20.0, at_s)))
    hand.turn(1_391)


def lost(hand: HandWatch) -> set[str]:
    return {
        event.data["alarm"]
        for event in hand.store.events()
        if event.kind == RAISED and event.data["what"] == "lost"
    }


def test_sensors_have_their_time_for_a_first_word_from_when_the_broker_is_there(
    tmp_path: Path,
) -> None:
    """After a power cut the broker may come long after the watch; a restart changes nothing."""
    hand = HandWatch(tmp_path)
    hand.link.set_up(False)
    for minute in range(0, 90, 5):
        hand.turn(60 * minute)
    assert lost(hand) == set()
    hand.watch.finish()
    again = HandWatch(tmp_path, at_us=START_US + 90 * MINUTE_US)
    again.turn(90 * 60)
    kinds = [event.kind for event in again.store.events()]
    assert kinds.count(LISTENING) == len(again.watch.state.bays)
    again.turn(99 * 60)
    assert lost(again) == set()
    again.turn(106 * 60)
    assert lost(again) == {"air-a-lost", "air-b-lost", "bucket-lost", "panel-lost"}
    assert [event.kind for event in again.store.events()].count(LISTENING) == kinds.count(LISTENING)


def test_at_many_times_real_speed_a_first_word_has_a_minute_of_the_machines_time(
    tmp_path: Path,
) -> None:
    hand = HandWatch(tmp_path)
    hand.clock.speed = 60.0
    for minute in range(0, 58, 2):
        hand.turn(60 * minute)
    assert lost(hand) == set()
    hand.turn(66 * 60)
    assert "panel-lost" in lost(hand)


def test_alarm_is_retained_while_active_and_taken_back_after(hand: HandWatch) -> None:
    alarmed(hand)
    alarm = hand.retained("envmon/one/alarm/one-window")
    assert (alarm["stage"], alarm["since"]) == ("decontamination", "2026-01-27T08:03:01.000Z")
    well_again(hand)
    assert "envmon/one/alarm/one-window" not in hand.link.retained
    about_stage = [
        event.kind for event in hand.store.events()
        if event.data.get("what", "window") == "window" and event.kind not in {TAKEN, LISTENING}
    ]  # fmt: skip
    assert about_stage == [
        "stage_started", "stage_fitness", "stage_fitness", "alarm_raised", "stage_fitness",
        "alarm_cleared",
    ]  # fmt: skip
    assert first_break(hand.store.events()) is None


def test_alarm_that_clears_while_the_broker_is_away_is_taken_back(hand: HandWatch) -> None:
    alarmed(hand)
    hand.link.set_up(up=False)
    well_again(hand)
    assert "envmon/one/alarm/one-window" in hand.link.retained
    hand.link.set_up(up=True)
    hand.turn(1_392)
    assert "envmon/one/alarm/one-window" not in hand.link.retained


def test_clock_that_goes_backwards_still_stores_and_judges(hand: HandWatch) -> None:
    hand.turn(100, ("hall/panel", senml("temp", 20.0)))
    hand.turn(-3600, ("hall/panel", senml("temp", 21.0)))
    seen = [r.seen_us for r in hand.store.readings(*ALL)]
    assert seen == sorted(seen)
    assert hand.watch.state.newest["panel/panel_temp_c"].value == 21.0


def test_goodbye_saves_the_state_and_says_down(tmp_path: Path) -> None:
    hand = HandWatch(tmp_path)
    hand.turn(1, ("hall/panel", senml("temp", 20.0, 0)))
    hand.turn(50)
    state = hand.watch.state
    hand.watch.finish()
    assert hand.retained("envmon/watch/heartbeat")["state"] == "down"
    store = SqliteStore(tmp_path)
    assert restored_state(plan_from(), plan_fingerprint(plan_from()), store, 0) == (state, [])
    store.close()


def test_changed_shop_file_judges_anew_and_keeps_what_the_person_said(hand: HandWatch) -> None:
    alarmed(hand)
    text = SHOP.replace("low = 10\nhigh = 35", "low = 4\nhigh = 35")
    plan = plan_from(text)
    state, _ = restored_state(plan, plan_fingerprint(plan), hand.store, 0)
    assert state.bays["one"].stage == "decontamination"
    state, _ = step(plan, state, [], [], hand.watch.state.now_us)
    assert state.bays["one"].limits["polish/panel_temp_c"].fitness == "fit"
    assert hand.watch.state.bays["one"].limits["polish/panel_temp_c"].fitness == "unfit"


def test_readings_are_seen_at_whole_milliseconds(hand: HandWatch) -> None:
    """The time of a turn is kept with each reading as a lag; short numbers take little room."""
    hand.turn(2.3456789, ("hall/panel", senml("temp", 20.0, 1)), ("hall/panel", senml("temp", 21)))
    own, arrived = hand.store.readings(*ALL)
    assert own.seen_us == arrived.seen_us == START_US + 2_345_000
    assert arrived.seen_us - arrived.t_us < 1_000


def test_turns_within_one_millisecond_are_told_apart(hand: HandWatch) -> None:
    for value in (20.0, 21.0, 22.0):
        hand.turn(2.0, ("hall/panel", senml("temp", value, value)))
    seen = [reading.seen_us for reading in hand.store.readings(*ALL)]
    assert seen == sorted(set(seen))


SERIES = st.sampled_from([("panel", "panel_temp_c"), ("air-a", "air_temp_c")])
FLAGS = st.sampled_from([Flag.GOOD, Flag.CLOCK, Flag.RANGE, Flag.CLOCK | Flag.RANGE])


@given(
    known=st.dictionaries(SERIES, st.integers(0, 9)),
    came=st.lists(st.tuples(SERIES, st.integers(0, 9), FLAGS), max_size=12),
)
def test_late_is_what_is_older_than_the_newest_true_one_before_it(
    known: dict[tuple[str, str], int], came: list[tuple[tuple[str, str], int, Flag]]
) -> None:
    readings = [Reading(*series, t_us, 1.0, flag, 99) for series, t_us, flag in came]
    newest = {"/".join(series): SimpleNamespace(t_us=t_us) for series, t_us in known.items()}
    flagged = list(readings)
    Watch._flag_late(SimpleNamespace(state=SimpleNamespace(newest=newest)), flagged)  # type: ignore[arg-type]

    for index, (before, after) in enumerate(zip(readings, flagged, strict=True)):
        earlier = [
            r.t_us for r in flagged[:index]
            if r[:2] == before[:2] and not r.flag & (Flag.CLOCK | Flag.LATE)
        ]  # fmt: skip
        bounds = earlier[-1:] or [known.get(before[:2], before.t_us)]
        late = before.t_us < bounds[0]
        assert after == before._replace(flag=before.flag | (Flag.LATE if late else 0))


def test_import_is_told_in_the_chain_and_moves_nothing_else(tmp_path: Path) -> None:
    hand = HandWatch(tmp_path)
    hand.turn(0)
    before = hand.watch.state
    hand.store.ask("history_imported", "", {"file": "old.csv", "new": 7}, START_US)
    hand.store.ask("somebody_elses", "", {}, START_US)
    hand.watch._requests_at = 0.0
    hand.turn(1)
    (event,) = [e for e in hand.store.events() if e.kind == "history_imported"]
    assert (event.bay, event.data["file"], event.data["new"]) == ("", "old.csv", 7)
    assert hand.store.requests() == []
    assert hand.watch.state.bays == before.bays
    assert hand.watch._publisher._dirty <= set(hand.watch.plan.bays)
