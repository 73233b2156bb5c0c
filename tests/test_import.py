"""History comes in from CSV: every good row exactly, every bad one with its line and its reason.

Sources: Python's own float, datetime.fromisoformat and zoneinfo (IANA time zone database:
Europe/Oslo goes forward on 2026-03-29 and back on 2026-10-25) for what a text means; the exact
conversion of units in envmon/units.py.
"""

from __future__ import annotations

import gzip
import hashlib
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from envmon.clock import SECOND_US, ManualClock, us_from_datetime
from envmon.errors import InputError
from envmon.facts import Flag, Reading
from envmon.service.keeping import import_lines, importing
from envmon.service.keeping.import_report import outcome_lines
from envmon.service.keeping.importing import ImportJob, import_and_say, import_file
from envmon.store.bulk import add_rows
from envmon.units import convert
from tests.transfer_support import HEADER, NOW_US, Bench, reasons

if TYPE_CHECKING:
    from envmon.service.keeping.import_report import Tally

T = "2026-01-27T08:00:00Z"
T_US = us_from_datetime(datetime(2026, 1, 27, 8, tzinfo=UTC))
FULL = "time,point,quantity,value,unit,flag,seen"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def air(value: float = 20.5, t_us: int = T_US, flag: Flag = Flag.GOOD) -> Reading:
    return Reading("air-a", "air_temp_c", t_us, value, flag, t_us)


def test_the_four_needed_columns_are_enough_in_any_order(bench: Bench) -> None:
    outcome = bench.rows("20.5,air_temp_c,air-a," + T, header="value,quantity,point,time")
    assert (outcome.exit_code, outcome.tally.new) == (0, 1)
    assert bench.kept() == [air()]


def test_every_column_is_taken(bench: Bench) -> None:
    row = "2026-01-27T09:00:00.123456+01:00,panel,panel_temp_c,68.3,°F,late,2026-01-27T10:00:00Z"
    bench.rows(row, header=FULL)
    seen = us_from_datetime(datetime(2026, 1, 27, 10, tzinfo=UTC))
    value = convert(68.3, "°F", "temperature")
    assert bench.kept() == [
        Reading("panel", "panel_temp_c", T_US + 123_456, value, Flag.LATE, seen)
    ]


def test_values_are_kept_exactly_as_they_stand(bench: Bench) -> None:
    texts = ["20.123456789012345", "1e-7", "-0.25", "2.5E1", "+3.", ".5", " 7 "]
    stamps = [f"2026-01-27T08:00:{second:02d}Z" for second in range(len(texts))]
    bench.rows(*[f"{t},air-a,air_temp_c,{v}" for t, v in zip(stamps, texts, strict=True)])
    assert [r.value for r in bench.kept()] == [float(text) for text in texts]


TIMES = st.builds(
    lambda moment, digits, offset, mark: (
        moment.strftime(f"%Y-%m-%d{mark}%H:%M:%S") + (f".{digits}" if digits else "") + offset
    ),
    st.datetimes(datetime(1991, 1, 1), datetime(2026, 2, 5)),  # noqa: DTZ001 - bounds are naive
    st.text("0123456789", max_size=6),
    st.sampled_from(["Z", "+00:00", "+05:30", "-0330", "+01", "+14:00", "-12:00"]),
    st.sampled_from("T "),
)


@settings(deadline=None, max_examples=20, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(
        st.tuples(TIMES, st.floats(-1e300, 1e300)),
        min_size=1, max_size=30,
    )
)  # fmt: skip
def test_times_and_values_mean_what_python_says_they_mean(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, float]]
) -> None:
    bench = Bench(tmp_path_factory.mktemp("shop"))
    bench.watched()
    bench.rows(*[f"{t},air-a,air_temp_c,{v!r}" for t, v in rows])
    expected: dict[int, float] = {}
    for text, value in rows:
        expected.setdefault(us_from_datetime(datetime.fromisoformat(text)), value)
    assert {r.t_us: r.value for r in bench.kept()} == expected


def test_a_finer_time_is_cut_to_microseconds(bench: Bench) -> None:
    bench.rows("2026-01-27T08:00:00.000001999Z,air-a,air_temp_c,20.5")
    assert bench.kept() == [air(t_us=T_US + 1)]


