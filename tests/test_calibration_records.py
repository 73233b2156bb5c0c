"""Records of calibration: what is accepted, from when on it counts, and what never changes."""

from __future__ import annotations

import hashlib
import math
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import SECOND_US
from envmon.errors import InputError
from envmon.facts import CALIBRATION_ACCEPTED, Event, NewEvent
from envmon.intake.calibration_record import (
    PLAIN,
    Line,
    line_from_pairs,
    record_from,
)
from envmon.intake.calibrations import Calibrations
from envmon.store.chain import first_break
from envmon.units import QUANTITIES
from tests.calibration_support import START_US, Bench, record_data

if TYPE_CHECKING:
    from pathlib import Path

SHOP_HUM = Line((75.5 - 33.1) / (76.9 - 34.1), 33.1 - (75.5 - 33.1) / (76.9 - 34.1) * 34.1)
"""The shop file's two_point of the humidity, worked out by hand."""


@given(
    st.floats(0.3, 4), st.floats(-20, 20), st.floats(1, 99), st.floats(1, 99),
    st.floats(-8, 8), st.floats(-8, 8),
)  # fmt: skip
def test_the_line_leads_what_was_read_to_what_was_true(
    gain: float, offset: float, true_a: float, true_b: float, error_a: float, error_b: float
) -> None:
    """Whatever the shown values had been made with."""
    shown_by = Line(gain, offset)
    pairs = ((true_a + error_a, true_a), (true_b + error_b, true_b))
    try:
        line = line_from_pairs(pairs, shown_by, "rel_hum_pct")
    except InputError:
        span = pairs[1][0] - pairs[0][0]
        found = math.inf if span == 0 else gain * (true_b - true_a) / span
        assert not 0.2001 <= found <= 4.999
        return
    for shown, true in pairs:
        raw = (shown - offset) / gain
        assert line.true(raw) == pytest.approx(true, abs=1e-6)
    assert line.raw(line.true(12.0)) == pytest.approx(12.0)


def test_one_pair_moves_the_offset_and_keeps_the_gain() -> None:
    line = line_from_pairs(((20.0, 20.5),), Line(1.1, -2.0), "air_temp_c")
    assert line.gain == 1.1
    assert line.true(20.0) == pytest.approx(1.1 * 20 - 2.0 + 0.5)


def test_pairs_that_make_no_line() -> None:
    for pairs in (((40.0, 41.0), (40.0, 45.0)), ((40.0, 40.0), (41.0, 60.0))):
        with pytest.raises(InputError, match="the pairs make no calibration"):
            line_from_pairs(pairs, PLAIN, "rel_hum_pct")
    with pytest.raises(InputError, match="3 pairs were given"):
        line_from_pairs(((1.0, 1.0),) * 3, PLAIN, "rel_hum_pct")


def test_a_sound_record_is_read() -> None:
    record = record_from({**record_data(), "asked": "2026-01-27T08:00:00.000Z"})
    assert record.line == pytest.approx((1.1, -2.0))
    assert record.pairs == ((40.0, 42.0), (70.0, 75.0))


@pytest.mark.parametrize(
    ("changed", "what"),
    [
        ({"gain": 1.2}, "not those of its pairs"),
        ({"gain": math.nan}, "not finite"),
        ({"gain": 6.0}, "allowed is 0.2 to 5"),
        ({"gain": "1.1"}, "Expected `float`"),
        ({"offset": 10**400}, "cannot be read"),
        ({"shown_by": [0.0, 0.0]}, "allowed is 0.2 to 5"),
        ({"pairs": []}, "0 pairs were given"),
        ({"pairs": [[40, 140], [70, 75]]}, "the pairs make no calibration|lies between"),
        ({"quantity": "dew_point_c"}, "calibration is of 'dew_point_c'; allowed: air_temp_c"),
        ({"quantity": "heater_on"}, "calibration is of 'heater_on'"),
        ({"quantity": "warmth"}, "calibration is of 'warmth'"),
        ({"by": "  "}, "nobody accepted it"),
        ({"by": "x" * 61}, "length <= 60"),
        ({"checked": "yesterday"}, "cannot be read"),
        ({"due": "2026-01-27"}, "is due 2026-01-27, but was checked 2026-01-27"),
        ({"due": "soon"}, "cannot be read"),
        ({"point": None}, "Expected `str`"),
    ],
)
def test_what_is_refused(changed: dict[str, Any], what: str) -> None:
    with pytest.raises(InputError, match=what):
        record_from({**record_data(), **changed})


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from(sorted(record_data())), _JSON), _JSON)
@settings(max_examples=300)
def test_no_request_is_more_than_refused(changed: dict[str, Any], anything: Any) -> None:
    """A bad request must never stop the watch: only InputError comes out, or a sound record."""
    for data in ({**record_data(), **changed}, anything):
        try:
            record = record_from(data)
        except InputError:
            continue
        assert 0.2 <= record.gain <= 5
        assert math.isfinite(record.offset)
        assert QUANTITIES[record.quantity]


