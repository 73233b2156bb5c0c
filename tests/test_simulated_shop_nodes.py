from __future__ import annotations

import json
import re
from copy import deepcopy
from functools import cache
from typing import Any

import numpy as np
import pytest

from envmon.clock import MINUTE_US, SECOND_US
from envmon.errors import InputError, PayloadError
from envmon_sensors.channel import AIR_HUM, AIR_HUM_DRIFTING, AIR_TEMP, Channel
from envmon_sensors.control import apply_command, command_from_payload, nodes_document
from envmon_sensors.nodes import KINDS, samples_per_pack
from envmon_sensors.room import bay_rel_hum_pct
from envmon_sensors.scenario import DEMO_DAY, demo_start_us, local_us
from envmon_sensors.shop import Pack, SimulatedShop

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*\Z")  # RFC 8428 section 4.5.1
UNITS = {"Cel", "%RH", "Pa", "W", "ppm"}  # RFC 8428 table 1; ppm: RFC 8798 secondary unit


def resolved(packs: list[Pack]) -> list[tuple[str, float, Any]]:
    """Return name, time and value of all records, resolved as RFC 8428 section 4.6 says."""
    rows = []
    for pack in packs:
        base_name, base_time = "", 0.0
        for entry in json.loads(pack.payload):
            base_name = entry.get("bn", base_name)
            base_time = entry.get("bt", base_time)
            value = entry["vb"] if "vb" in entry else entry["v"]
            rows.append((base_name + entry["n"], base_time + entry.get("t", 0.0), value))
    return rows


@cache
def _first_shop() -> SimulatedShop:
    return SimulatedShop(1, demo_start_us())


def fresh_shop() -> SimulatedShop:
    """Return a shop with seed 1 at the demo's start; living the day before once is enough."""
    return deepcopy(_first_shop())


def run(minutes: float, seed: int = 1, speed: float = 1.0) -> list[Pack]:
    shop = SimulatedShop(seed, demo_start_us(), speed)
    packs = list(shop.advance(demo_start_us() + round(minutes * MINUTE_US)))
    return packs + list(shop.flush())


def test_same_seed_same_bytes() -> None:
    assert run(15) == run(15)


def test_another_seed_gives_other_readings() -> None:
    assert [p.payload for p in run(1)] != [p.payload for p in run(1, seed=2)]


def test_speed_changes_packing_but_no_reading() -> None:
    slow, fast = run(20), run(20, speed=600.0)
    assert len(fast) < len(slow) / 4
    assert sorted(map(str, resolved(fast))) == sorted(map(str, resolved(slow)))


def test_packing_bounds_the_message_rate() -> None:
    for speed in (1.0, 60.0, 600.0, 6000.0):
        rate = sum(
            speed / kind.interval_s / samples_per_pack(kind.interval_s, speed) for kind in KINDS
        )
        assert rate <= 1.5 * 20 * len(KINDS)
    assert samples_per_pack(5, 60.0) == 1
    assert samples_per_pack(5, 600.0) == 6


def test_packs_are_senml_with_our_names_and_units() -> None:
    for pack in run(2):
        records = json.loads(pack.payload)
        assert records[0]["bn"] == f"{pack.node}/"
        assert pack.topic == f"shop/{pack.node}"
        for entry in records:
            assert ("v" in entry) != ("vb" in entry)
            assert entry.get("u", "Cel") in UNITS
            assert NAME.match(records[0]["bn"] + entry["n"])
            assert set(entry) <= {"bn", "bt", "n", "u", "v", "vb", "t"}


def test_every_promised_name_is_sent() -> None:
    names = {name for name, _, _ in resolved(run(1))}
    per_bay = {
        "air/temp", "air/rh", "air2/temp", "air2/rh", "panel/surface",
        "heater/on", "heater/power", "door/open", "water/temp", "water/solids",
    }  # fmt: skip
    expected = {f"{bay}/{name}" for bay in ("north", "south") for name in per_bay}
    assert names == expected | {"outdoor/air/temp", "outdoor/air/rh", "outdoor/air/pressure"}


def test_times_rise_by_the_interval_and_never_run_ahead() -> None:
    end_us = demo_start_us() + 5 * MINUTE_US
    rows = resolved(run(5))
    for kind in KINDS:
        name = f"{kind.name}/{kind.measures[0].name}"
        times = [at_s for row, at_s, _ in rows if row == name]
        assert np.diff(times) == pytest.approx(kind.interval_s, abs=0.002)
        assert times[-1] <= end_us / SECOND_US


def test_air_sensor_is_off_by_no_more_than_its_fixed_offset_over_an_hour() -> None:
    shop = fresh_shop()
    packs: list[Pack] = []
    truths: list[tuple[float, float]] = []
    for step in range(1, 721):
        packs += shop.advance(demo_start_us() + step * 5 * SECOND_US)
        state = shop.simulation.hall.states["south"]
        bay = shop.simulation.hall.bays["south"]
        truths.append((state.air_c, bay_rel_hum_pct(bay, state)))
    rows = resolved(packs)
    for index, (name, offset) in enumerate([("temp", 0.15), ("rh", 1.2)]):
        read = [value for row, _, value in rows if row == f"south/air/{name}"]
        truth = [moment[index] for moment in truths]
        assert len(read) == len(truth)
        assert read != pytest.approx(truth, abs=0.01)
        lag = 0.1 * offset
        assert float(np.mean(read)) == pytest.approx(float(np.mean(truth)), abs=offset + lag)


