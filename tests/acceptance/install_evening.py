"""The guide of the README in a clean environment, then an upgrade from an older commit and back.

    .venv/bin/python tests/acceptance/install_evening.py [--old COMMIT] [--guide FILE.md]

Nothing of this checkout's environment is used: the source is what git has, the Python environment
is made by the guide's own commands with the pinned versions, broker and boards are real. It takes
some minutes and fetches the packages twice. Everything stands below one temporary folder; what
needs a whole machine (apt-get, systemctl) is left out and listed.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import sqlite3
import ssl
import subprocess
import sys
import time
import urllib.request
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

sys.path.insert(0, str(Path(__file__).parents[2]))

from envmon.errors import EnvmonError
from tests.benchmarks.broker_trials import free_port
from tests.install_guide import PROJECT, do, steps
from tests.install_support import POINTS, Trial, broker_of, trial

if TYPE_CHECKING:
    from collections.abc import Iterator

OLD_SHOP = """\
[shop]
name = "My shop"
site = "my_shop"
timezone = "UTC"
boards_port = {boards}

[broker]
port = {port}

[store]
folder = "{data}"

[[bay]]
id = "hall"
name = "Hall"

[[point]]
id = "hall-air"
bay = "hall"
topic = "my_shop/hall/air"
reads = {{ air_temp_c = {{ name = "t" }} }}
"""
START = """\
#!/bin/sh
"{venv}/bin/envmon" run "{shop}" >"{root}/said" 2>&1 &
echo $! >"{root}/pid"
for _ in $(seq 240); do
    curl --fail --silent --output /dev/null "{url}/healthz" && exit 0
    kill -0 "$(cat "{root}/pid")" 2>/dev/null || break
    sleep 0.5
