"""Thermometers and humidity chips of the kernel, on trees laid out as its papers describe.

Layout, units and formulas: the Linux kernel's Documentation/w1/slaves/w1_therm.rst,
Documentation/ABI/testing/sysfs-driver-w1_therm, Documentation/ABI/testing/sysfs-bus-iio,
Documentation/hwmon/sysfs-interface.rst; drivers/w1/slaves/w1_therm.c (w1_slave_show) and
drivers/iio/temperature/mlx90614.c (offset −13657.5, scale 20). The trees are ours: this kernel has
none of these buses.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import PayloadError
from envmon_node.chips import KernelChip
from envmon_node.find import node_file
from envmon_node.load import checked
from envmon_node.w1 import W1Thermometer, ensure_measured
from tests.node_support import i2c_hwmon, i2c_iio, w1_device, write

if TYPE_CHECKING:
    from pathlib import Path

ID = "28-0316a2795caf"


def test_a_thermometer_is_read_by_its_number(tmp_path: Path) -> None:
    w1_device(tmp_path, ID, 23_125)
    assert W1Thermometer(ID, tmp_path).read() == (("temp", "Cel", 23.125),)


def test_a_thermometer_below_zero(tmp_path: Path) -> None:
    # Data sheet of the DS18B20, table 1 (from memory): FF5Eh is −10.125 °C.
    w1_device(tmp_path, ID, -10_125, scratchpad="5e ff 4b 46 7f ff 02 10 5d")
    assert W1Thermometer(ID, tmp_path).read() == (("temp", "Cel", -10.125),)


def test_without_w1_slave_the_attribute_temperature_is_read(tmp_path: Path) -> None:
    folder = tmp_path / "sys/bus/w1/devices" / ID
    write(folder / "temperature", "19875\n")
    assert W1Thermometer(ID, tmp_path).read() == (("temp", "Cel", 19.875),)


@pytest.mark.parametrize(
    ("milli_c", "crc", "scratchpad", "words"),
    [
        (23_125, "NO", "72 01 4b 46 7f ff 0e 10 00", "checksum is wrong"),
        (0, "YES", "00 00 00 00 00 00 00 00 00", "short circuit"),
        (85_000, "YES", "50 05 4b 46 7f ff 0c 10 1c", "after power-on"),
        (127_937, "YES", "ff 07 4b 46 7f ff 0c 10 1c", "outside what the device measures"),
    ],
)
def test_what_was_not_measured_is_no_temperature(
    tmp_path: Path, milli_c: int, crc: str, scratchpad: str, words: str
) -> None:
    w1_device(tmp_path, ID, milli_c, crc, scratchpad)
    with pytest.raises(PayloadError, match=words):
        W1Thermometer(ID, tmp_path).read()


def test_a_device_that_is_away_or_does_not_answer(tmp_path: Path) -> None:
    with pytest.raises(PayloadError, match=f"no device {ID}"):
        W1Thermometer(ID, tmp_path).read()
    real = w1_device(tmp_path, ID, 20_000)
    # w1_slave_show returns nothing where the device does not answer.
    (real / "w1_slave").write_text("")
    with pytest.raises(PayloadError, match="not what its driver writes"):
        W1Thermometer(ID, tmp_path).read()


def test_values_next_to_the_refused_one_are_measured() -> None:
    assert ensure_measured(84.9375) == 84.9375
    assert ensure_measured(85.0625) == 85.0625
    assert ensure_measured(-55.0) == -55.0


def test_processed_channels_of_an_iio_chip(tmp_path: Path) -> None:
    i2c_iio(
        tmp_path, 0, "1-0076", "bme280",
        {"in_temp_input": "21330", "in_humidityrelative_input": "44213",
         "in_pressure_input": "98.711"},
    )  # fmt: skip
    assert KernelChip("iio", "1-0076", "bme280", tmp_path).read() == (
        ("rh", "%RH", 44.213),
        ("pressure", "Pa", 98_711.0),
        ("temp", "Cel", 21.33),
    )


def test_raw_channels_become_units_by_offset_and_scale(tmp_path: Path) -> None:
    # Data sheet of the HDC1080: T = n/65536·165 − 40 °C, RH = n/65536·100 % (from memory);
    # drivers/iio/humidity/hdc100x.c gives these as scale and offset in thousandths.
    i2c_iio(
        tmp_path, 0, "1-0040", "hdc100x",
        {"in_temp_raw": "24160", "in_temp_offset": "-15887.515151",
         "in_temp_scale": "2.517700", "in_humidityrelative_raw": "29491",
         "in_humidityrelative_scale": "1.525878"},
    )  # fmt: skip
    values = {name: value for name, _, value in KernelChip("iio", "1-0040", None, tmp_path).read()}
    assert values["temp"] == pytest.approx(24_160 / 65_536 * 165 - 40, abs=0.001)
    assert values["rh"] == pytest.approx(29_491 / 65_536 * 100, abs=0.001)


def test_an_infra_red_thermometer_shares_offset_and_scale(tmp_path: Path) -> None:
    i2c_iio(
        tmp_path, 1, "1-005a", "mlx90614",
        {"in_temp_ambient_raw": "14708", "in_temp_object_raw": "14190",
         "in_temp_offset": "-13657.500000", "in_temp_scale": "20"},
    )  # fmt: skip
    values = KernelChip("iio", "1-005a", "mlx90614", tmp_path).read()
    # 0.02 K a step, minus 273.15 K.
    assert values == (("ambient", "Cel", 21.01), ("surface", "Cel", 10.65))


def test_a_channel_with_its_own_scale_takes_that(tmp_path: Path) -> None:
    i2c_iio(
        tmp_path, 0, "1-0044", "chip",
        {"in_temp_raw": "100", "in_temp_scale": "10", "in_temp1_raw": "100",
         "in_temp1_scale": "100"},
    )  # fmt: skip
    values = KernelChip("iio", "1-0044", None, tmp_path).read()
    assert values == (("temp1", "Cel", 10.0), ("temp", "Cel", 1.0))


@pytest.mark.parametrize("pressure", ["1014.350000000", "101.435000000"])
def test_a_driver_that_writes_percent_and_hectopascal(tmp_path: Path, pressure: str) -> None:
    # drivers/iio/chemical/bme680_core.c: humidity in percent; pressure in hectopascal, until a
    # later patch made it kilopascal.
    i2c_iio(
        tmp_path, 0, "1-0076", "bme680",
        {"in_humidityrelative_input": "41.074000000", "in_pressure_input": pressure,
         "in_temp_input": "24540"},
    )  # fmt: skip
    assert KernelChip("iio", "1-0076", None, tmp_path).read() == (
        ("rh", "%RH", 41.074),
        ("pressure", "Pa", 101_435.0),
        ("temp", "Cel", 24.54),
    )


def test_another_driver_that_does_is_refused_rather_than_guessed(tmp_path: Path) -> None:
    i2c_iio(tmp_path, 0, "1-0076", "other", {"in_humidityrelative_input": "41.07"})
    with pytest.raises(PayloadError, match=r"0\.0411 %RH.*writes another unit"):
        KernelChip("iio", "1-0076", None, tmp_path).read()


def test_a_raw_number_without_scale_says_nothing(tmp_path: Path) -> None:
    i2c_iio(tmp_path, 0, "1-0040", "hdc100x", {"in_temp_raw": "24160"})
    with pytest.raises(PayloadError, match="_scale is missing"):
        KernelChip("iio", "1-0040", None, tmp_path).read()


def test_a_chip_keeps_its_name_when_its_number_changes(tmp_path: Path) -> None:
    i2c_iio(tmp_path, 0, "1-0040", "hdc100x", {"in_temp_input": "20000"})
    i2c_iio(tmp_path, 1, "1-0041", "hdc100x", {"in_temp_input": "5000"})
    chip = KernelChip("iio", "1-0041", "hdc100x", tmp_path)
    before = chip.read()
    for entry in (tmp_path / "sys/bus/iio/devices").iterdir():
        entry.unlink()
    for number, device in ((0, "1-0041"), (1, "1-0040")):
        owner = tmp_path / f"sys/devices/platform/soc/fe804000.i2c/i2c-1/{device}"
        next(owner.iterdir()).rename(owner / f"iio:device{number}")
        (tmp_path / f"sys/bus/iio/devices/iio:device{number}").symlink_to(
            owner / f"iio:device{number}"
        )
    assert chip.read() == before == (("temp", "Cel", 5.0),)


def test_a_hwmon_humidity_chip(tmp_path: Path) -> None:
    i2c_hwmon(tmp_path, 2, "1-0044", "sht3x", {"temp1_input": "20410", "humidity1_input": "43870"})
    assert KernelChip("hwmon", "1-0044", "sht3x", tmp_path).read() == (
        ("rh", "%RH", 43.87),
        ("temp", "Cel", 20.41),
    )


def test_a_fault_bit_and_a_chip_of_another_kind_are_said(tmp_path: Path) -> None:
    real = i2c_hwmon(tmp_path, 0, "1-0044", "sht3x", {"temp1_input": "20410", "temp1_fault": "1"})
    with pytest.raises(PayloadError, match="temp1_fault is set"):
        KernelChip("hwmon", "1-0044", None, tmp_path).read()
    with pytest.raises(PayloadError, match="1-0044 is a sht3x, not a sht4x"):
        KernelChip("hwmon", "1-0044", "sht4x", tmp_path).read()
    with pytest.raises(PayloadError, match="no hwmon device 1-0045; there are: 1-0044"):
        KernelChip("hwmon", "1-0045", None, tmp_path).read()
    write(real / "temp1_fault", "0\n")
    write(real / "temp1_input", "twenty\n")
    with pytest.raises(PayloadError, match="says 'twenty', which is no number"):
        KernelChip("hwmon", "1-0044", None, tmp_path).read()


def test_an_attribute_the_driver_cannot_read_names_the_failure(tmp_path: Path) -> None:
    real = i2c_hwmon(tmp_path, 0, "1-0044", "sht3x", {"humidity1_input": "40000"})
    (real / "humidity1_input").unlink()
    # Reading one's own memory at 0 fails with EIO, as a driver whose chip is silent does.
    (real / "humidity1_input").symlink_to("/proc/self/mem")
    with pytest.raises(PayloadError, match=r"Input/output error.*look at its cable"):
        KernelChip("hwmon", "1-0044", None, tmp_path).read()


@given(st.text(max_size=120), st.sampled_from(["w1_slave", "in_temp_input", "name"]))
def test_whatever_a_driver_writes_is_a_finite_number_or_a_fault(
    tmp_path_factory: pytest.TempPathFactory, text: str, attribute: str
) -> None:
    root = tmp_path_factory.mktemp("tree")
    w1 = w1_device(root, ID, 20_000)
    iio = i2c_iio(root, 0, "1-0040", "hdc100x", {"in_temp_input": "20000"})
    (w1 if attribute == "w1_slave" else iio).joinpath(attribute).write_text(text, encoding="utf-8")
    for sensor in (W1Thermometer(ID, root), KernelChip("iio", "1-0040", None, root)):
        try:
            values = sensor.read()
        except PayloadError:
            continue
        assert all(math.isfinite(value) for _, _, value in values)


@pytest.mark.parametrize("text", ["nan", "inf", "1e999", "0x10", ""])
def test_a_number_that_is_none_is_refused(tmp_path: Path, text: str) -> None:
    i2c_iio(tmp_path, 0, "1-0040", "hdc100x", {"in_temp_input": text})
    with pytest.raises(PayloadError, match="is no number"):
        KernelChip("iio", "1-0040", None, tmp_path).read()


def test_find_prints_a_node_file_with_names_that_stay(tmp_path: Path) -> None:
    import tomllib

    w1_device(tmp_path, ID, 23_125)
    w1_device(tmp_path, "01-000000000001", 0)  # a plain number chip, no thermometer
    i2c_iio(tmp_path, 0, "1-0040", "hdc100x", {"in_temp_input": "20000"})
    i2c_iio(tmp_path, 2, "1-0041", "1-0041", {"in_temp_input": "20000"})
    i2c_iio(tmp_path, 1, "1-0048", "ads1015", {"in_voltage0_raw": "3"})
    i2c_hwmon(tmp_path, 0, "thermal", "cpu_thermal", {"temp1_input": "51000"})
    i2c_hwmon(tmp_path, 1, "1-0044", "sht3x", {"temp1_input": "1", "humidity1_input": "1"})
    write(tmp_path / "dev/serial/by-id/usb-thermometer-if00", "")
    write(tmp_path / "dev/gpiochip0", "")
    text = node_file(tmp_path)
    node = checked(tomllib.loads(text), "found.toml")
    assert [sensor.called for sensor in node.sensor] == [
        ID,
        "hdc100x-1-0040",
        "1-0041",
        "sht3x-1-0044",
    ]
    # What cannot be found by itself stands there as a comment that is a sensor without its mark.
    hints = "\n".join(line[1:] for line in text.splitlines() if line.startswith("#["))
    assert hints.count("[[sensor]]") == 3
    open_up = text.replace("#[[", "[[").replace("\n#", "\n").replace("# ", "#")
    assert 'kind = "pulse"' in open_up
    assert 'kind = "button"' in open_up


def test_find_says_so_where_there_is_nothing(tmp_path: Path) -> None:
    assert "No thermometer and no humidity chip was found" in node_file(tmp_path)
