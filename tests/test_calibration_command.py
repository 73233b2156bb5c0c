"""``envmon calibrate``: the table, the effect before acceptance, and what is kept of it."""

from __future__ import annotations

import json
import threading
from typing import TYPE_CHECKING, Any

import pytest

from envmon.clock import HOUR_US, ManualClock, iso_from_us
from envmon.errors import InputError, StoreError
from envmon.facts import CALIBRATION_ACCEPTED, Flag, Reading
from envmon.service.calibration.check import check_from_options
from envmon.service.calibration.command import Wish, calibrate
from envmon.service.watch_process import READY_FILE
from envmon.store.sqlite import SqliteStore
from tests.calibration_support import SHOP, START_US, Bench, record_data

if TYPE_CHECKING:
    from pathlib import Path

NOTHING = ("",) * 6
ACCEPT = ("", "", "dew-point mirror", "Siv", "", "180 d")
HUM = ("north-air", "rel_hum_pct")
TEMP = ("north-air", "air_temp_c")
JARS = ("NaCl=76.9", "MgCl2=34.1")
JARS_AT = ("21", "", "", "", "", "")


class Shop:
    """A shop file with its data folder, and the command on it."""

    def __init__(self, folder: Path) -> None:
        self.path, self.data = folder / "shop.toml", folder / "data"
        self.path.write_text(SHOP)
        self.bench = Bench(self.data)
        self.clock = ManualClock(START_US)
        self.said: list[str] = []

    def run(
        self,
        series: tuple[str, str] = ("", ""),
        pairs: tuple[str, ...] = (),
        texts: tuple[str, ...] = NOTHING,
        salts: tuple[str, ...] = (),
        **how: Any,
    ) -> int:
        patience_s = how.pop("patience_s", 0.0)
        wish = Wish(self.path, None, check_from_options(series, pairs, salts, texts), **how)
        return calibrate(wish, self.clock, self.said.append, patience_s)

    def fill(self, hours: float = 24) -> None:
        """Keep a humidity every ten minutes that falls from 68 to 50 % until now."""
        count = round(hours * 6)
        self.bench.store.add_readings(
            [
                Reading(*HUM, at, round(68 - 18 * n / count, 3), Flag.GOOD, at)
                for n in range(count)
                if (at := START_US - round((count - 1 - n) * HOUR_US / 6))
            ]
        )


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    (tmp_path / "data").mkdir()
    return Shop(tmp_path)


def json_of(capsys: pytest.CaptureFixture[str]) -> Any:
    return json.loads(capsys.readouterr().out)


