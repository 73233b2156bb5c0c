"""The guide of the README on a booted Debian 12, word for word, then all that may befall it.

    sudo .venv/bin/python tests/acceptance/install_booted.py [--guide FILE.md] [--old COMMIT]

A bare Debian is made by debootstrap and booted with a real systemd (`booted_machine.py`); a person
with sudo types the guide's lines there. Then: users and shutting in, kill of each process, a hung
watch, a start anew, a reading by TLS, backup, logs, certificate, the wall on a screen, a full disk,
wrong rights, upgrade and way back. Each step is printed with PASS or FAIL. It needs root and the
packages it names, fetches some 500 MB the first time, and takes about 20 minutes.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.acceptance import booted_checks as checks
from tests.acceptance import booted_harm as harm
from tests.acceptance import booted_wall as wall
from tests.acceptance.booted_machine import Booted, booted
from tests.acceptance.booted_tree import (
    FOLDER,
    USER,
    FailedError,
    fetch_wheels,
    lacking,
    lay_out,
    make_base,
    must,
)
from tests.install_guide import commands, guide_text

if TYPE_CHECKING:
    from collections.abc import Callable

PIN = "271828\n271828\n"
LATER = ("upgrade.sh", "way-back.sh")
SENSOR = '\n[[sensor]]\nkind = "w1"\nname = "water"\ndevice = "28-0316a2795caf"\n'


class Report:
    """What passed and what did not, said as it happens."""

    def __init__(self) -> None:
        self.passed = self.failed = 0

    def step(self, name: str, do: Callable[[], str]) -> bool:
        """Take a step; say how it went."""
        began = time.monotonic()
        try:
            seen = " ".join(do().split())[:220]
        except (FailedError, OSError, ValueError, subprocess.TimeoutExpired) as error:
            self.failed += 1
            print(f"FAIL {time.monotonic() - began:6.1f} s  {name}\n     {error}", flush=True)
            return False
        self.passed += 1
        print(f"PASS {time.monotonic() - began:6.1f} s  {name}: {seen}", flush=True)
        return True


def typed(line: str) -> str:
    """Return what the person types after a line: a PIN, or Enter at every question."""
    return PIN if " people " in line else "\n" * 20


def follow(machine: Booted, report: Report, lines: list[str]) -> bool:
    """Go through the guide; False when a line did not do what it says."""
    for line in lines:
        if any(word in line for word in LATER):
            continue
        if "enable --now envmon-node" in line:
            node = machine.tree / "etc/envmon-node/node.toml"
            node.write_text(node.read_text(encoding="utf-8") + SENSOR, encoding="utf-8")
        if "enable --now envmon-wall" in line:
            wall.hang_screen(machine)
        said = lambda line=line: type_line(machine, line)[-200:]  # noqa: E731
        if not report.step(f"$ {line[:100]}", said):
            return False
    return report.step("a later node, claimed", lambda: later_node(machine, lines))


def type_line(machine: Booted, line: str) -> str:
    """Type a line as a person does, who says it again where the guide says that it may fail."""
    try:
        return machine.ok(line, typed(line), user=USER)
    except FailedError as error:
        if "mosquitto_pub" not in line or "connection was lost" not in str(error):
            raise
        return machine.ok(line, typed(line), user=USER)


def later_node(machine: Booted, lines: list[str]) -> str:
    """Another node by the two commands of step 4, and its topic claimed."""
    harm.step_four(machine, lines)
    reads = "--format senml --as air_temp_c=t --as rel_hum_pct=rh"
    topic = f"my_shop/{checks.NODE}/air"
    claim = "sudo -u envmon /opt/envmon/bin/envmon claim /etc/envmon/shop.toml"
    return machine.ok(f"{claim} {topic} --bay hall {reads} --listen '1 s'", user=USER)


def start_anew(machine: Booted) -> str:
    """The whole machine is started anew; all comes back, with what was stored."""
    before = checks.stored(machine)
    machine.reboot()
    checks.services(machine)
    if checks.stored(machine) < before:
        raise FailedError("readings are gone")
    return checks.reading_comes(machine, 19.9)


def go_through(
    machine: Booted, report: Report, lines: list[str], options: argparse.Namespace
) -> None:
    """Take every step after the guide."""
    put = next(line for line in lines if "put-in-place" in line)
    for name, check in {
        "services are up, each as its user": checks.services,
        "shut in as the units say": checks.shut_in,
        "systemd-analyze security": checks.exposure,
        "strangers stay outside": checks.strangers,
        "a reading by TLS": lambda m: checks.reading_comes(m, 20.6),
        "watchdog is told": checks.watchdog_pings,
        "stop, start, restart": checks.stop_and_start,
        "every process killed": lambda m: ", ".join(" ".join(k) for k in checks.killed(m)),
        "a hung watch": checks.hung,
        "backup": checks.backup,
        "logs": checks.logs,
        "certificate that is due": checks.certificate,
        "the wall": lambda m: wall.looked_at(m, options.pictures / "wall.png", 21.0),
        "the wall comes back": lambda m: wall.comes_back(m, options.pictures),
        "a screen that cannot start": wall.dark_screen,
        "the machine started anew": start_anew,
        "the wall after that": lambda m: wall.looked_at(m, options.pictures / "again.png", 21.5),
        "wrong rights": lambda m: harm.wrong_rights(m, put),
        "upgrade and way back": lambda m: harm.upgrade(m, options.old, lines),
        "a version that does not start": lambda m: harm.bad_upgrade(m, lines),
        "a full disk": harm.full_disk,
    }.items():
        if not options.only or any(word in name for word in options.only):
            report.step(name, lambda check=check: check(machine))  # type: ignore[misc]


def ready(folder: Path, lines: list[str]) -> Path:
    """Make the machine's tree with envmon's source in the person's folder."""
    fetch = [line.removeprefix("sudo ") for line in lines if line.startswith("sudo apt-get")]
    make_base(folder / "base", fetch)
    fetch_wheels(folder / "wheels")
    tree = folder / "machine"
    shutil.rmtree(tree, ignore_errors=True)
    must(["cp", "-a", str(folder / "base"), str(tree)])
    shutil.copytree(folder / "wheels", tree / "srv/wheels")
    lay_out("HEAD", tree / FOLDER.lstrip("/"))
    must(["chroot", str(tree), "chown", "-R", f"{USER}:", f"/home/{USER}"])
    return tree


def main() -> int:
    """Go through all of it; return 0 when every step passed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--guide", help="a draft of the README")
    parser.add_argument("--old", default="HEAD~1", help="commit to upgrade from")
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp/envmon-booted"))
    parser.add_argument(
        "--pictures", type=Path, default=Path.cwd(), help="for pictures of the wall"
    )
    parser.add_argument("--only", nargs="*", help="only the checks with these words in their name")
    parser.add_argument("--again", action="store_true", help="take the machine as it was left")
    options = parser.parse_args()
    if options.guide:
        os.environ["ENVMON_GUIDE"] = options.guide
    lacks = lacking()
    if lacks:
        print("cannot be done here; what is missing: " + "; ".join(lacks), file=sys.stderr)
        return 2
    lines, report = commands(guide_text()), Report()
    try:
        tree = options.folder / "machine" if options.again else ready(options.folder, lines)
        with booted(tree) as machine:
            if options.again or follow(machine, report, lines):
                go_through(machine, report, lines, options)
    except FailedError as error:
        print(f"FAIL  the machine: {error}", flush=True)
        report.failed += 1
    print(f"{report.passed} passed, {report.failed} failed")
    return 1 if report.failed else 0


if __name__ == "__main__":
    sys.exit(main())