@pytest.mark.parametrize("text", ["2026-01-27T10:00:00", "2025-07-01 12:30", "2025-03-30T03:00:00"])
def test_a_time_without_offset_is_the_shops(bench: Bench, text: str) -> None:
    bench.rows(f"{text},air-a,air_temp_c,20.5")
    moment = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo("Europe/Oslo"))
    assert [r.t_us for r in bench.kept()] == [us_from_datetime(moment)]


def test_a_time_that_clocks_skip_or_show_twice_is_refused(bench: Bench) -> None:
    outcome = bench.rows(
        "2025-03-30T01:59:59,air-a,air_temp_c,1",
        "2025-03-30T02:30:00,air-a,air_temp_c,2",
        "2025-03-30T03:00:00,air-a,air_temp_c,3",
        "2025-10-26T02:00:00,air-a,air_temp_c,4",
        "2025-10-26T02:30:00+02:00,air-a,air_temp_c,5",
        "2025-10-26T03:00:00,air-a,air_temp_c,6",
    )
    assert [r.value for r in bench.kept()] == [1, 3, 5, 6]
    skipped, twice = sorted(reasons(outcome).items(), key=lambda entry: entry[1][1])
    assert "does not exist: the clocks of Europe/Oslo go forward" in skipped[0]
    assert "comes twice" in twice[0]
    assert "write the offset" in twice[0]
    assert (skipped[1], twice[1]) == ((1, [3]), (1, [5]))


BAD_ROWS = [
    (f"{T},air-a,air_temp_c", "has not as many fields as line 1"),
    (f"{T},air-a,air_temp_c,20,5", "has not as many fields as line 1"),
    (f'{T},air-a,air_temp_c,"20,5"', "value has a decimal comma; write 21.5"),
    (f"{T},air-a,air_temp_c,", "value is no finite number"),
    (f"{T},air-a,air_temp_c,warm", "value is no finite number"),
    (f"{T},air-a,air_temp_c,nan", "value is no finite number"),
    (f"{T},air-a,air_temp_c,-inf", "value is no finite number"),
    (f"{T},air-a,air_temp_c,1e999", "value is no finite number"),
    (f"{T},air-a,air_temp_c,1_0", "value is no finite number"),
    (f"{T},air-a,air_temp_c,0x10", "value is no finite number"),
    (",air-a,air_temp_c,20", "time is no date and time"),
    ("1769500800,air-a,air_temp_c,20", "time is no date and time"),
    ("27.01.2026 08:00,air-a,air_temp_c,20", "time is no date and time"),
    ("2026-01-27,air-a,air_temp_c,20", "time is no date and time"),
    ("2026-02-30T08:00:00Z,air-a,air_temp_c,20", "time is no date and time"),
    ("2026-01-27T24:00:00Z,air-a,air_temp_c,20", "time is no date and time"),
    ("2026-01-27T08:00:60Z,air-a,air_temp_c,20", "time is no date and time"),
    ("2026-01-27T08:00:00+25:00,air-a,air_temp_c,20", "time is no date and time"),
    ("infinity,air-a,air_temp_c,20", "time is no date and time"),
    ("1989-12-31T23:59:59Z,air-a,air_temp_c,20", "time is before 1990"),
    ("0001-01-01T00:00:00,air-a,air_temp_c,20", "time is before 1990"),
    ("2026-02-07T08:00:01Z,air-a,air_temp_c,20", "more than a day ahead of now"),
    ("9999-12-31T23:59:59,air-a,air_temp_c,20", "more than a day ahead of now"),
    (f"{T},cellar,air_temp_c,20", r"point is 'cellar'; known are air-a, air-b, bucket, panel"),
    (f"{T},air-a,temperature,20", "quantity is 'temperature'; allowed are air_temp_c, rel_hum"),
    (f"{T},air-a,dew_point_c,20", "which envmon works out itself"),
    (f"{T},air-a,door_open,0.5", "value is between 0 and 1; a state is 0 or 1"),
    (f'{T},"air-a,air_temp_c,20', "has quotes that do not pair on the line"),
    (f'{T},"air-a"x,air_temp_c,20', "has quotes that do not pair on the line"),
    (f"{T},air-a,air_temp_c,20" + " " * 5_000, "is longer than a row of readings can be"),
    (f"{T},air\0-a,air_temp_c,20", "is not UTF-8"),
]