def test_lag_is_first_order() -> None:
    """63.2 % of a step after one time constant (definition of a first-order lag)."""
    channel = Channel(AIR_TEMP, np.random.default_rng(5))
    channel.update(0.0, 5)
    zero = channel.read()
    for _ in range(8):  # 40 s
        channel.update(10.0, 5)
    assert channel.read() - zero == pytest.approx(6.32, abs=0.1)


def test_humidity_stops_at_the_converter_s_end() -> None:
    channel = Channel(AIR_HUM, np.random.default_rng(5))
    channel.update(120.0, 5)
    assert channel.read() == 100.0


def test_drifting_sensor_drifts_and_the_other_does_not() -> None:
    """Ten hours at a steady 45 %RH: 15 · (1 − e^(−10/15)) = 7.3 %RH of drift."""
    readings = []
    for element in (AIR_HUM, AIR_HUM_DRIFTING):
        channel = Channel(element, np.random.default_rng(5))
        for _ in range(7200):
            channel.update(45.0, 5)
        readings.append(channel.read())
    assert readings[1] - readings[0] == pytest.approx(7.3, abs=0.5)


def test_only_south_s_second_sensor_is_built_to_drift() -> None:
    drifting = [
        kind.name
        for kind in KINDS
        if any(measure.element is AIR_HUM_DRIFTING for measure in kind.measures)
    ]
    assert drifting == ["south/air2"]


def test_scripted_sensor_dies_and_comes_back() -> None:
    shop = SimulatedShop(1, local_us(DEMO_DAY, "09:00"))
    packs = list(shop.advance(local_us(DEMO_DAY, "09:40")))
    times_s = [at_s for name, at_s, _ in resolved(packs) if name == "north/air2/temp"]
    gaps = np.diff(times_s)
    assert gaps.max() == pytest.approx(30 * 60 + 5, abs=1)
    assert sorted(gaps)[-2] == pytest.approx(5, abs=0.01)


def test_pulled_node_is_silent_and_the_others_send_what_they_would() -> None:
    whole, pulled = fresh_shop(), fresh_shop()
    apply_command(pulled, command_from_payload(b'{"node":"north/air","out":true}'))
    end_us = demo_start_us() + 2 * MINUTE_US
    expected = [pack for pack in whole.advance(end_us) if pack.node != "north/air"]
    assert list(pulled.advance(end_us)) == expected
    apply_command(pulled, command_from_payload(b'{"node":"north/air","out":false}'))
    again = pulled.advance(end_us + MINUTE_US)
    assert [p for p in again if p.node == "north/air"] == [
        p for p in whole.advance(end_us + MINUTE_US) if p.node == "north/air"
    ]


def test_door_and_wash_by_hand_change_the_air() -> None:
    shop, plain = fresh_shop(), fresh_shop()
    apply_command(shop, command_from_payload(b'{"bay":"south","door":true}'))
    apply_command(shop, command_from_payload(b'{"bay":"north","wash":true}'))
    end_us = demo_start_us() + 8 * MINUTE_US
    doors = {
        value
        for name, _, value in resolved(list(shop.advance(end_us)))
        if name.endswith("door/open")
    }
    list(plain.advance(end_us))
    assert doors == {True, False}
    states, untouched = shop.simulation.hall.states, plain.simulation.hall.states
    assert states["south"].air_c < untouched["south"].air_c - 5
    assert states["north"].vapour_kg > 1.3 * untouched["north"].vapour_kg
    apply_command(shop, command_from_payload(b'{"bay":"south","door":false}'))
    list(shop.advance(end_us + SECOND_US * 5))
    assert not shop.simulation.controls["south"].door_open


def test_wash_by_hand_ends_after_ten_minutes() -> None:
    shop = fresh_shop()
    apply_command(shop, command_from_payload(b'{"bay":"south","wash":true}'))
    list(shop.advance(demo_start_us() + 9 * MINUTE_US))
    assert shop.simulation.controls["south"].spray is not None
    list(shop.advance(demo_start_us() + 10 * MINUTE_US))
    assert shop.simulation.controls["south"].spray is None


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"[]",
        b"{}",
        b'{"node":"north/air"}',
        b'{"node":"north/air","out":1}',
        b'{"bay":"north"}',
        b'{"bay":"north","door":true,"x":1}',
        b'{"node":"north/air","out":true,"bay":"north","door":true}',
        b"\xff",
    ],
)
def test_what_is_no_order_is_refused(payload: bytes) -> None:
    with pytest.raises(PayloadError, match="demo/pull"):
        command_from_payload(payload)


@pytest.mark.parametrize(
    "payload",
    [b'{"node":"attic","out":true}', b'{"bay":"attic","door":true}', b'{"bay":"x","wash":true}'],
)
def test_unknown_node_or_bay_is_named(payload: bytes) -> None:
    shop = fresh_shop()
    with pytest.raises(InputError, match="allowed"):
        apply_command(shop, command_from_payload(payload))


def test_list_of_nodes_says_which_is_pulled() -> None:
    shop = fresh_shop()
    apply_command(shop, command_from_payload(b'{"node":"south/door","out":true}'))
    rows = json.loads(nodes_document(shop))
    assert [row["node"] for row in rows if row["pulled"]] == ["south/door"]
    assert {row["bay"] for row in rows} == {"north", "south", "outdoor"}
    assert len(rows) == 13
