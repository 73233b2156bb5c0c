"""``envmon new``: whatever is answered passes ``envmon check``, or is refused and asked again."""

from __future__ import annotations

import re
import stat
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from envmon.cli import app
from envmon.errors import InputError
from envmon.field.first_shop import (
    BROKERS,
    FUELS,
    Answers,
    BayAnswer,
    faults_of,
    shop_text,
    volume_m3,
)
from envmon.field.first_shop_ask import Talk, machine_timezone, new_shop
from envmon.shop.load import check_text, load_shop

if TYPE_CHECKING:
    from collections.abc import Iterator

PLACE = Path("shop.toml")
WORDS = st.text(max_size=60) | st.sampled_from(["Hall", 'He said "no"', "a\\b", "Å", "x" * 90])
VOLUMES = st.sampled_from(["", "210", "210 m3", "7400 ft3", "-1", "much", "1e9", "nan"]) | WORDS


def answers_from(answers: dict[str, Any]) -> Answers:
    return Answers(**answers)


ANSWERS = st.fixed_dictionaries(
    {},
    optional={
        "name": WORDS,
        "site": WORDS | st.sampled_from(["hall", "fjord_lane"]),
        "timezone": st.sampled_from(["UTC", "Europe/Oslo", "Mars/Base"]) | WORDS,
        "units": st.sampled_from(["metric", "us", "imperial"]),
        "bays": st.lists(st.builds(BayAnswer, WORDS, VOLUMES), max_size=4).map(tuple),
        "heat": st.sampled_from([*FUELS, "unknown", "wood"]),
        "broker": st.sampled_from([*BROKERS, "cloud"]),
        "reach": WORDS | st.sampled_from(["workshop.local", "192.168.1.20"]),
        "data": WORDS | st.just("/var/lib/envmon"),
    },
).map(answers_from)


@settings(max_examples=120)
@given(ANSWERS)
def test_any_answers_pass_check_or_are_refused_with_words(answers: Answers) -> None:
    faults = faults_of(answers, PLACE)
    if faults:
        assert all(len(fault) > 20 for fault in faults)
        return
    text = shop_text(answers, PLACE)
    shop, found = check_text(text, "shop.toml")
    assert shop is not None, found
    assert not found
    assert (shop.shop.name, shop.shop.site) == (answers.name, answers.site)
    assert [bay.name for bay in shop.bay] == [bay.name for bay in answers.bays]
    assert text.encode()  # what is written can be written


@settings(max_examples=40)
@given(st.lists(WORDS, min_size=1, max_size=4, unique=True))
def test_good_names_get_short_names_of_their_own(names: list[str]) -> None:
    answers = Answers(bays=tuple(BayAnswer(name) for name in names))
    if not faults_of(answers, PLACE):
        ids = [bay["id"] for bay in tomllib.loads(shop_text(answers, PLACE))["bay"]]
        assert len(set(ids)) == len(names)


@pytest.mark.parametrize("broker", BROKERS)
def test_every_proposal_behind_a_mark_passes_check_too(broker: str) -> None:
    text = shop_text(Answers(broker=broker, bays=(BayAnswer("Hall"),)), PLACE)
    opened = re.sub(r"(?m)^# (?=(\w+ = |\[))", "", text)
    opened = re.sub(r"(?m)^#$", "", opened)
    assert opened.count("\n# ") < text.count("\n# ") / 2
    _, faults = check_text(opened, "shop.toml")
    assert not faults


class Person:
    """Somebody who types these answers, one after the other, and hears what is said."""

    def __init__(self, *answers: str) -> None:
        self._answers: Iterator[str] = iter(answers)
        self.asked: list[tuple[str, str]] = []
        self.heard: list[str] = []

    def ask(self, words: str, proposed: str) -> str:
        self.asked.append((words, proposed))
        return next(self._answers) or proposed

    def talk(self) -> Talk:
        return Talk(self.ask, self.heard.append)


def test_wrong_answers_are_asked_again_with_what_is_allowed(tmp_path: Path) -> None:
    typed = ["Pine Hollow", "", "Oslo", "Europe/Oslo", "imperial", "us", "none", "2", "Wash", "big"]
    person = Person(*typed, "7400", "", "", "wood", "propane", "cloud", "embedded", "")
    place = tmp_path / "shop.toml"
    new_shop(place, {}, "UTC", person.talk())
    heard = "\n".join(person.heard)
    for word in ("Europe/Oslo", "metric, us", "allowed is 1 to 20", "7400 ft3", "propane",
                 "embedded, mosquitto"):  # fmt: skip
        assert word in heard
    shop = load_shop(place)
    assert (shop.shop.site, shop.shop.timezone) == ("pine_hollow", "Europe/Oslo")
    # 7400 cubic feet at 0.3048 m a foot: 209.54 m³ (international foot, exact by definition).
    assert [(bay.name, bay.volume_m3) for bay in shop.bay] == [("Wash", 209.5), ("Bay 2", None)]
    assert shop.heating.fuel == "propane"


def test_given_answers_are_not_asked(tmp_path: Path) -> None:
    person = Person("", "", "", "", "", "", "")
    known = {"name": "Hall", "bays": (BayAnswer("A"), BayAnswer("B")), "heat": "electricity"}
    new_shop(tmp_path / "shop.toml", known, "UTC", person.talk())
    assert not [words for words, _ in person.asked if "called" in words or "bay" in words]
    assert ("A short name for topics and files", "hall") in person.asked


def test_present_file_is_never_replaced(tmp_path: Path) -> None:
    place = tmp_path / "shop.toml"
    place.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="is there already and is left alone"):
        new_shop(place, {}, "UTC", None)
    assert place.read_text(encoding="utf-8") == "mine"
    dangling = tmp_path / "link.toml"
    dangling.symlink_to(tmp_path / "nowhere")
    with pytest.raises(InputError, match="is there already"):
        new_shop(dangling, {}, "UTC", None)