@pytest.mark.parametrize(("row", "reason"), BAD_ROWS)
def test_a_bad_row_is_refused_with_its_line_and_reason(bench: Bench, row: str, reason: str) -> None:
    good = "2026-01-27T08:00:01Z,air-a,air_temp_c,20.5"
    outcome = bench.rows("2026-01-27T08:00:00.5Z,air-a,air_temp_c,20", row, good)
    [(text, (count, lines))] = reasons(outcome).items()
    assert reason in text
    assert (count, lines) == (1, [3])
    assert (outcome.tally.new, outcome.exit_code) == (2, 0)
    assert len(bench.kept()) == 2


@pytest.mark.parametrize(
    ("columns", "reason"),
    [
        ("kelvins,,", "unit is 'kelvins' for air_temp_c; allowed: °C, C, Cel, K, °F, F"),
        (",broken,", "flag has other words than late, clock, range, spike, rate, flat, wet, apart"),
        (",late+late,", "flag has other words"),
        (",late+,", "flag has other words"),
        (",late+broken+range,", "flag has other words"),
        (",,yesterday", "seen is no date and time"),
        (",,2031-01-01T00:00:00Z", "seen is before 1990 or more than a day ahead"),
        ("°F,,2026-01-27", "seen is no date and time"),
    ],
)
def test_a_bad_optional_column_is_refused_too(bench: Bench, columns: str, reason: str) -> None:
    outcome = bench.rows(f"{T},air-a,air_temp_c,20,{columns}", header=FULL)
    [(text, _)] = reasons(outcome).items()
    assert reason in text
    assert outcome.exit_code == 1