done
echo "envmon does not start: $(tail -3 "{root}/said")" >&2
exit 1
"""
STOP = """\
#!/bin/sh
[ -f "{root}/pid" ] || exit 0
kill "$(cat "{root}/pid")" 2>/dev/null || true
while kill -0 "$(cat "{root}/pid")" 2>/dev/null; do sleep 0.2; done
rm "{root}/pid"
"""


class Kept(NamedTuple):
    """What a store holds: its steps, and how many readings and events."""

    steps: tuple[str, ...]
    readings: int
    events: int


class FailedError(EnvmonError):
    """A step did not do what it must."""


def say(text: str) -> None:
    print(text, flush=True)


def must(command: str, folder: Path) -> str:
    """Run a command; what it says, or the end of the trial."""
    began = time.monotonic()
    ran = do(command, folder)
    if ran.returncode:
        raise FailedError(f"{command}\nended with {ran.returncode}\n{ran.stdout}\n{ran.stderr}")
    say(f"  ok, {time.monotonic() - began:5.1f} s: {command[:110]}")
    return ran.stdout


def checkout(commit: str, folder: Path) -> Path:
    """Lay out what git has of a commit."""
    folder.mkdir(parents=True)
    must(f"git -C {PROJECT} archive {commit} | tar -x -C {folder}", folder)
    return folder


def wait_for(condition: Any, what: str, process: subprocess.Popen[str] | None = None) -> None:
    """Return when the condition holds."""
    deadline = time.monotonic() + 180
    while not condition():
        ended = process is not None and process.poll() is not None
        if ended or time.monotonic() > deadline:
            raise FailedError(f"waited in vain for {what}")
        time.sleep(0.2)


def answer(machine: Trial, boards: int, path: str) -> Any:
    """Return a JSON answer of the boards, or nothing while nobody answers."""
    context = ssl.create_default_context(cafile=str(machine.shop_path.parent / "tls/ca.pem"))
    url = f"https://127.0.0.1:{boards}{path}"
    try:
        with urllib.request.urlopen(url, timeout=10, context=context) as got:
            return json.load(got)
    except OSError:
        return None


@contextmanager
def running(machine: Trial, boards: int) -> Iterator[None]:
    """Run what the unit starts."""
    unit = (machine.root / "etc/systemd/system/envmon.service").read_text(encoding="utf-8")
    line = re.search(r"(?m)^ExecStart=(.*)$", unit)
    assert line is not None
    process = subprocess.Popen(line[1].split(), stderr=subprocess.DEVNULL, text=True)
    try:
        wait_for(lambda: answer(machine, boards, "/healthz"), "the boards", process)
        yield
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(120)


def evening(machine: Trial) -> None:
    """Go through the guide from its first command to the backup."""
    say("the guide, in a clean environment")
    source = checkout("HEAD", machine.root / "source")
    venv = machine.root / "opt/envmon"
    machine.shop_path.unlink()
    must(
        f"rm -rf {machine.shop_path.parent}; mkdir -p {machine.root}/etc/envmon-node", machine.root
    )
    every = steps(machine, venv)
    for step in (step for step in every if not step.run):
        say(f"  left out, for a whole machine: {step.shown[:90]}")
    upgrades = ("upgrade.sh", "way-back.sh", "mosquitto_pub", "backup.sh")
    for step in (step for step in every if step.run and not any(u in step.run for u in upgrades)):
        must(step.run.replace("python3 -m venv", f"{sys.executable} -m venv"), source)
        if "envmon new" in step.run:
            boards = own_ports(machine)
    files = machine.root / "envmon-files"
    must(f"mv {source}/envmon-files {files}", source)
    with machine.shop_path.open("a", encoding="utf-8") as shop:
        shop.write(POINTS.replace("fjord_lane", "my_shop").split('\n[[point]]\nid = "yard"')[0])
    with broker_of(machine), running(machine, boards):
        word = next(step.run for step in every if "mosquitto_pub" in step.run)
        must(word, machine.root)
        path = "/api/v1/bays"
        wait_for(lambda: "20.4" in json.dumps(answer(machine, boards, path)), "the reading")
        must(next(step.run for step in every if "backup.sh" in step.run), machine.root)


def own_ports(machine: Trial) -> int:
    """Let the shop use free ports; return that of the boards."""
    boards = free_port()
    text = machine.shop_path.read_text(encoding="utf-8")
    text = text.replace("port = 1883", f"port = {machine.port}", 1)
    text = text.replace("# boards_port = 8050", f"boards_port = {boards}", 1)
    machine.shop_path.write_text(text, encoding="utf-8")
    return boards


def upgrade(machine: Trial, old: str) -> None:
    """Install an older commit, let it keep data, upgrade to this one, and go back."""
    say(f"upgrade from {old}, and back")
    older, newer = checkout(old, machine.root / "older"), checkout("HEAD", machine.root / "newer")
    venv, boards = machine.root / "opt/envmon", free_port()
    machine.shop_path.write_text(
        OLD_SHOP.format(boards=boards, port=machine.port, data=machine.data), encoding="utf-8"
    )
    must(f"{sys.executable} -m venv {venv}", older)
    must(f"{venv}/bin/pip install --quiet -c {newer}/.ci/constraints.txt {older}", older)
    machine.make()
    machine.put()
    url = f"http://127.0.0.1:{boards}"
    words = {"venv": venv, "shop": machine.shop_path, "root": machine.root, "url": url}
    for name, text in (("start", START), ("stop", STOP)):
        script = machine.root / name
        script.write_text(text.format(**words), encoding="utf-8")
        script.chmod(0o755)
    os.environ.update(VENV=str(venv), STOP=f"{machine.root}/stop", START=f"{machine.root}/start")
    try:
        _up_and_back(machine, newer)
    finally:
        do(f"{machine.root}/stop", machine.root)


def _up_and_back(machine: Trial, newer: Path) -> None:
    must(f"{machine.root}/start", machine.root)
    first = told(machine, 3)
    say(f"  the older one keeps: {first}")
    must(f"{machine.scripts}/upgrade.sh {newer.name}", newer.parent)
    second = told(machine, 2)
    say(f"  after the upgrade:   {second}")
    more = second.readings == first.readings + 2 and second.events >= first.events
    if not (set(first.steps) < set(second.steps) and more):
        raise FailedError("the store was not brought up, or lost something")
    must(f"{machine.scripts}/way-back.sh", machine.root)
    third = told(machine, 1)
    say(f"  after the way back:  {third}")
    if third.steps != first.steps or third.readings != first.readings + 1:
        raise FailedError("the way back did not bring the older store")
    must(f"{machine.root}/stop", machine.root)


def told(machine: Trial, count: int) -> Kept:
    """Send so many readings; return what is kept when they are stored."""
    before = kept(machine).readings
    for n in range(count):
        word = f'[{{"n":"t","u":"Cel","v":{20 + n},"t":{time.time():.3f}}}]'
        address = f"-p {machine.port} -q 1 -t my_shop/hall/air"
        must(f"mosquitto_pub {address} -m '{word}'", machine.root)
    wait_for(lambda: kept(machine).readings == before + count, "the readings in the store")
    return kept(machine)


def kept(machine: Trial) -> Kept:
    """Return what the store holds."""
    with closing(sqlite3.connect(machine.data / "live.sqlite3")) as live:
        names = [row[0] for row in live.execute("SELECT name FROM migration ORDER BY name")]
        counts = [
            live.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("reading", "event")
        ]
    return Kept(tuple(names), *counts)


def main() -> int:
    """Go through both; return 0 when every step did what it must."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--old", default="4d56fc6355")
    parser.add_argument("--guide")
    parser.add_argument("--only", choices=["evening", "upgrade"])
    options = parser.parse_args()
    if options.guide:
        os.environ["ENVMON_GUIDE"] = options.guide
    try:
        if options.only != "upgrade":
            with trial() as machine:
                evening(machine)
        if options.only != "evening":
            with trial() as machine:
                upgrade(machine, options.old)
    except FailedError as error:
        say(f"FAILED: {error}")
        return 1
    say("every step did what it must")
    return 0


if __name__ == "__main__":
    sys.exit(main())