def test_command_with_flags_asks_nothing(tmp_path: Path) -> None:
    place = tmp_path / "shop.toml"
    flags = ["--yes", "--name", "Fjord Lane", "--timezone", "Europe/Oslo", "--bay", "North:180",
             "--bay", "South:7400 ft3", "--heat", "heating_oil", "--broker", "mosquitto",
             "--data", "/var/lib/envmon"]  # fmt: skip
    done = CliRunner().invoke(app, ["new", str(place), *flags])
    assert (done.exit_code, "no faults" in done.output) == (0, True)
    shop = load_shop(place)
    assert [bay.volume_m3 for bay in shop.bay] == [180.0, 209.5]
    assert (shop.broker.kind, shop.broker.username) == ("external", "envmon")
    assert shop.broker.password_file == str(tmp_path / "broker_password")
    assert shop.store.folder == "/var/lib/envmon"
    assert stat.S_IMODE(place.stat().st_mode) & 0o022 == 0


@pytest.mark.parametrize(
    ("flags", "words"),
    [
        (["--timezone", "Mars/Base"], "allowed are names such as Europe/Oslo"),
        (["--units", "imperial"], "allowed: metric, us"),
        (["--bay", "North:huge"], "allowed is a number such as 210"),
        (["--heat", "wood"], "allowed: natural_gas"),
        (["--site", "Fjord Lane"], "site: value is 'Fjord Lane'; allowed is a short name of a-z"),
        (["--bay", "North:2", "--units", "us"], "20000 m3 (180 to 706000 ft3)"),
        (["--reach", "https://x"], "reach: not the name"),
        (["--name", "tab\tname"], "cannot be shown"),
    ],
)
def test_command_refuses_wrong_flags_and_writes_nothing(
    tmp_path: Path, flags: list[str], words: str
) -> None:
    place = tmp_path / "shop.toml"
    done = CliRunner().invoke(app, ["new", str(place), "--yes", *flags])
    assert isinstance(done.exception, InputError)
    assert words in str(done.exception)
    assert not place.exists()


def test_command_asks_on_a_terminal(tmp_path: Path) -> None:
    place = tmp_path / "shop.toml"
    typed = "Hall\n\nEurope/Oslo\nimperial\nmetric\n1\nHall\n210\n\n\n\n"
    done = CliRunner().invoke(app, ["new", str(place)], input=typed)
    assert done.exit_code == 0, done.output
    assert "units is 'imperial'; allowed: metric, us" in done.output
    assert load_shop(place).bay[0].volume_m3 == 210


def test_screens_for_phones_are_opened_by_a_name(tmp_path: Path) -> None:
    place = tmp_path / "shop.toml"
    new_shop(place, {"reach": "workshop.local"}, "UTC", None)
    shop = load_shop(place)
    assert (shop.shop.boards_host, shop.boards.names) == ("0.0.0.0", ("workshop.local",))
    assert (shop.boards.certificate, shop.boards.key) == ("tls/shop.pem", "tls/shop.key")
    assert shop.boards.people_file == "people.toml"


def test_unfinished_answers_write_nothing(tmp_path: Path) -> None:
    place = tmp_path / "shop.toml"
    done = CliRunner().invoke(app, ["new", str(place)], input="Hall\n")
    assert done.exit_code == 1
    assert not place.exists()


@pytest.mark.parametrize(
    ("text", "units", "expected"),
    [("210", "metric", 210.0), ("7400", "us", 209.5), ("210 m3", "us", 210.0), (" ", "us", None)],
)
def test_volumes(text: str, units: str, expected: float | None) -> None:
    assert volume_m3(text, units) == expected


def test_time_zone_of_the_machine(tmp_path: Path) -> None:
    zone = tmp_path / "zoneinfo" / "Europe" / "Oslo"
    zone.parent.mkdir(parents=True)
    zone.touch()
    link = tmp_path / "localtime"
    link.symlink_to(zone)
    assert machine_timezone(link) == "Europe/Oslo"
    assert machine_timezone(tmp_path / "none") == "UTC"


def test_nothing_that_is_asked_or_said_is_wider_than_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """80 columns, as a terminal has that nobody widened (common practice)."""
    monkeypatch.chdir(tmp_path)
    typed = ["Pine Hollow Finishing and Surface Care", "", "Oslo", "Europe/Oslo", "imperial", "us",
             "none", "1", "Wash", "big", "7400", "wood", "", "cloud", "mosquitto", ""]  # fmt: skip
    done = CliRunner().invoke(app, ["new"], input="\n".join([*typed, ""]))
    assert done.exit_code == 0, done.output
    assert [line for line in done.output.splitlines() if len(line) > 80] == []
    for word in ("district_heat", "workshop.local", "on other machines"):
        assert word in done.output


@pytest.mark.parametrize(
    ("broker", "reach", "commands"),
    [
        ("embedded", "", ["run"]),
        ("embedded", "workshop.local", ["certificates", "people", "run"]),
        ("mosquitto", "", ["certificates", "install"]),
        ("mosquitto", "workshop.local", ["certificates", "people", "install"]),
    ],
)
def test_what_comes_next_is_always_said(
    tmp_path: Path, broker: str, reach: str, commands: list[str]
) -> None:
    place = tmp_path / "shop.toml"
    said = new_shop(place, {"broker": broker, "reach": reach}, "UTC", None)
    assert (
        re.findall(rf"(?m)^(?:next|then): envmon (\w+) {re.escape(str(place))}", said) == commands
    )
    for command in commands:
        assert CliRunner().invoke(app, [command, "--help"]).exit_code == 0
