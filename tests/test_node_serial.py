"""A sensor that writes lines, on a pseudo-terminal: pyserial speaks to it as to a real port."""

from __future__ import annotations

import os
import re
import threading
import tty
from typing import TYPE_CHECKING, Any

import pytest

from envmon.errors import InputError, PayloadError
from envmon_node.serial_line import SerialSensor, Talk, ensure_unit

if TYPE_CHECKING:
    from collections.abc import Iterator

THERMOMETER = r"T=(?P<surface>[-+0-9.,]+)(?: .*)?"


class Device:
    """The other end of the line; the port's own name is a link, as under /dev/serial/by-id."""

    def __init__(self) -> None:
        self.end, self._far = os.openpty()
        tty.setraw(self.end)
        tty.setraw(self._far)
        self.port = os.ttyname(self._far)

    def write(self, text: str) -> None:
        os.write(self.end, text.encode())

    def close(self) -> None:
        for handle in (self.end, self._far):
            if handle >= 0:
                os.close(handle)
        self.end = self._far = -1


@pytest.fixture
def device() -> Iterator[Device]:
    device = Device()
    yield device
    device.close()


def talk(device: Device, pattern: str = THERMOMETER, **changes: Any) -> Talk:
    units = dict.fromkeys(re.compile(pattern).groupindex, "°C")
    plain = Talk(device.port, 9600, re.compile(pattern), units, None, 20.0)
    return plain._replace(**changes)


class Writing:
    """Writes lines again and again until what reads them has its answer."""

    def __init__(self, device: Device, text: str) -> None:
        self._device, self._text, self._stop = device, text, threading.Event()
        self._thread = threading.Thread(target=self._work)

    def _work(self) -> None:
        while not self._stop.wait(0.05):
            self._device.write(self._text)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()


def test_a_device_that_writes_by_itself(device: Device) -> None:
    sensor = SerialSensor(talk(device))
    with Writing(device, "boot v1.3\r\nT=18.42 E=0.95\r\n"):
        assert sensor.read() == (("surface", "Cel", 18.42),)
        assert sensor.read() == (("surface", "Cel", 18.42),)
    sensor.close()


def test_several_numbers_in_their_own_units_and_a_decimal_comma(device: Device) -> None:
    pattern = r"(?P<surface>[-0-9,]+) F; (?P<rh>[0-9,]+) ?%; (?P<pressure>\d+)"
    units = {"surface": "°F", "rh": "%", "pressure": "hPa"}
    sensor = SerialSensor(talk(device, pattern, units=units))
    with Writing(device, "68,0 F; 45,5 %; 987\n"):
        assert sensor.read() == (
            ("surface", "Cel", 20.0),
            ("rh", "%RH", 45.5),
            ("pressure", "Pa", 98_700.0),
        )
    sensor.close()


def test_the_rest_of_a_line_under_way_is_never_a_reading(device: Device) -> None:
    # Where a line is a bare number, its tail is one as well: 23.4 of 123.4.
    sensor = SerialSensor(talk(device, r"(?P<surface>[0-9.]+)"))
    port = sensor._open()
    sensor._port = port
    began = threading.Event()
    reset = port.reset_input_buffer

    def reset_and_say() -> None:
        reset()
        began.set()

    port.reset_input_buffer = reset_and_say  # type: ignore[method-assign]
    found: list[object] = []
    reader = threading.Thread(target=lambda: found.append(sensor.read()))
    reader.start()
    assert began.wait(30)
    device.write("23.4\n15.5\n")
    reader.join(30)
    assert found == [(("surface", "Cel", 15.5),)]
    sensor.close()


def test_a_device_that_answers_when_asked(device: Device) -> None:
    sensor = SerialSensor(talk(device, ask=b"?\r"))
    asked: list[bytes] = []

    def answer() -> None:
        for reading in ("T=4.25", "T=4.50"):
            asked.append(os.read(device.end, 10))
            device.write(reading + "\r\n")

    answering = threading.Thread(target=answer)
    answering.start()
    assert sensor.read() == (("surface", "Cel", 4.25),)
    assert sensor.read() == (("surface", "Cel", 4.5),)
    answering.join(10)
    assert asked == [b"?\r", b"?\r"]
    sensor.close()


def test_silence_and_lines_of_another_look_are_told_apart(device: Device) -> None:
    sensor = SerialSensor(talk(device, wait_s=0.6))
    with pytest.raises(PayloadError, match=r"not one line within 0\.6 s; is baud right"):
        sensor.read()
    with (
        Writing(device, "hum 44\n"),
        pytest.raises(PayloadError, match=r"the last one was b'hum 44.n'; correct pattern"),
    ):
        sensor.read()
    with Writing(device, "x" * 500), pytest.raises(PayloadError, match="no line like pattern"):
        sensor.read()
    with Writing(device, "T=1.2.3\n"), pytest.raises(PayloadError, match=r"'1\.2\.3'.*no number"):
        sensor.read()
    sensor.close()


@pytest.mark.parametrize("text", ["nan", "inf", "-1e999", ""])
def test_a_number_that_is_none_is_refused(device: Device, text: str) -> None:
    sensor = SerialSensor(talk(device, r"T=(?P<surface>.*)", ask=b"?"))
    with Writing(device, f"T={text}\n"), pytest.raises(PayloadError, match="is no number"):
        sensor.read()
    sensor.close()


def test_a_port_that_was_unplugged_is_opened_again(device: Device) -> None:
    by_id = device.port
    sensor = SerialSensor(talk(device))
    with Writing(device, "T=1.0\n"):
        assert sensor.read() == (("surface", "Cel", 1.0),)
    device.close()
    with pytest.raises(PayloadError, match=re.escape(by_id)):
        sensor.read()
    assert sensor._port is None
    with pytest.raises(PayloadError, match="look at its plug"):
        sensor.read()


@pytest.mark.parametrize("unit", ["kWh", "bananas", ""])
def test_a_unit_no_serial_sensor_measures(unit: str) -> None:
    with pytest.raises(InputError, match="allowed are"):
        ensure_unit(unit)
