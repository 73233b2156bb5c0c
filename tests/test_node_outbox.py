"""What waits for the broker: order, bound, dates, presses, counters, damage and kill -9.

Dates and units of the packs are read back with envmon's own SenML reader, which has the vectors of
RFC 8428 in its own tests.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from envmon.errors import StoreError
from envmon.intake.senml import resolve
from envmon.intake.senml_payload import parse_senml
from envmon_node.moment import FLOOR_US, MachineTimes
from envmon_node.outbox import FILE, PRESS_US, Gone, Outbox
from tests.node_support import NOW_US, SetTimes, write

if TYPE_CHECKING:
    from pathlib import Path

TOPIC = "shop/hall/air"

_WRITER = """
import sys
from pathlib import Path
from envmon_node.outbox import Outbox
from tests.node_support import SetTimes
times = SetTimes()
box = Outbox(Path(sys.argv[1]), times, 100_000)
number = int(sys.argv[2])
while True:
    times.pass_s(1.0)
    box.keep_measured("shop/hall/air", times.up_us(), (("temp", "Cel", float(number)),))
    box.set_count("meter", number)
    print(number, flush=True)
    number += 1
"""


def temps(outbox: Outbox) -> list[float]:
    letters = outbox.next_letters(0, 1_000_000)
    return [json.loads(letter.payload)[0]["v"] for letter in letters if not letter.press]


def keep(outbox: Outbox, times: SetTimes, *values: float) -> None:
    for value in values:
        times.pass_s(10)
        outbox.keep_measured(TOPIC, times.up_us(), (("temp", "Cel", value),))


def test_a_pack_carries_time_units_and_the_topic_as_its_base_name(tmp_path: Path) -> None:
    times = SetTimes()
    outbox = Outbox(tmp_path, times, 100)
    measured_us = times.up_us() - 250_000
    outbox.keep_measured(TOPIC, measured_us, (("temp", "Cel", 20.41), ("rh", "%RH", 43.9)))
    (letter,) = outbox.next_letters(0, 10)
    assert letter.topic == TOPIC
    records = resolve(parse_senml(letter.payload), NOW_US)
    assert [(r.name, r.t_us, r.unit, r.v) for r in records] == [
        ("shop/hall/air/temp", NOW_US - 250_000, "Cel", 20.41),
        ("shop/hall/air/rh", NOW_US - 250_000, "%RH", 43.9),
    ]


def test_what_is_not_acknowledged_is_there_after_a_restart_in_order(tmp_path: Path) -> None:
    times = SetTimes()
    outbox = Outbox(tmp_path, times, 100)
    keep(outbox, times, 1, 2, 3, 4)
    first, second, *_ = outbox.next_letters(0, 2)
    assert [letter.seq for letter in outbox.next_letters(second.seq, 1)] == [second.seq + 1]
    outbox.remove([first.seq])
    outbox.close()
    again = Outbox(tmp_path, times, 100)
    assert again.waiting == 3
    assert temps(again) == [2, 3, 4]
    again.close()


def test_the_oldest_go_when_it_is_full_and_are_counted(tmp_path: Path) -> None:
    times = SetTimes()
    outbox = Outbox(tmp_path, times, 3)
    keep(outbox, times, 1, 2, 3, 4, 5)
    assert temps(outbox) == [3, 4, 5]
    assert outbox.gone == Gone(2, 0, 0)
    outbox.close()
    # A smaller bound after a restart holds from the next measurement on.
    smaller = Outbox(tmp_path, times, 2)
    keep(smaller, times, 6)
    assert temps(smaller) == [5, 6]
    assert smaller.gone.lost == 4
    assert smaller.waiting == 2
    smaller.close()


def test_before_the_clock_is_set_measurements_wait_and_are_dated_later(tmp_path: Path) -> None:
    times = SetTimes(now=1_000_000, why="the clock shows a time before 2024")
    outbox = Outbox(tmp_path, times, 100)
    keep(outbox, times, 1, 2)
    outbox.tidy()
    assert outbox.waiting == 2
    assert outbox.next_letters(0, 10) == []
    # The clock is set: it leaps to the true time, 30 s after the second measurement.
    times.pass_s(30)
    times.now, times.why = NOW_US, ""
    keep(outbox, times, 3)
    outbox.tidy()
    letters = outbox.next_letters(0, 10)
    at_us = [resolve(parse_senml(letter.payload), NOW_US)[0].t_us for letter in letters]
    assert at_us == [NOW_US - 40_000_000, NOW_US - 30_000_000, NOW_US + 10_000_000]
    assert outbox.gone == Gone(0, 0, 0)


def test_a_restart_of_the_program_can_still_date_a_restart_of_the_machine_cannot(
    tmp_path: Path,
) -> None:
    unset = SetTimes(why="no time service has set the clock yet")
    outbox = Outbox(tmp_path, unset, 100)
    keep(outbox, unset, 1, 2)
    outbox.close()
    same_boot = SetTimes(up=unset.up + 5_000_000)
    outbox = Outbox(tmp_path, same_boot, 100)
    outbox.tidy()
    assert temps(outbox) == [1, 2]
    same_boot.why = "no time service"
    keep(outbox, same_boot, 3)
    outbox.close()
    next_boot = SetTimes(boot="boot-2", up=1_000_000)
    outbox = Outbox(tmp_path, next_boot, 100)
    outbox.tidy()
    assert temps(outbox) == [1, 2]
    assert outbox.gone == Gone(0, 1, 0)
    assert outbox.waiting == 2
    outbox.close()


def test_presses_are_numbered_go_first_and_do_not_wait(tmp_path: Path) -> None:
    times = SetTimes(why="no clock yet")
    outbox = Outbox(tmp_path, times, 100)
    keep(outbox, times, 1)
    assert outbox.keep_press("foot", "shop/foot", times.up_us(), "press") == 1
    times.pass_s(1)
    assert outbox.keep_press("foot", "shop/foot", times.up_us(), "hold") == 2
    assert [letter.payload for letter in outbox.next_letters(0, 10)] == [
        b'{"button": "press", "n": 1}',
        b'{"button": "hold", "n": 2}',
    ]
    times.pass_s(PRESS_US / 1e6 - 0.5)
    outbox.tidy()
    assert [letter.payload for letter in outbox.next_letters(0, 10)] == [
        b'{"button": "hold", "n": 2}'
    ]
    outbox.close()
    rebooted = SetTimes(boot="boot-2", up=0)
    outbox = Outbox(tmp_path, rebooted, 100)
    outbox.tidy()
    assert outbox.gone == Gone(0, 1, 2)
    assert outbox.keep_press("foot", "shop/foot", 0, "press") == 3
    outbox.close()


def test_all_of_a_transaction_or_nothing(tmp_path: Path) -> None:
    times = SetTimes()
    outbox = Outbox(tmp_path, times, 100)

    def half() -> None:
        with outbox.atomic():
            outbox.set_count("meter", 7)
            keep(outbox, times, 1)
            raise KeyError("meter")

    with pytest.raises(KeyError):
        half()
    assert (outbox.waiting, outbox.count("meter")) == (0, 0)
    keep(outbox, times, 2)
    assert temps(outbox) == [2]
    outbox.close()


@pytest.mark.parametrize("content", [b"no database" * 900, None])
def test_a_damaged_file_is_put_aside_and_work_goes_on(
    tmp_path: Path, content: bytes | None
) -> None:
    times = SetTimes()
    outbox = Outbox(tmp_path, times, 100_000)
    with outbox.atomic():
        keep(outbox, times, *range(2_000))
    outbox.close()
    file = tmp_path / FILE
    whole = file.read_bytes()
    file.write_bytes(content or whole[:8_192] + b"\xff" * 40_000 + whole[48_192:])
    outbox = Outbox(tmp_path, times, 100)
    assert outbox.set_aside is not None
    assert outbox.set_aside.exists()
    keep(outbox, times, 7)
    assert temps(outbox) == [7]
    outbox.close()


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"cannot open .*file/outbox.sqlite3.*has room"):
        Outbox(tmp_path / "file", SetTimes(), 100)


def test_kill_9_loses_nothing_that_was_taken(tmp_path: Path) -> None:
    said = [-1]
    for _ in range(4):
        child = subprocess.Popen(
            [sys.executable, "-c", _WRITER, str(tmp_path), str(said[-1] + 1)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        said += [int(child.stdout.readline()) for _ in range(40)]
        child.kill()
        said += [int(line) for line in child.stdout.read().split()]
        child.wait(30)
        child.stdout.close()
    outbox = Outbox(tmp_path, SetTimes(), 100_000)
    kept = temps(outbox)
    assert set(said[1:]) <= set(kept)
    assert kept == sorted(kept)
    assert len(kept) >= 160
    assert outbox.count("meter") >= said[-1]
    outbox.close()


def machine(root: Path, **more: object) -> MachineTimes:
    write(root / "proc/sys/kernel/random/boot_id", "5f0e-boot\n")
    return MachineTimes(root=root, **{"trusted": False, "synchronised": lambda: False, **more})  # type: ignore[arg-type]


def test_the_clock_is_known_when_a_time_service_says_so(tmp_path: Path) -> None:
    assert machine(tmp_path).boot == "5f0e-boot"
    assert machine(tmp_path).doubt() == "no time service has set the clock yet"
    assert machine(tmp_path, trusted=True).doubt() == ""
    assert machine(tmp_path, synchronised=lambda: True).doubt() == ""
    # systemd-timesyncd.service(8): /run/systemd/timesync/synchronized is made at the first
    # synchronisation.
    write(tmp_path / "run/systemd/timesync/synchronized", "")
    assert machine(tmp_path).doubt() == ""


def test_a_time_before_2024_is_doubted_even_where_it_is_trusted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    times = machine(tmp_path, trusted=True)
    monkeypatch.setattr(times, "now_us", lambda: FLOOR_US - 1)
    assert times.doubt() == "the clock shows a time before 2024"


def test_the_service_is_not_asked_at_every_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, up_us = list[int](), [10_000_000]

    def ask() -> bool:
        asked.append(1)
        return False

    times = machine(tmp_path, synchronised=ask)
    monkeypatch.setattr(times, "up_us", lambda: up_us[0])
    for _ in range(100):
        times.doubt()
    assert len(asked) == 1
    up_us[0] += 5_000_000
    times.doubt()
    assert len(asked) == 2


def test_boot_time_goes_on_and_is_the_kernels(tmp_path: Path) -> None:
    import time

    times = machine(tmp_path)
    before = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000
    assert before <= times.up_us() <= time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000
