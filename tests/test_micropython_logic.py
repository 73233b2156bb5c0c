"""The parts of the microcontroller's node that know no hardware, under CPython."""

from __future__ import annotations

import json
from collections import deque
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from air_node import store
from air_node.errors import SensorError
from air_node.ring import Measured, Ring
from air_node.senml import pack
from air_node.settings import FILE, SettingsError, checked
from air_node.sht3x import Sht3x, crc8, rel_hum_pct_from_raw, temp_c_from_raw
from air_node.times import FLOOR_MS, Times
from envmon.clock import us_from_iso
from envmon.intake.decode import Decoder
from envmon.shop.load import check_text
from tests.test_micropython_watch import SHOP

NOW_MS = us_from_iso("2026-01-14T07:00:00Z") // 1_000


def one(number: int, *, dated: bool = True) -> Measured:
    return Measured(NOW_MS + 1_000 * number, (number, 2 * number), None, dated=dated)


class TestSensor:
    def test_the_checksum_is_that_of_the_data_sheet(self) -> None:
        assert crc8(b"\xbe\xef") == 0x92  # SHT3x-DIS data sheet, "Checksum Calculation"

    def test_the_ends_of_the_range_are_those_of_the_data_sheet(self) -> None:
        # SHT3x-DIS data sheet, "Conversion of Signal Output" (from memory).
        assert (temp_c_from_raw(0), temp_c_from_raw(0xFFFF)) == (-45, 130)
        assert (rel_hum_pct_from_raw(0), rel_hum_pct_from_raw(0xFFFF)) == (0, 100)

    @pytest.mark.parametrize("answer", [bytes(6), b"\xff" * 6, b"\xbe\xef\x92\xbe\xef", b""])
    def test_a_bus_that_says_nothing_sensible_is_no_measurement(self, answer: bytes) -> None:
        class Bus:
            def writeto(self, address: int, data: bytes) -> None:
                assert (address, data) == (0x45, b"\x24\x00")

            def readfrom(self, _address: int, _count: int) -> bytes:
                return answer

        with pytest.raises(SensorError, match="damaged"):
            Sht3x(Bus(), 0x45, lambda _ms: None).read()