def test_the_table_of_what_is_in_force(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    assert shop.run(as_json=True) == 0
    rows = {(r["point"], r["quantity"]): r for r in json_of(capsys)["calibrations"]}
    assert list(rows) == [
        ("north-air", "air_temp_c"), ("north-air", "rel_hum_pct"),
        ("south-air", "air_temp_c"), ("south-air", "rel_hum_pct"),
        ("outdoor", "outdoor_temp_c"),
    ]  # fmt: skip
    assert rows[TEMP] == {
        "point": "north-air", "quantity": "air_temp_c", "gain": 1.0, "offset": -0.3, "since": None,
        "reference": "", "by": "", "checked": None, "due": None, "standing": "shop_file",
    }  # fmt: skip
    assert rows["outdoor", "outdoor_temp_c"]["standing"] == "none"


def test_an_overdue_one_is_marked_and_is_exit_1(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    shop.bench.ask(record_data(checked="2025-01-10", due="2026-01-26", by="Odd"), 0)
    shop.bench.ask(record_data(point="south-air", checked="2025-07-27", due="2026-01-27"), 0)
    shop.bench.take_requests(1)
    shop.clock.advance(60)
    assert shop.run() == 1
    printed = capsys.readouterr().out.splitlines()
    assert [line.split()[1:3] for line in printed if line.startswith("!")] == [list(HUM)]
    late = "held to two salt jars (Odd); OVERDUE since 2026-01-26, 1 d"
    assert sum(line.endswith(late) for line in printed) == 1
    assert shop.run(as_json=True) == 1
    standing = {r["point"]: r["standing"] for r in json_of(capsys)["calibrations"]
                if r["quantity"] == "rel_hum_pct"}  # fmt: skip
    assert standing == {"north-air": "overdue", "south-air": "valid"}  # due today is in date


def test_the_day_of_the_shop_counts_not_that_of_utc(shop: Shop) -> None:
    """At 23:30 UTC on the due date it is half past midnight of the next day in Oslo."""
    shop.bench.ask(record_data(checked="2025-01-10", due="2026-01-27"), 0)
    shop.bench.take_requests(1)
    shop.clock.at_us = START_US + 14 * HOUR_US
    assert shop.run() == 0
    shop.clock.at_us = START_US + 15 * HOUR_US + HOUR_US // 2
    assert shop.run() == 1


def test_the_effect_is_shown_and_nothing_is_kept(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    """Shown 60 is 65 in truth, shown 40 is 42: at 50 to 68 % up to 7.4 % more, by hand."""
    shop.fill()
    assert shop.run(HUM, ("60=65", "40=42"), as_json=True) == 0
    found = json_of(capsys)
    assert found["outcome"] == "shown"
    assert found["readings"] == 144
    last = found["last"][-1]
    assert (last["t"], last["kept"]) == (iso_from_us(START_US), 50.125)
    assert last["before"] == pytest.approx(50.125)
    assert last["after"] == pytest.approx(42 + (50.125 - 40) * 23 / 20)
    assert found["largest_move"] == pytest.approx((68 - 40) * 23 / 20 + 42 - 68)
    assert shop.bench.store.requests() == []
    assert list(shop.bench.store.events_of(CALIBRATION_ACCEPTED)) == []
    assert shop.said == ["nothing is kept; to accept it, add --accept --by NAME"]


def test_stage_limits_are_counted_before_and_after(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    """The coating's 35 to 60 %, against a count by hand."""
    shop.fill()
    shop.run(HUM, ("60=65", "40=42"), as_json=True)
    limits = {(e["bay"], e["stage"]): e for e in json_of(capsys)["limits"]}
    before = [round(68 - 18 * n / 144, 3) for n in range(144)]
    after = [42 + (value - 40) * 23 / 20 for value in before]
    coating = limits["north", "coating"]
    assert (coating["low"], coating["high"]) == (35, 60)
    assert coating["inside_before"] == sum(value <= 60 for value in before)
    assert coating["inside_after"] == sum(value <= 60 for value in after)
    assert coating["judged_differently"] == coating["inside_before"] - coating["inside_after"] > 0
    assert limits["north", "polish"]["low"] is None
    assert {bay for bay, _ in limits} == {"north"}


def test_readings_known_to_be_wrong_are_left_out(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    shop.bench.store.add_readings(
        [Reading(*HUM, START_US - 10 - n, 44.0, flag, START_US) for n, flag in enumerate(
            (Flag.GOOD, Flag.RANGE, Flag.CLOCK, Flag.SPIKE, Flag.WET, Flag.LATE))]
    )  # fmt: skip
    shop.run(HUM, ("60=65", "40=42"), as_json=True)
    assert json_of(capsys)["readings"] == 3


def test_salts_stand_for_their_humidity(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """Greenspan's polynomials at 21 °C by hand; the shop file's line is worked back first."""
    assert shop.run(HUM, (), JARS_AT, JARS, as_json=True) == 0
    found = json_of(capsys)
    nacl = 75.5164 + 0.0398321 * 21 - 0.00265459 * 21**2 + 2.848e-05 * 21**3
    mgcl2 = 33.6686 - 0.00797397 * 21 - 0.00108988 * 21**2
    true = [round(nacl, 2), round(mgcl2, 2)]
    assert found["pairs"] == [{"shown": 76.9, "true": true[0]}, {"shown": 34.1, "true": true[1]}]
    file_gain = (75.5 - 33.1) / (76.9 - 34.1)
    file_offset = 33.1 - file_gain * 34.1
    for shown, truth in ((76.9, true[0]), (34.1, true[1])):
        raw = (shown - file_offset) / file_gain
        after = found["after"]
        assert after["gain"] * raw + after["offset"] == pytest.approx(truth)
    assert after["reference"] == "saturated NaCl and MgCl2 (Greenspan 1977)"
    assert "eye protection" in " ".join(found["cautions"])


def test_the_text_names_lines_readings_limits_and_cautions(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    shop.fill()
    assert shop.run(HUM, (), JARS_AT, JARS) == 0
    text = capsys.readouterr().out
    assert "shown 76.90 %, true 75.45 % over NaCl at 21 °C, within 0.14 %" in text
    assert "in force  × 0.9907 − 0.681   since the shop file" in text
    assert "01-27 09:00:00      50.1 %  would have been" in text
    assert "of 144 readings of the last day" in text
    assert "north Coating, 35.0 % to 60.0 %:" in text
    assert "! Salts irritate eyes and skin" in text
    assert "! no date for the next check" in text


@pytest.mark.parametrize(
    ("pairs", "what"),
    [
        (("60=72", "40=41"), "suspect the reference or a worn sensor"),
        (("60=61",), "one pair moves all values alike"),
        (("60=61", "52=52"), "the two pairs lie 8.0 % apart"),
        (("20=20", "40=41"), "of 144 readings of the last day lie beyond the pairs"),
    ],
)
def test_what_is_warned_of(
    shop: Shop, capsys: pytest.CaptureFixture[str], pairs: tuple[str, ...], what: str
) -> None:
    shop.fill()
    shop.run(HUM, pairs, as_json=True)
    assert any(what in warning for warning in json_of(capsys)["warnings"])


def test_a_sound_check_is_not_warned_of(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    shop.fill()
    shop.run(HUM, ("75=75.4", "34=33.1"), ACCEPT, as_json=True)
    assert json_of(capsys)["warnings"] == []


@pytest.mark.parametrize(
    ("series", "pairs", "texts", "salts", "what"),
    [
        (("", ""), ("1=2",), NOTHING, (), "name the POINT and QUANTITY"),
        (("north-air", ""), ("1=2",), NOTHING, (), "name the quantity of north-air"),
        (HUM, (), NOTHING, (), "give what was read"),
        (HUM, ("60",), NOTHING, (), "--pair is '60'; write SHOWN=TRUE"),
        (HUM, ("60=x",), NOTHING, (), "value is 'x'"),
        (HUM, ("60 °C=61 °C",), NOTHING, (), "unit is '°C' for rel_hum_pct"),
        (HUM, ("60=61", "60=62"), NOTHING, (), "the pairs make no calibration"),
        (HUM, ("60=75", "59=10"), NOTHING, (), "allowed is 0.2 to 5"),
        (HUM, ("60=161",), NOTHING, (), "lies between 0 and 103"),
        (HUM, ("1=1", "2=2", "3=3"), NOTHING, (), "3 pairs were given"),
        (HUM, (), NOTHING, JARS, "--salt needs --temp"),
        (HUM, (), ("9", *NOTHING[1:]), JARS, "allowed is 10 to 30 °C"),
        (HUM, (), JARS_AT, ("Sugar=3",), "salt is 'Sugar'"),
        (HUM, ("60=61",), JARS_AT, (), "--temp is the temperature over salts"),
        (TEMP, (), JARS_AT, JARS, "--salt is for rel_hum_pct"),
        (("attic", "air_temp_c"), ("1=2",), NOTHING, (), "attic air_temp_c is nothing the shop"),
        (("boiler", "heater_on"), ("1=0",), NOTHING, (), "boiler heater_on is nothing"),
        (HUM, ("60=61",), ("", "", "", "", "2026-02-01", "9 d"), (), "--due or --due-in, not both"),
        (HUM, ("60=61",), ("", "", "", "", "spring", ""), (), "--due is 'spring'"),
        (HUM, ("60=61",), ("", "", "", "", "", "9000 d"), (), "allowed is 1 d to 3660 d"),
        (HUM, ("60=61",), ("", "", "", "", "2025-02-01", ""), (), "is due 2025-02-01"),
        (HUM, ("60=61",), ("", "2027-01-01", "", "", "", ""), (), "still to come"),
    ],
)  # fmt: skip
def test_what_makes_no_calibration(
    shop: Shop, series: Any, pairs: Any, texts: Any, salts: Any, what: str
) -> None:
    with pytest.raises(InputError, match=what):
        shop.run(series, pairs, texts, salts)


def test_acceptance_needs_a_name_and_data(shop: Shop, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--accept needs --by"):
        shop.run(HUM, ("60=61",), accept=True)
    lone = tmp_path / "lone"
    lone.mkdir()
    (lone / "shop.toml").write_text(SHOP)
    with pytest.raises(StoreError, match="no data in"):
        calibrate(Wish(lone / "shop.toml", None, None), shop.clock, shop.said.append)


def test_without_the_watch_it_waits_for_its_start(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    assert shop.run(HUM, ("60=62",), ACCEPT, accept=True, as_json=True) == 0
    assert json_of(capsys)["outcome"] == "waiting"
    assert shop.said == ["kept, not in force yet: the watch uses it from its next start on"]
    with pytest.raises(InputError, match="waits for the watch already"):
        shop.run(HUM, ("60=62",), ACCEPT, accept=True)
    shop.bench.start()
    assert shop.bench.take_requests(1) == 1
    (event,) = shop.bench.store.events_of(CALIBRATION_ACCEPTED)
    assert event.data["by"] == "Siv"
    assert event.data["reference"] == "dew-point mirror"
    assert (event.data["checked"], event.data["due"]) == ("2026-01-27", "2026-07-26")
    assert event.data["pairs"] == [[60.0, 62.0]]
    raw = (60 - (33.1 - 42.4 / 42.8 * 34.1)) / (42.4 / 42.8)
    assert shop.bench.value(2, "h", raw) == 62.0


@pytest.mark.parametrize("sound", [True, False])
def test_beside_the_watch_it_says_whether_it_is_in_force(
    shop: Shop, capsys: pytest.CaptureFixture[str], *, sound: bool
) -> None:
    """A thread stands for the watch: it takes the request in, or throws it away."""
    (shop.data / READY_FILE).touch()
    asked = threading.Event()

    def watch() -> None:
        bench = Bench(shop.data)
        while not bench.store.requests():
            asked.wait(0.01)
        if sound:
            bench.take_requests(1)
        else:
            bench.store.drop_requests([each.id for each in bench.store.requests()])
        bench.store.close()

    thread = threading.Thread(target=watch)
    thread.start()
    code = shop.run(HUM, ("60=62",), ACCEPT, accept=True, as_json=True, patience_s=20)
    thread.join()
    assert (code, json_of(capsys)["outcome"]) == ((0, "taken") if sound else (1, "refused"))
    assert len(list(shop.bench.store.events_of(CALIBRATION_ACCEPTED))) == sound


def test_values_read_before_an_acceptance_are_worked_back_by_what_held_then(shop: Shop) -> None:
    """Reading anew is asked for; ``--read-at`` names the time for what was read before."""
    shop.run(HUM, ("60=62",), ACCEPT, accept=True)
    shop.bench.take_requests(60)
    shop.clock.advance(600)
    with pytest.raises(InputError, match="read the sensor anew"):
        shop.run(HUM, ("60=62",), ACCEPT)
    shop.run(HUM, ("60=63",), ("", "2026-01-27T09:00", *ACCEPT[2:]), accept=True)
    shop.bench.take_requests(660)
    raw = (60 - (33.1 - 42.4 / 42.8 * 34.1)) / (42.4 / 42.8)
    assert shop.bench.value(700, "h", raw) == 63.0


def test_units_of_a_pair(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    shop.run(TEMP, ("68 °F=69.8 °F",), as_json=True)
    found = json_of(capsys)
    assert found["pairs"] == [{"shown": pytest.approx(20), "true": pytest.approx(21)}]
    assert found["after"]["offset"] == pytest.approx(0.7)  # −0.3 of the shop file and 1 K


def test_readings_of_an_earlier_calibration_are_worked_back_before_they_are_shown(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    first = shop.bench.value(-100, "h", 50.0)
    shop.bench.ask(record_data(((first, first + 4),), shop.bench.recalibration.calibrations
                               .in_force(*HUM).line), -90)  # fmt: skip
    shop.bench.take_requests(-80)
    shop.run(HUM, (f"{first + 4}={first + 5}",), as_json=True)
    (row,) = json_of(capsys)["last"]
    assert row["kept"] == first
    assert row["before"] == pytest.approx(first + 4, abs=1e-3)
    assert row["after"] == pytest.approx(first + 5, abs=1e-3)


def test_the_command_itself(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """The words of the command line, through the real parser."""
    from typer.testing import CliRunner

    from envmon.cli import app

    shop.bench.store.close()
    words = ["calibrate", str(shop.path), *HUM, "--salt", "nacl=76.9", "--temp", "70 °F", "--json"]
    answer = CliRunner().invoke(app, words)
    assert answer.exit_code == 0, answer.output
    found = json.loads(answer.stdout)
    assert found["salts"] == ["NaCl"]
    assert found["jar_temp_c"] == pytest.approx(21.11, abs=0.01)
    assert capsys.readouterr().out == ""
    assert SqliteStore(shop.data).requests() == []