def test_a_million_out_of_range_overflows_into_a_reason_not_into_infinity(bench: Bench) -> None:
    outcome = bench.rows(f"{T},boiler,heater_power_w,1.7e308,kW", header=HEADER + ",unit")
    assert next(iter(reasons(outcome))).startswith("point is 'boiler'")
    outcome = bench.rows(f"{T},air-a,heater_power_w,1.7e308,kW", header=HEADER + ",unit")
    assert list(reasons(outcome)) == ["value is too large"]


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("time;point;quantity;value", "fields are separated by semicolons; use commas"),
        ("time\tpoint\tquantity\tvalue", "fields are separated by tabs"),
        ("time,point,quantity,value,bay", r"has the columns 'bay'; needed are time, point"),
        ("time,point,value", "lacks the column quantity"),
        ("time,point,quantity,value,time", "has the column time twice"),
        (f"{T},air-a,air_temp_c,20", "line 1 has the columns"),
        ('"time,point', "line 1 has the columns"),
        ("", "line 1 lacks the column"),
        ("x" * 10_000, "line 1 has the columns"),
    ],
)
def test_a_header_that_is_not_ours_is_refused(bench: Bench, header: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        bench.rows(f"{T},air-a,air_temp_c,20", header=header)
    assert not bench.data.exists() or bench.kept() == []


def test_files_that_cannot_be_are_refused_with_what_to_do(bench: Bench) -> None:
    for name, message in (
        ("missing.csv", "cannot read .*No such file"),
        ("rows.txt", r"is no \.csv, \.csv\.gz or \.parquet"),
        (".", "is no .csv"),
    ):
        with pytest.raises(InputError, match=message):
            bench.take_file(bench.folder / name)
    (bench.folder / "folder.csv").mkdir()
    with pytest.raises(InputError, match="is a folder"):
        bench.take_file(bench.folder / "folder.csv")
    with pytest.raises(InputError, match="is empty; a header and rows are needed"):
        bench.take("")
    path = bench.folder / "utf16.csv"
    path.write_bytes((HEADER + "\n").encode("utf-16"))
    with pytest.raises(InputError, match="is UTF-16; save it as CSV in UTF-8"):
        bench.take_file(path)


def test_a_header_alone_imports_nothing_and_says_no(bench: Bench) -> None:
    outcome = bench.take(HEADER + "\n")
    assert outcome.exit_code == 1
    assert "the file has no rows" in outcome_lines(outcome)


def test_what_other_programs_do_to_a_csv_file_is_understood(bench: Bench) -> None:
    """BOM, carriage returns, quotes, blanks, empty lines, no line end at the end."""
    text = (
        "\ufefftime, point ,quantity,value\r\n\r\n"
        f'"{T}","air-a","air_temp_c","20.5"\r\n   \r\n'
        f" {T} , air-b ,air_temp_c , 21\r\n\r\n"
        f"{T},panel,panel_temp_c,18"
    )
    outcome = bench.take(text)
    assert reasons(outcome) == {}
    assert [(r.point, r.value, r.t_us) for r in bench.kept()] == [
        ("air-a", 20.5, T_US), ("air-b", 21.0, T_US), ("panel", 18.0, T_US),
    ]  # fmt: skip


def test_bytes_that_are_no_utf8_cost_their_row_only(bench: Bench) -> None:
    path = bench.folder / "latin.csv"
    rows = [f"{T},air-a,air_temp_c,20,°C", f"{T},panel,panel_temp_c,19,Cel"]
    path.write_bytes("\n".join([HEADER + ",unit", *rows]).encode("latin-1"))
    outcome = bench.take_file(path)
    assert reasons(outcome) == {"is not UTF-8; save the file as UTF-8": (1, [2])}
    assert len(bench.kept()) == 1


def test_gzip_is_read_as_it_is_and_a_torn_one_keeps_what_came_before(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [f"2026-01-27T08:00:00.{n:06d}Z,air-a,air_temp_c,{n}" for n in range(80)]
    packed = gzip.compress("\n".join([HEADER, *rows]).encode())
    path = bench.folder / "rows.csv.gz"
    path.write_bytes(packed)
    assert bench.take_file(path).tally.new == 80
    monkeypatch.setattr(import_lines, "PIECE_BYTES", 256)
    torn = Bench(bench.folder / ".." / bench.folder.name)
    torn.data = bench.folder / "torn"
    path.write_bytes(packed[:-20])
    outcome = torn.take_file(path)
    assert outcome.exit_code == 2
    assert "cannot read" in outcome.trouble
    assert "import it, what is there already is passed over" in outcome.trouble
    assert 0 < len(torn.kept()) < 80


def test_flags_by_the_rules_of_live_intake(bench: Bench) -> None:
    """Outside what a sensor can send: RANGE. Further ahead than 120 s of being taken in: CLOCK."""
    bench.rows(
        f"{T},air-a,air_temp_c,200,,,",
        "2026-01-27T08:00:01Z,air-a,air_temp_c,20,,range+late,",
        "2026-01-27T08:10:00Z,air-a,air_temp_c,21,,,2026-01-27T08:07:59Z",
        "2026-01-27T08:10:01Z,air-a,air_temp_c,22,,,2026-01-27T08:08:01Z",
        "2026-01-27T08:10:02Z,air-a,air_temp_c,22,,apart+flat+spike,",
        "2090-01-01T00:00:00Z,air-a,air_temp_c,23,,clock,2026-01-27T08:08:01Z",
        "2026-02-06T09:00:00Z,air-a,air_temp_c,24,,,",
        header=FULL,
    )
    assert [(r.value, r.flag) for r in bench.kept()] == [
        (200, Flag.RANGE), (20, Flag.RANGE | Flag.LATE), (21, Flag.CLOCK), (22, Flag.GOOD),
        (22, Flag.APART | Flag.FLAT | Flag.SPIKE),
        (24, Flag.CLOCK), (23, Flag.CLOCK),
    ]  # fmt: skip
    assert bench.kept()[5].seen_us == NOW_US


def test_of_rows_for_one_time_the_first_wins(bench: Bench) -> None:
    outcome = bench.rows(*[f"{T},air-a,air_temp_c,{value}" for value in (20.5, 21, 22)])
    assert (outcome.tally.new, outcome.tally.there) == (1, 2)
    assert bench.kept() == [air()]


def test_what_the_store_has_stays_unless_its_clock_was_wrong(bench: Bench) -> None:
    wrong = air(5.0, T_US + SECOND_US, Flag.CLOCK)
    bench.put([air(19.0), wrong])
    outcome = bench.rows(f"{T},air-a,air_temp_c,20.5", "2026-01-27T08:00:01Z,air-a,air_temp_c,21")
    assert (outcome.tally.new, outcome.tally.there) == (1, 1)
    assert [r.value for r in bench.kept()] == [19.0, 21.0]


def test_a_second_run_changes_nothing_before_and_after_the_archive(bench: Bench) -> None:
    rows = [
        f"2026-01-{day:02d}T08:00:{second:02d}Z,{point},air_temp_c,{second}"
        for day in (5, 6, 27)
        for second in range(30)
        for point in ("air-a", "air-b")
    ]
    assert bench.rows(*rows).moved == 180
    before = bench.kept()
    assert bench.live() == []  # all of it is archived now
    outcome = bench.rows(*rows)
    assert (outcome.tally.new, outcome.tally.there, outcome.exit_code) == (0, 180, 0)
    assert bench.live() == []
    assert bench.kept() == before
    assert len(bench.requests()) == 1  # nothing new: nothing to tell the chain


def test_a_true_reading_replaces_an_archived_one_whose_clock_was_wrong(bench: Bench) -> None:
    bench.rows(f"{T},air-a,air_temp_c,5,clock", header=HEADER + ",flag")
    assert bench.live() == []
    outcome = bench.rows(f"{T},air-a,air_temp_c,20.5")
    assert (outcome.tally.new, outcome.moved) == (1, 1)
    assert bench.kept() == [air()]


def test_a_running_watch_keeps_its_archive_to_its_keeper(bench: Bench) -> None:
    bench.watched()
    outcome = bench.rows(f"{T},air-a,air_temp_c,20.5")
    assert outcome.moved is None
    assert bench.live() == [air()]
    assert "at the keeper's next turn" in outcome_lines(outcome)[-1]


def test_unknown_points_come_in_only_when_asked_for(bench: Bench) -> None:
    text = f"{HEADER}\n{T},cellar,air_temp_c,20\n{T},No Id,air_temp_c,20\n"
    assert bench.take(text).exit_code == 1
    outcome = bench.take(text, any_point=True)
    assert outcome.tally.new == 1
    [(reason, _)] = reasons(outcome).items()
    assert reason == "point is 'No Id'; up to 40 of a-z, 0-9, - and _ are allowed"
    # now the store knows it
    again = bench.rows("2026-01-27T08:00:01Z,cellar,air_temp_c,20")
    assert again.tally.new == 1


def test_refused_rows_go_to_a_file_that_can_be_repaired_and_imported(bench: Bench) -> None:
    first = bench.rows(f"{T},air-a,air_temp_c,warm", f'{T},panel,"panel_temp_c",18')
    assert first.rejected == bench.folder / "rows.csv.rejected.csv"
    text = first.rejected.read_text(encoding="utf-8")
    assert text.splitlines() == [
        HEADER + ",reason",
        f'{T},air-a,air_temp_c,warm,"line 2: value is no finite number such as 21.5"',
    ]
    again = bench.rows(f"{T},air-a,air_temp_c,hot")
    assert again.rejected == bench.folder / "rows.csv.rejected-2.csv"
    assert first.rejected.read_text(encoding="utf-8") == text
    repaired = bench.take(text.replace("warm", "20.5"))
    assert (repaired.tally.new, repaired.rejected) == (1, None)


def test_the_summary_ranks_reasons_and_shows_five_lines_of_each(bench: Bench) -> None:
    rows = [f"{T},air-a,air_temp_c,x"] * 7 + [f"{T},cellar,air_temp_c,1"]
    outcome = bench.rows(*rows)
    lines = outcome_lines(outcome)
    assert lines[0].startswith("imported 0 new, 0 already there, 8 rejected (see ")
    assert lines[1] == "  7 × value is no finite number such as 21.5 (lines 2, 3, 4, 5, 6, …)"
    assert lines[2].endswith("(line 9)")


def test_a_file_with_ever_new_reasons_is_told_in_bounded_words(bench: Bench) -> None:
    outcome = bench.rows(*[f"{T},p{n},air_temp_c,20" for n in range(500)])
    assert len(outcome.tally.reasons) == 101
    assert outcome.tally.reasons["further reasons"].count == 400


def test_the_chain_is_told_what_came_in(bench: Bench) -> None:
    text = f"{HEADER}\n{T},air-a,air_temp_c,20\n2026-01-28T08:00:00Z,air-a,air_temp_c,21\n"
    bench.take(text)
    [request] = bench.requests()
    assert (request.kind, request.bay, request.at_us) == ("history_imported", "", NOW_US)
    assert request.data == {
        "file": "rows.csv",
        "rows": 2,
        "from": "2026-01-27T08:00:00.000Z",
        "to": "2026-01-28T08:00:00.000Z",
        "sha256": hashlib.sha256(text.encode()).hexdigest(),
        "whole": True,
    }


def many_rows(count: int) -> list[str]:
    """Return rows of which every seventh is bad, some quoted, some lines empty."""
    rows = []
    for n in range(count):
        t = f"2026-01-27T08:{n // 60 % 60:02d}:{n % 60:02d}.{n // 3600:03d}Z"
        row = f"{t},air-{'ab'[n % 2]},air_temp_c,{'bad' if n % 7 == 3 else n / 8}"
        rows.append({5: f'"{t}",panel,panel_temp_c,{n}', 9: ""}.get(n % 11, row))
    return rows


@cache
def in_one_piece(ends: str) -> tuple[Tally, list[Reading]]:
    """Return what becomes of the rows, taken in one piece."""
    with TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        bench.watched()
        return bench.take(ends.join([HEADER, *many_rows(300)])).tally, bench.kept()


@settings(deadline=None, max_examples=15)
@given(size=st.integers(64, 5_000), ends=st.sampled_from(["\n", "\r\n"]))
def test_where_the_file_is_cut_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory, size: int, ends: str
) -> None:
    """Streaming equals batch: readings, counts and line numbers are those of one piece."""
    rows = many_rows(300)
    tally, kept = in_one_piece(ends)
    cut = Bench(tmp_path_factory.mktemp("shop"))
    cut.watched()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(import_lines, "PIECE_BYTES", size)
        found = cut.take(ends.join([HEADER, *rows]))
    assert found.tally == tally
    bad = [n + 2 for n, row in enumerate(rows) if row.endswith(",bad")]
    assert reasons(found) == {"value is no finite number such as 21.5": (len(bad), bad[:5])}
    assert cut.kept() == kept


def test_a_line_without_end_does_not_fill_the_memory(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(import_lines, "PIECE_BYTES", 8_192)
    outcome = bench.rows(
        f"{T},air-a,air_temp_c,20.5", "x" * 1_000_000, "2026-01-27T08:00:01Z,air-a,air_temp_c,21"
    )
    assert outcome.tally.new == 2
    assert reasons(outcome) == {"is longer than a row of readings can be": (1, [3])}
    assert outcome.rejected is not None
    assert outcome.rejected.stat().st_size < 2_000


def test_what_was_imported_before_it_was_stopped_stays(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(import_lines, "PIECE_BYTES", 2_000)
    path = bench.file("\n".join([HEADER, *many_rows(300)]))
    job = ImportJob(bench.shop, path, str(bench.data))

    def stop(_done: int, rows: int) -> None:
        if rows > 100:
            raise KeyboardInterrupt

    outcome = import_file(job, ManualClock(NOW_US), stop)
    assert (outcome.stopped, outcome.exit_code) == (True, 1)
    assert "a second run passes over it" in outcome_lines(outcome)[-1]
    assert len(bench.kept()) == outcome.tally.new > 0
    assert [r.data["whole"] for r in bench.requests()] == [False]
    again = bench.take_file(path)
    assert again.tally.there == outcome.tally.new
    assert again.tally.new + again.tally.there == 300 - sum(
        "bad" in r or not r for r in many_rows(300)
    )


def test_a_full_disk_keeps_what_was_committed_and_says_so(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = []

    def full(*arguments: object) -> int:
        calls.append(1)
        if len(calls) > 2:
            raise OSError(28, "No space left on device")
        return add_rows(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(importing, "ROWS_ALONE", 40)
    monkeypatch.setattr("envmon.service.keeping.importing.add_rows", full)
    outcome = bench.rows(*[row for row in many_rows(200) if row and "bad" not in row])
    assert outcome.exit_code == 2
    assert (outcome.tally.new, len(bench.kept())) == (80, 80)
    assert "No space left on device" in outcome_lines(outcome)[-1]


def test_the_command_says_what_it_did_on_one_line(bench: Bench) -> None:
    said: list[str] = []
    path = bench.file(f"{HEADER}\n{T},air-a,air_temp_c,20\n")
    code = import_and_say(
        ImportJob(bench.shop, path, str(bench.data)), ManualClock(NOW_US), said.append
    )
    assert code == 0
    assert said[0].startswith("imported 1 new, 0 already there, 0 rejected in ")
    assert said[1] == "moved 1 readings of closed days to the archive"
