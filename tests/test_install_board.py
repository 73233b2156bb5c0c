"""The settings of a microcontroller's node, held to the check of the node itself."""

from __future__ import annotations

import json
import stat
from typing import TYPE_CHECKING

import pytest

from air_node.settings import SettingsError, checked
from envmon.errors import InputError
from tests.install_support import Guest, Trial, broker_of, trial
from tests.mosquitto_support import NEEDS_MOSQUITTO

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO
WIFI = {"name": "Werkstatt Süd", "password": "between bay & yard"}


@pytest.fixture
def machine() -> Iterator[Trial]:
    with trial() as made:
        made.make(nodes=("north=fjord_lane/north", "odd=Fjord Lane/odd"))
        yield made


def settings_of(machine: Trial, node: str = "north") -> Path:
    return machine.out / "nodes" / node / "node_settings.json"


def fill_in(machine: Trial, **more: object) -> str:
    """Fill in what only the shop knows, as a person would; return the text."""
    file = settings_of(machine)
    settings = json.loads(file.read_text(encoding="utf-8"))
    file.write_text(json.dumps({**settings, "wifi": WIFI, **more}), encoding="utf-8")
    return file.read_text(encoding="utf-8")


def test_only_the_wifi_is_left_to_fill_in(machine: Trial) -> None:
    with pytest.raises(SettingsError) as error:
        checked(settings_of(machine).read_text(encoding="utf-8"))
    assert [fault.partition(":")[0] for fault in error.value.faults] == ["wifi.name"]
    settings = checked(fill_in(machine))
    assert settings.text("topic") == "fjord_lane/north"
    assert settings.text("broker.host") == settings.text("time_host") == "localhost"
    assert settings.whole("broker.port") == machine.tls_port
    assert settings.text("broker.password") == machine.password("north")
    assert (settings_of(machine).parent / settings.text("broker.ca_file")).is_file()


def test_nobody_else_reads_it(machine: Trial) -> None:
    assert stat.S_IMODE(settings_of(machine).stat().st_mode) == 0o600


def test_what_was_filled_in_stays_and_what_is_ours_follows(machine: Trial) -> None:
    fill_in(machine, every=300, battery={"pin": 35})
    machine.make(nodes=("north=fjord_lane/north_bay",), tls_port=machine.tls_port + 1)
    text = settings_of(machine).read_text(encoding="utf-8")
    settings = checked(text)
    assert (settings.text("wifi.name"), settings.number("every")) == (WIFI["name"], 300)
    assert settings.whole("battery.pin") == 35
    assert settings.text("topic") == "fjord_lane/north_bay"
    assert settings.whole("broker.port") == machine.tls_port + 1
    assert stat.S_IMODE(settings_of(machine).stat().st_mode) == 0o600


def test_place_that_such_a_node_cannot_speak_at_gets_none(machine: Trial) -> None:
    assert not settings_of(machine, "odd").exists()
    assert (settings_of(machine, "odd").parent / "node.toml").is_file()


@pytest.mark.parametrize("text", ['{"wifi": ', "[1]"])
def test_file_that_somebody_broke_is_left_alone(machine: Trial, text: str) -> None:
    settings_of(machine).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"node_settings\.json.*take it away"):
        machine.make(nodes=("north=fjord_lane/north",))
    assert settings_of(machine).read_text(encoding="utf-8") == text


def test_its_log_in_is_one_that_the_broker_takes(machine: Trial) -> None:
    assert machine.run("put-in-place.sh").returncode == 0
    broker = json.loads(settings_of(machine).read_text(encoding="utf-8"))["broker"]
    user, password = broker["username"], broker["password"]
    with broker_of(machine), Guest(machine, user, password=password) as guest:
        assert guest.reason == "Success"
