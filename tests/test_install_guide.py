"""The guide of the README, step by step, on a trial machine with a real broker and real boards.

What changes a whole machine (apt-get, systemctl, the Python environment) is held to what is there;
``tests/acceptance/install_evening.py`` makes the environment too.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import ssl
import subprocess
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from envmon.shop.load import load_shop
from envmon_node.load import account_of, load_node
from tests.benchmarks.broker_trials import free_port
from tests.install_guide import PROJECT, Step, do, guide_text, steps
from tests.install_support import POINTS, Guest, Trial, broker_of, trial
from tests.mosquitto_support import NEEDS_MOSQUITTO, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

TOOLS = ("chromium", "curl", "certutil")
pytestmark = [
    *NEEDS_MOSQUITTO,
    pytest.mark.browser,
    pytest.mark.skipif(
        not all(map(shutil.which, TOOLS)), reason=f"not all of {', '.join(TOOLS)} are installed"
    ),
    pytest.mark.skipif(not guide_text(), reason="the README has no guide to the field yet"),
]
POINT = POINTS.replace("fjord_lane", "my_shop").split("[[point]]")[1]


@pytest.fixture(scope="module")
def machine() -> Iterator[Trial]:
    """Go through the guide up to the script that puts everything in place; claim a point."""
    with trial() as made:
        shutil.rmtree(made.shop_path.parent)
        made.root.joinpath("etc/envmon-node").mkdir(parents=True)
        for step in part(made, "envmon new", "envmon new"):
            done(step, made)
        ports_of_its_own(made)
        for step in part(made, "envmon certificates", "put-in-place"):
            done(step, made)
        with made.shop_path.open("a", encoding="utf-8") as shop:
            shop.write(f"\n[[point]]{POINT}")
        yield made


def ports_of_its_own(machine: Trial) -> None:
    """Let the shop use free ports."""
    text = machine.shop_path.read_text(encoding="utf-8")
    for old, new in (
        ("port = 1883", f"port = {machine.port}"),
        ("# boards_port = 8050", f"boards_port = {free_port()}"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    machine.shop_path.write_text(text, encoding="utf-8")


def part(machine: Trial, first: str, last: str) -> list[Step]:
    """Return the steps from the one with a word to the one with another."""
    every = steps(machine)
    begin = next(i for i, step in enumerate(every) if first in step.shown)
    end = next(i for i, step in enumerate(every) if last in step.shown and i >= begin)
    return every[begin : end + 1]


def done(step: Step, machine: Trial) -> str:
    ran = do(step.run, machine.root)
    assert ran.returncode == 0, (step.shown, ran.stdout, ran.stderr)
    return ran.stdout


def asked(url: str, machine: Trial) -> Any:
    context = ssl.create_default_context(cafile=str(machine.shop_path.parent / "tls/ca.pem"))
    with urllib.request.urlopen(url, timeout=30, context=context) as answer:
        return json.load(answer)


def is_up(url: str, machine: Trial) -> bool:
    try:
        asked(f"{url}/healthz", machine)
    except OSError:
        return False
    return True


def started(machine: Trial) -> subprocess.Popen[str]:
    """Start what the unit starts."""
    unit = (machine.root / "etc/systemd/system/envmon.service").read_text(encoding="utf-8")
    line = re.search(r"(?m)^ExecStart=(.*)$", unit)
    assert line is not None
    return subprocess.Popen(line[1].split(), stderr=subprocess.DEVNULL, text=True)


def test_reading_of_a_node_comes_to_the_wall_and_into_the_backup(machine: Trial) -> None:
    url = f"https://127.0.0.1:{load_shop(machine.shop_path).shop.boards_port}"
    with broker_of(machine):
        shop = started(machine)
        try:
            wait_until(lambda: is_up(url, machine), "the boards", 120)
            word = next(step for step in steps(machine) if "mosquitto_pub" in step.shown)
            done(word, machine)
            wait_until(lambda: shown(url, machine) == (20.4, 44.0), "the reading on the wall", 60)
            ensure_wall(machine)
            for step in part(machine, "backup.sh", "backup.sh"):
                done(step, machine)
        finally:
            shop.send_signal(signal.SIGTERM)
            assert shop.wait(60) == 0
    assert len(list(machine.backups.glob("2*/data/live.sqlite3"))) == 1


def ensure_wall(machine: Trial) -> None:
    """Let the script of the wall wait for the screens, then show them in a real Chromium.

    The browser must trust the shop's own authority; an untrusted page has none of the wall.
    """
    assert machine.run("wall.sh", "wait").returncode == 0
    if os.geteuid() == 0:  # as the wall's own user, who sees nothing of envmon's folder
        argv = ["runuser", "-u", "nobody", "--", str(machine.scripts / "wall.sh"), "wait"]
        machine.shop_path.parent.chmod(0o700)
        subprocess.run(argv, check=True, timeout=60, capture_output=True)
    headless = machine.root / "chromium"
    flags = "--headless --no-sandbox --disable-gpu --dump-dom"
    headless.write_text(f'#!/bin/sh\nexec chromium {flags} "$@"\n', encoding="utf-8")
    headless.chmod(0o755)
    page = machine.run(
        "wall.sh", "browser", CHROMIUM=str(headless), HOME=str(machine.root / "wall")
    )
    assert "My shop" in page.stdout, page.stderr[-2000:]
    assert 'type="password"' not in page.stdout  # who stands before it may look
    stranger = str(machine.root / "stranger")
    url = f"https://127.0.0.1:{load_shop(machine.shop_path).shop.boards_port}/"
    argv = [str(headless), f"--user-data-dir={stranger}", "--disable-background-networking", url]
    home = {**os.environ, "HOME": stranger}
    untrusted = subprocess.run(
        argv, env=home, capture_output=True, text=True, check=False, timeout=120
    )
    assert "My shop" not in untrusted.stdout


def shown(url: str, machine: Trial) -> tuple[Any, Any]:
    """Return what the wall shows of air temperature and humidity."""
    text = json.dumps(asked(f"{url}/api/v1/bays", machine))
    found = [re.search(rf'"{name}": \{{[^}}]*?"value": ([0-9.]+)', text)
             for name in ("air_temp_c", "rel_hum_pct")]  # fmt: skip
    first, second = (float(match[1]) if match else None for match in found)
    return first, second


def test_node_file_fits_the_node(machine: Trial) -> None:
    """The file made for a node, with a sensor at its end, is one that the node takes."""
    for step in part(machine, "install -o envmon-node", "install -o envmon-node"):
        done(step, machine)
    folder = machine.root / "etc/envmon-node"
    file = folder / "node.toml"
    sensor = '\n[[sensor]]\nname = "air"\nkind = "w1"\ndevice = "28-0316a2795caf"\n'
    file.write_text(file.read_text(encoding="utf-8") + sensor, encoding="utf-8")
    node = load_node(file)
    account = account_of(node, file)
    assert node.node.topic == "my_shop/hall"
    assert (account.username, account.password) == ("hall", machine.password("hall"))
    assert account.ca_file == folder / "ca.pem"
    with broker_of(machine), Guest(machine, account.username, password=account.password) as guest:
        assert guest.reason == "Success"


def test_commands_for_the_whole_machine_name_what_is_there(machine: Trial) -> None:
    units = {path.stem for path in (machine.root / "etc/systemd/system").iterdir()}
    for step in (step for step in steps(machine) if not step.run):
        words = step.shown.split()
        if "systemctl" in words:
            assert {word for word in words[2:] if word.startswith("envmon")} <= units
            continue
        assert words[:3] == ["sudo", "apt-get", "install"]
    setup = (PROJECT / ".ci/setup").read_text(encoding="utf-8")
    first = next(step.shown for step in steps(machine) if "apt-get" in step.shown)
    for package in first.split()[4:]:
        assert re.search(rf"\b{re.escape(package)}\b", setup), package
    assert Path(PROJECT / ".ci/constraints.txt").exists()


def test_every_command_of_the_guide_is_accounted_for(machine: Trial) -> None:
    """None slips in that no test runs: here, in the acceptance script, or with systemd."""
    known = ["apt-get", "systemctl", "python3 -m venv", "pip install", "envmon-node find"]
    known += [
        "envmon new",
        "envmon check",
        "envmon certificates",
        "envmon people",
        "envmon install",
        "put-in-place",
    ]
    known += ["install -o envmon-node", "mosquitto_pub", "backup.sh", "upgrade.sh", "way-back.sh"]
    for step in steps(machine):
        assert any(word in step.shown for word in known), step.shown