def test_a_record_replaces_the_shop_files_calibration_as_a_whole(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    assert bench.value(0, "h", 34.1) == 33.1  # the shop file's first pair
    bench.ask(record_data(((33.1, 32.9), (75.5, 75.4)), SHOP_HUM), 1)
    assert bench.take_requests(2) == 1
    assert bench.value(3, "h", 34.1) == 32.9  # the jars' own reads come out as the jars' truths
    assert bench.value(4, "h", 76.9) == 75.4
    assert bench.value(5, "t", 20.0) == 19.7  # the other quantity is as it was


def test_other_points_of_the_same_entry_keep_theirs(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.ask(record_data(), 1)
    bench.take_requests(2)
    (north,) = bench.hear(3, "shop/north/air", '[{"n":"h","v":40}]')
    (south,) = bench.hear(3, "shop/south/air", '[{"n":"h","v":34.1}]')
    assert (north.value, south.value) == (42.0, 33.1)


def test_a_topic_heard_before_is_decoded_anew(tmp_path: Path) -> None:
    """The decoder remembers topics with their calibration; that memory must go."""
    bench = Bench(tmp_path)
    before = bench.value(0, "h", 50.0)
    bench.ask(record_data(), 1)
    bench.take_requests(2)
    assert bench.value(3, "h", 50.0) == 53.0 != before
    bench.decoder.recalibrate({})
    assert bench.value(4, "h", 50.0) == 50.0


def _stored(bench: Bench) -> str:
    rows = bench.store.rows("SELECT * FROM reading ORDER BY series_id, t_us")
    return hashlib.sha256(repr(list(rows)).encode()).hexdigest()


def test_history_is_the_same_to_the_byte_after_a_record(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    for second in range(50):
        bench.value(second, "h", 40 + second / 7)
    before = _stored(bench)
    bench.ask(record_data(), 51)
    bench.take_requests(52)
    assert _stored(bench) == before
    # A message the broker brings again with its own time, now decoded otherwise, changes nothing.
    again = f'[{{"n":"h","v":40,"t":{START_US / SECOND_US}}}]'
    bench.hear(53, "shop/north/air", again)
    assert _stored(bench) == before


@given(
    st.lists(st.tuples(st.floats(20, 90), st.none() | st.floats(-3, 3)), min_size=1, max_size=8),
    st.sets(st.integers(0, 8)),
)
@settings(max_examples=25, deadline=None)
def test_restart_equals_no_restart(
    tmp_path_factory: pytest.TempPathFactory,
    story: list[tuple[float, float | None]],
    restarts: set[int],
) -> None:
    """Readings and calibrations in any order, with and without restarts in between."""
    found = []
    for broken in (False, True):
        bench = Bench(tmp_path_factory.mktemp("calibration"))
        values = []
        for place, (raw, error) in enumerate(story):
            if broken and place in restarts:
                bench.start()
            if error is None:
                values.append(bench.value(place, "h", raw))
            else:
                now = bench.recalibration.calibrations.in_force("north-air", "rel_hum_pct").line
                bench.ask(record_data(((raw, raw + error),), now), place)
                bench.take_requests(place)
        found.append((values, bench.recalibration.calibrations.lines(), _stored(bench)))
        assert first_break(bench.store.events()) is None
        bench.store.close()
    assert found[0] == found[1]


def test_the_chain_verifies_and_tells_who_and_when(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.ask(record_data(), 1)
    bench.ask(record_data(((50.0, 51.0),)), 2)
    assert bench.take_requests(3) == 2
    assert first_break(bench.store.events()) is None
    first, second = bench.store.events_of(CALIBRATION_ACCEPTED)
    assert (first.seq, second.seq) == (1, 2)
    assert first.data["by"] == "Siv"
    assert first.data["asked"] == "2026-01-27T08:00:01.000Z"


def test_bad_requests_are_dropped_and_the_good_one_beside_them_is_taken(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(tmp_path)
    bench.ask({}, 1)
    bench.ask(record_data(point="nowhere"), 1)
    bench.ask(record_data(), 1)
    bench.store.ask("stage_started", "north", {"stage": "coating"}, START_US)
    assert bench.take_requests(2) == 1
    assert bench.store.requests() == []
    assert "missing required field" in caplog.text
    assert "no rel_hum_pct at 'nowhere'" in caplog.text


def _event(seq: int, at_s: float, data: dict[str, Any]) -> Event:
    return Event(seq, START_US + round(at_s * 1e6), CALIBRATION_ACCEPTED, "", data, "")


def test_what_was_in_force_when_a_reading_came() -> None:
    key = ("north-air", "rel_hum_pct")
    calibrations = Calibrations({key: (1.0, 0.5)})
    changed = calibrations.take(
        [_event(1, 10, record_data()), _event(2, 20, record_data(((50.0, 51.0),)))]
    )
    assert changed == {key}
    at = [calibrations.at(*key, START_US + s * SECOND_US).line for s in (0, 10, 11, 20, 21)]
    assert [line.true(0) for line in at] == pytest.approx([0.5, 0.5, -2.0, -2.0, 1.0])
    assert [line.gain for line in at] == pytest.approx([1.0, 1.0, 1.1, 1.1, 1.0])
    assert calibrations.in_force(*key).line == (1.0, 1.0)
    assert len(calibrations.history(*key)) == 2


def test_an_unreadable_event_is_passed_over(caplog: pytest.LogCaptureFixture) -> None:
    calibrations = Calibrations({}, [_event(7, 1, {"gain": 1}), _event(8, 2, record_data())])
    assert calibrations.in_force("north-air", "rel_hum_pct").line == pytest.approx((1.1, -2.0))
    assert "event 7 is passed over" in caplog.text


def test_events_of_one_kind(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    kinds = ["a", "b", "a", "c", "a"]
    bench.store.add_events([NewEvent(START_US, kind, "x", {"n": 1}) for kind in kinds])
    assert [event.seq for event in bench.store.events_of("a")] == [1, 3, 5]
    assert list(bench.store.events_of("a"))[1] == list(bench.store.events())[2]
