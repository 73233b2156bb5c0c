"""The node file: every fault at once, each with its place, its value and what is allowed."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from envmon_node.__main__ import main
from envmon_node.link import Account
from envmon_node.load import KINDS, NodeFileError, account_of, checked, load_node

if TYPE_CHECKING:
    from envmon_node.config import NodeFile

EXAMPLE = Path(__file__).parents[1] / "fixtures/nodes/hall.toml"

WATER: dict[str, Any] = {"kind": "w1", "device": "28-0316a2795caf"}


def faults(**changes: Any) -> list[str]:
    data = {"node": {"topic": "shop/hall"}, "sensor": [WATER], **changes}
    with pytest.raises(NodeFileError) as caught:
        checked(data, "hall.toml")
    return [line.removeprefix("hall.toml: ") for line in caught.value.lines]


def test_the_example_has_each_kind_and_no_fault(capsys: pytest.CaptureFixture[str]) -> None:
    node = load_node(EXAMPLE)
    used = {sensor.kind for sensor in node.sensor}
    assert used == set(KINDS)
    assert main(["check", str(EXAMPLE)]) == 0
    assert capsys.readouterr().out == f"{EXAMPLE}: no faults, {len(node.sensor)} sensors\n"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"node": {}}, ["node.topic: is missing; add it"]),
        ({"node": {"topic": "shop/+"}}, ["node.topic: is 'shop/+'; "]),
        (
            {"node": {"topic": "shop", "evry": 5}},
            ["node.evry: not known here; did you mean every? allowed are topic, folder, every"],
        ),
        (
            {"node": {"topic": "shop", "every": "5 bananas", "keep": 5}},
            ["node.every: unit is 'bananas'", "node.keep: is 5; should be greater than or equal"],
        ),
        ({"sensors": []}, ["sensors: not known here; did you mean sensor?"]),
        ({"sensor": []}, ["sensor: is empty; add at least one"]),
        ({"sensor": [{"kind": "dht"}]}, ["sensor[1]: kind is 'dht'; allowed are w1, iio, hwmon"]),
        ({"sensor": [{}]}, ["sensor[1]: kind is None; allowed are w1"]),
        (
            {"sensor": [WATER, {"kind": "w1", "device": "28-xyz"}]},
            ["sensor[2].device: is '28-xyz'; "],
        ),
        (
            {"sensor": [WATER, {**WATER, "name": "water"}, {**WATER}]},
            ["sensor[3].name: '28-0316a2795caf' is taken"],
        ),
        ({"sensor": [{**WATER, "name": "status"}]}, ["sensor[1].name: 'status' is taken"]),
        (
            {"sensor": [{"kind": "pulse", "line": "GPIO17", "pulse": "1"}]},
            ["sensor[1]: pulse is '1'; allowed is a number with its unit"],
        ),
        (
            {"sensor": [{"kind": "pulse", "line": "GPIO17", "pulse": "1 bar"}]},
            ["sensor[1]: unit is 'bar' for fuel_m3; allowed: m3"],
        ),
        (
            {"sensor": [{"kind": "serial", "port": "/dev/tty", "pattern": "(", "units": {}}]},
            ["sensor[1].pattern: not a regular expression", "sensor[1].units: is empty"],
        ),
        (
            {"sensor": [
                {"kind": "serial", "port": "/dev/tty", "pattern": "(?P<surface>.*)",
                 "units": {"temp": "°C"}},
            ]},
            ["sensor[1]: units has ['temp'], pattern has the groups ['surface']"],
        ),
        (
            {"sensor": [
                {"kind": "serial", "port": "/dev/tty", "pattern": "(?P<surface>.*)",
                 "units": {"surface": "mV"}},
            ]},
            ["sensor[1]: unit is 'mV'; allowed are °C"],
        ),
        ({"broker": {"host": "192.168.10.5"}}, ["broker: host is '192.168.10.5', another machine"]),
        (
            {"broker": {"host": "10.0.0.2", "username": "hall", "password_file": "x"}},
            ["broker: host is '10.0.0.2', another machine: give ca_file"],
        ),
        (
            {"broker": {"password": "horse staple"}},
            ["broker.password: not known here; did you mean password_"],
        ),
        ({"broker": {"password_file": 7}}, ["broker.password_file: is (not shown); allowed is"]),
    ],
)  # fmt: skip
def test_faults_say_where_what_and_what_is_allowed(
    changes: dict[str, Any], words: list[str]
) -> None:
    found = faults(**changes)
    assert len(found) == len(words)
    for line, start in zip(found, words, strict=True):
        assert line.startswith(start)
        assert "horse staple" not in line


def test_a_file_that_cannot_be_read_ends_with_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(tmp_path / "none.toml")]) == 2
    (tmp_path / "bad.toml").write_text("[node\n")
    assert main(["check", str(tmp_path / "bad.toml")]) == 2
    assert main(["read", str(tmp_path)]) == 2
    assert main(["sing", "bad.toml"]) == 2
    errors = capsys.readouterr().err
    assert "none.toml: cannot be read: No such file" in errors
    assert "bad.toml: not valid TOML" in errors
    assert "no such command" in errors


def node(**broker: Any) -> NodeFile:
    return checked({"node": {"topic": "s/hall"}, "sensor": [WATER], "broker": broker}, "x")


def test_the_password_comes_from_a_file_or_the_environment(tmp_path: Path) -> None:
    file = tmp_path / "hall.toml"
    (tmp_path / "secret").write_text("horse staple\n")
    away = {"host": "10.0.0.2", "username": "hall", "ca_file": "ca.pem"}
    expected = Account("10.0.0.2", 1883, "node-s-hall", "hall", "horse staple", tmp_path / "ca.pem")
    assert account_of(node(**away, password_file="secret"), file) == expected
    assert account_of(node(**away, password_env="W"), file, {"W": "horse staple"}) == expected
    with pytest.raises(NodeFileError, match="the variable W is not set"):
        account_of(node(**away, password_env="W"), file, {})
    with pytest.raises(NodeFileError, match=r"password_file: .*none cannot be read"):
        account_of(node(**away, password_file="none"), file)
    assert account_of(node(), file) == Account("127.0.0.1", 1883, "node-s-hall")


def test_read_prints_each_sensor_once_and_says_no_where_one_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "hall.toml"
    file.write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    assert main(["read", str(file)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert [line.split(":")[0] for line in lines] == [
        sensor.called for sensor in load_node(file).sensor
    ]


def test_find_prints_a_file_that_toml_reads(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["find"]) == 0
    data = tomllib.loads(capsys.readouterr().out)
    assert data["node"]["topic"].startswith("shop/")