class TestRing:
    @given(st.lists(st.one_of(st.none(), st.integers(0, 12))))
    def test_it_is_a_queue_that_drops_and_counts_its_oldest(self, acts: list[int | None]) -> None:
        ring, model, lost, number = Ring(7), deque[int](), 0, 0
        for act in acts:
            if act is None:
                number += 1
                lost += len(model) == 7
                model = deque([*model, number], maxlen=7)
                ring.push(one(number))
            else:
                through = ring.first + act - 1
                ring.forget_through(through)
                for _ in range(min(act, len(model))):
                    model.popleft()
        assert [m.temp_raw for m in ring.dated(100)] == list(model)
        assert (ring.waiting, ring.lost) == (len(model), lost)
        assert ring.first + ring.waiting == number + 1

    def test_an_acknowledgement_of_what_made_room_takes_nothing_else(self) -> None:
        ring = Ring(10)
        for number in range(1, 11):
            ring.push(one(number))
        on_way = ring.first + 2
        for number in range(11, 16):
            ring.push(one(number))
        ring.forget_through(on_way)
        assert [m.temp_raw for m in ring.dated(10)] == list(range(6, 16))

    @given(st.integers(0, 30), st.integers(0, 12), st.integers(1, 12))
    def test_what_is_written_is_what_is_read(self, pushed: int, gone: int, room: int) -> None:
        ring = Ring(9)
        for number in range(pushed):
            ring.push(one(number))
        ring.forget_through(ring.first + gone - 1)
        data = b"".join(bytes(piece) for piece in ring.pieces(123, NOW_MS))
        other = Ring(room)
        assert other.take(data) == (123, NOW_MS)
        kept = [m.temp_raw for m in ring.dated(9)][-room:]
        assert [m.temp_raw for m in other.dated(12)] == kept
        assert other.lost == ring.lost + ring.waiting - len(kept)

    def test_a_damaged_writing_is_not_taken(self) -> None:
        ring = Ring(5)
        for number in range(8):
            ring.push(one(number))
        data = b"".join(bytes(piece) for piece in ring.pieces(0, 0))
        for place in range(len(data)):
            torn = bytearray(data)
            torn[place] ^= 0x40
            assert Ring(5).take(torn) is None, place
            assert Ring(5).take(data[:place]) is None

    def test_the_flash_keeps_the_old_writing_until_the_new_one_is_whole(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = str(tmp_path / store.FILE)
        ring, again = Ring(5), Ring(5)
        ring.push(one(1))
        store.save(ring, (0, 0), path)
        ring.push(one(2))

        def no_room(*_: object) -> None:
            raise OSError(28)

        with monkeypatch.context() as patch:
            patch.setattr(Ring, "pieces", no_room)
            with pytest.raises(OSError, match="28"):
                store.save(ring, (0, 0), path)
        assert store.load(again, path)
        assert again.waiting == 1
        store.remove(path)
        assert not store.load(Ring(5), path)


class SetClock:
    """A clock that a test sets; its counter wraps as on a board of 32 bits."""

    PERIOD = 1 << 30

    def __init__(self, year: int) -> None:
        self.year, self.ticks, self.ms = year, self.PERIOD - 1_500, 0

    def ticks_ms(self) -> int:
        return self.ticks % self.PERIOD

    def ticks_diff(self, end: int, start: int) -> int:
        half = self.PERIOD // 2
        return (end - start + half) % self.PERIOD - half

    def epoch_year(self) -> int:
        return self.year

    def time_ns(self) -> int:
        return self.ms * 1_000_000


@pytest.mark.parametrize(("year", "since_ms"), [(1970, 0), (2000, 946_684_800_000)])
def test_the_time_is_right_from_either_epoch_and_over_a_wrap(year: int, since_ms: int) -> None:
    """946 684 800 s lie between 1970 and 2000 (POSIX, seconds since the Epoch)."""
    clock = SetClock(year)
    times, ring = Times(clock), Ring(10)
    assert not times.known
    for _ in range(3):
        clock.ticks += 1_000
        ring.push(Measured(times.up_ms(), (1, 1), None, dated=False))
    assert ring.dated(10) == []
    clock.ms = NOW_MS - since_ms
    assert times.look()
    assert ring.date(times.date_ms(0)) == 3
    assert [m.at_ms - NOW_MS for m in ring.dated(10)] == [-2_000, -1_000, 0]


def test_the_counter_may_wrap_many_times() -> None:
    clock = SetClock(1970)
    times = Times(clock)
    for _ in range(100):
        clock.ticks += 3 * 86_400_000
        times.up_ms()
    assert times.up_ms() == 300 * 86_400_000


def test_a_clock_before_2024_is_not_set() -> None:
    clock = SetClock(1970)
    clock.ms = FLOOR_MS - 1
    assert not Times(clock).known
    clock.ms = FLOOR_MS
    assert Times(clock).known


def test_the_watch_reads_a_pack_with_the_times_to_the_millisecond() -> None:
    """Through envmon's own decoder, which the RFC's examples hold (RFC 8428)."""
    shop, faults = check_text(SHOP, "shop.toml")
    assert shop is not None, faults
    said = [
        Measured(NOW_MS + 7, (26_214, 32_768), 3_905, dated=True),
        Measured(NOW_MS + 30_012, (0, 65_535), None, dated=True),
    ]
    payload = pack("shop/hall/air", said)
    assert f'"bt":{NOW_MS // 1_000}.007'.encode() in payload  # written, not computed, in 24 bits
    readings = Decoder(shop.point, {}, ["hall"]).decode("shop/hall/air", payload, NOW_MS * 1_000)
    assert [(r.quantity, r.t_us // 1_000 - NOW_MS, r.value) for r in readings] == [
        ("air_temp_c", 7, 25.0),
        ("rel_hum_pct", 7, 50.0),
        ("air_temp_c", 30_012, -45.0),
        ("rel_hum_pct", 30_012, 100.0),
    ]
    assert json.loads(payload)[2] == {"n": "battery", "u": "V", "v": 3.905}


GOOD: dict[str, Any] = {
    "topic": "shop/hall",
    "time_host": "envmon.local",
    "wifi": {"name": "shop", "password": "word"},
    "broker": {
        "host": "envmon.local",
        "username": "hall",
        "password": "w",
        "ca_file": "ca.pem",
    },
}


class TestSettings:
    def faults(self, **changes: object) -> list[str]:
        with pytest.raises(SettingsError) as caught:
            checked(json.dumps({**GOOD, **changes}))
        assert str(caught.value).startswith(f"{FILE}: ")
        return caught.value.faults

    def test_what_is_not_given_has_a_usual_value(self) -> None:
        settings = checked(json.dumps(GOOD))
        assert (settings.number("every"), settings.whole("air.address")) == (30, 0x44)
        assert not settings.has("battery.pin")
        assert settings.yes("watchdog")

    def test_the_example_passes(self) -> None:
        folder = Path(__file__).parents[1] / "sensors/micropython"
        text = (folder / "node_settings.example.json").read_text(encoding="utf-8")
        assert checked(text).text("broker.username") == "north"

    def test_all_faults_are_named_at_once(self) -> None:
        faults = self.faults(every="30", kep=5, air={"address": 1, "sdb": 3}, flash=1)
        assert faults == [
            "every: is '30'; allowed is a number from 1 to 3600",
            "flash: is 1; allowed is true or false",
            "air.address: is 1; allowed is a whole number from 68 to 69",
            "air.sdb: not known here; allowed are air.sda, air.scl, air.address",
            next(
                f for f in faults if f.startswith("kep: not known here; allowed are topic, every")
            ),
        ]

    def test_a_password_is_never_shown(self) -> None:
        faults = self.faults(wifi={"name": "shop", "password": 12345}, broker="hunter")
        assert "12345" not in " ".join(faults)
        assert "hunter" not in " ".join(faults)
        assert "wifi.password: is (not shown); allowed is text of 0 to 63 characters" in faults[1]

    def test_without_tls_it_must_be_said(self) -> None:
        broker = {**GOOD["broker"], "ca_file": ""}
        assert "ca_file" in self.faults(broker=broker)[0]
        checked(json.dumps({**GOOD, "broker": {**broker, "plain": True}}))

    def test_deep_sleep_keeps_no_more_than_fits(self) -> None:
        """The memory that stays on has 2 048 bytes (MicroPython's ESP32 port; from memory)."""
        assert "with deep_sleep allowed is 10 to 120" in self.faults(deep_sleep=True)[0]
        ring = Ring(120)
        for number in range(130):
            ring.push(one(number))
        assert sum(len(piece) for piece in ring.pieces(0, 0)) <= 2_048

    @pytest.mark.parametrize("text", ["", "{", "[]", '"x"', '{"topic": "a",}', "null", "3"])
    def test_what_is_no_settings_file_is_said(self, text: str) -> None:
        with pytest.raises(SettingsError, match=r"not valid JSON|allowed is"):
            checked(text)
