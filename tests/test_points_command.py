"""``envmon points`` and ``envmon claim`` over a real broker: exit codes, streams, JSON."""

from __future__ import annotations

import contextlib
import io
import json
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

import pytest

from envmon.cli import main
from envmon.facts import Flag, Reading
from envmon.shop.load import load_shop
from envmon.store.sqlite import SqliteStore
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import NEEDS_MOSQUITTO, Mosquitto
from tests.points_support import shop_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = NEEDS_MOSQUITTO

# Mosquitto itself refuses control characters in topics; anything else may come.
HOSTILE = 'fjord/x"] = [[point]] <b>\u202e'
PACK = '[{"bn":"n:","n":"temp","u":"Cel","v":21},{"n":"bat","u":"%EL","v":81}]'


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """A broker that has kept three topics, one of them claimed and one of them hostile."""
    with Mosquitto(tmp_path_factory.mktemp("broker")) as running:
        running.publish("fjord/north/air", PACK, "-r")
        running.publish("fjord/yard", '{"temperature": 3.5, "humidity": 81}', "-r")
        running.publish(HOSTILE, "9.5", "-r")
        running.publish("fjord/odd", "\x1b[31mred\r", "-r")
        yield running


@pytest.fixture
def file(tmp_path: Path, broker: Mosquitto) -> Path:
    return shop_file(tmp_path, broker.port)


def envmon(*words: object) -> subprocess.CompletedProcess[str]:
    """Run a command as ``main`` does, in this process: the errors are those of a person's shell."""
    out, err = io.StringIO(), io.StringIO()
    code = 0
    with (
        pytest.MonkeyPatch.context() as patch,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        patch.setattr(sys, "argv", ["envmon", *map(str, words)])
        try:
            main()
        except SystemExit as ended:
            code = int(ended.code or 0)
    return subprocess.CompletedProcess("envmon", code, out.getvalue(), err.getvalue())


def points(file: Path) -> dict[str, Any]:
    done = envmon("points", file, "--listen", "1s", "--json")
    assert done.returncode == 0, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def test_json_alone_says_what_talks_claimed_and_unclaimed(file: Path) -> None:
    now_us = time.time_ns() // 1_000
    store = SqliteStore(file.parent / "data")
    store.add_readings([Reading("north-air", "air_temp_c", now_us, 21.0, Flag.GOOD, now_us)])
    store.close()
    document = points(file)
    rows = {row["topic"]: row for row in document["unclaimed"]}
    assert set(rows) == {"fjord/yard", "fjord/odd", HOSTILE}
    assert rows["fjord/yard"]["format"] == "json"
    assert rows["fjord/yard"]["retained"]
    assert [offer["sure"] for offer in rows["fjord/yard"]["offers"]] == ["said", "said"]
    claimed = {row["point"]: row for row in document["claimed"]}
    assert claimed["north-air"]["kind"] == "fit"
    assert claimed["north-air"]["battery"] == "81 %"
    assert claimed["north-air"]["quantities"][0]["value"] == 21.0
    assert claimed["north-air"]["quantities"][0]["standing"] == "none"
    assert claimed["south-air"]["word"] == "SILENT"


def test_people_read_it_without_a_character_their_terminal_obeys(file: Path) -> None:
    done = envmon("points", file, "--listen", "1s")
    assert done.returncode == 0
    assert "3 topics heard in 1 s that no point claims" in done.stdout
    assert "\\x1b[31mred" in done.stdout
    assert all(letter.isprintable() or letter == "\n" for letter in done.stdout)


def test_one_step_claims_what_the_payload_says(file: Path) -> None:
    done = envmon("claim", file, "fjord/yard")
    assert done.returncode == 0, done.stderr
    point = load_shop(file).point[-1]
    assert (point.id, point.bay, point.format) == ("yard", None, "json")
    assert {name: read.pointer for name, read in point.reads.items()} == {
        "outdoor_temp_c": "/temperature", "outdoor_rel_hum_pct": "/humidity",
    }  # fmt: skip
    assert "counts from the next start" in done.stdout
    assert {row["topic"] for row in points(file)["unclaimed"]} == {HOSTILE, "fjord/odd"}


def test_a_hostile_topic_is_claimed_as_just_that(file: Path) -> None:
    shown = envmon("claim", file, HOSTILE, "--bay", "south", "--as", "panel_temp_c=", "--show")
    assert shown.returncode == 0, shown.stderr
    assert "\u202e" not in shown.stdout + shown.stderr
    assert len(load_shop(file).point) == 1
    done = envmon("claim", file, HOSTILE, "--bay", "south", "--as", "panel_temp_c=")
    assert done.returncode == 0, done.stderr
    shop = load_shop(file)
    assert shop.point[-1].topic == HOSTILE
    assert shop.shop.name == "Fjord Lane"


def test_what_is_open_must_be_said_and_is_named(file: Path) -> None:
    done = envmon("claim", file, HOSTILE, "--bay", "south")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "yours to say" in done.stderr
    assert "--as air_temp_c=" in done.stderr


def test_all_said_needs_no_broker(tmp_path: Path) -> None:
    file = shop_file(tmp_path, free_port())
    done = envmon(
        "claim", file, "late/meter", "--format", "number", "--as", "energy_kwh=", "--unit",
        "energy_kwh=Wh", "--stale-after", "10 min", "--point", "meter",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    point = load_shop(file).point[-1]
    assert (point.id, point.stale_after, point.reads["energy_kwh"].unit) == ("meter", 600.0, "Wh")


def test_without_a_broker_it_says_where_to_look(tmp_path: Path) -> None:
    file = shop_file(tmp_path, free_port())
    done = envmon("claim", file, "late/meter", "--bay", "north")
    assert done.returncode == 2
    assert "[broker]" in done.stderr
    assert list(tmp_path.iterdir()) == [file]


def test_a_topic_that_is_not_heard_is_not_claimed(file: Path) -> None:
    done = envmon("claim", file, "nobody/here", "--bay", "north", "--listen", "0.3 s")
    assert done.returncode == 2
    assert "nothing heard on 'nobody/here' in 0.3 s" in done.stderr
