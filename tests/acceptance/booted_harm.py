"""What may befall a booted machine: a full disk, wrong rights, a version that does not start."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

from tests.acceptance.booted_checks import (
    DATA,
    NODE,
    board,
    ensure,
    reading_comes,
    send,
    shows,
    stored,
)
from tests.acceptance.booted_tree import USER, lay_out, wait_for

if TYPE_CHECKING:
    from pathlib import Path

    from tests.acceptance.booted_machine import Booted

VERSION = "/opt/envmon/bin/pip show envmon | grep ^Version"
OLDER = "0.0.1"


def full_disk(machine: Booted) -> str:
    """The data folder's disk fills up and is freed: the reading sent meanwhile is not lost."""
    machine.ok(
        "systemctl stop envmon && mount -t tmpfs -o size=48M,mode=0750 tmpfs /mnt && "
        f"cp -a {DATA}/. /mnt/ && chown envmon: /mnt && mount --move /mnt {DATA} || "
        f"mount --bind /mnt {DATA}; systemctl start envmon"
    )
    before = stored(machine)
    machine.run(f"dd if=/dev/zero of={DATA}/filler bs=64k; sync")
    send(machine, 18.1)
    said = wait_for(lambda: _complaint(machine), "a word about the full disk", 180)
    machine.ok(f"rm {DATA}/filler")
    wait_for(lambda: stored(machine) >= before + 2, "the reading in the store", 180)
    return f"said: {said}; then {reading_comes(machine, 18.2)}"


def _complaint(machine: Booted) -> str:
    health = machine.run(
        "curl -s --cacert /usr/local/lib/envmon/ca.pem https://127.0.0.1:8050/healthz"
    )
    log = machine.run("journalctl -u envmon --since -3min --no-pager -o cat").text
    for line in (*log.splitlines(), *health.text.split(",")):
        if "disk" in line.lower() and ("full" in line.lower() or "free" in line.lower()):
            return line.strip()[:160]
    return ""


def wrong_rights(machine: Booted, again: str) -> str:
    """Files that root took, as by an editor: envmon says which; the guide's step mends it."""
    said = []
    for path in ("/etc/envmon/shop.toml", f"{DATA}/live.sqlite3"):
        machine.ok(f"systemctl stop envmon; chown root: {path}; chmod 0600 {path}")
        machine.run("timeout 20 systemctl start envmon")
        log = machine.run("journalctl -u envmon --since -30s --no-pager -o cat").text
        named = [line for line in log.splitlines() if path.rpartition("/")[2] in line]
        ensure(named, f"nothing names {path}: {log[-400:]}")
        said.append(named[-1][:120])
        machine.ok(again, user=USER)
        wait_for(lambda: board(machine, "/healthz"), "the screens", 120)
    return f"{reading_comes(machine, 18.3)}; said: {' | '.join(said)}"


def version(machine: Booted) -> str:
    return machine.ok(VERSION).strip()


def upgrade(machine: Booted, old: str, guide: list[str]) -> str:
    """From an older commit to this one by the guide's lines, and back; readings stay."""
    up = next(line for line in guide if "upgrade.sh" in line)
    back = next(line for line in guide if "way-back.sh" in line)
    new = version(machine)
    _put(machine, old, OLDER)
    machine.ok(up, user=USER)
    ensure(version(machine).endswith(OLDER), f"after going to the older one: {version(machine)}")
    reading_comes(machine, 17.1)
    count = stored(machine)
    _put(machine, "HEAD", "")
    machine.ok(up, user=USER)
    ensure(version(machine) == new, f"after the upgrade: {version(machine)}")
    ensure(stored(machine) == count, "the upgrade lost readings")
    step_four(machine, guide)
    reading_comes(machine, 17.2)
    machine.ok(back, user=USER)
    ensure(version(machine).endswith(OLDER), f"after the way back: {version(machine)}")
    ensure(stored(machine) == count, "the way back has other readings than before the upgrade")
    reading_comes(machine, 17.3)
    machine.ok(up, user=USER)
    return f"{OLDER} ({old}) to {version(machine)} and back; stopped for {_stopped(machine)}"


def step_four(machine: Booted, guide: list[str]) -> None:
    """The two commands of the guide's step 4 again, with the node that came later."""
    install = next(line for line in guide if "envmon install" in line)
    machine.ok(f"{install} --node {NODE}=my_shop/{NODE}", user=USER)
    machine.ok(next(line for line in guide if "put-in-place" in line), user=USER)


def _stopped(machine: Booted) -> str:
    """Return how long envmon was away the last time, from its stop to its screens."""
    fields = ("InactiveEnterTimestampMonotonic", "ActiveEnterTimestampMonotonic")
    began, ended = (int(shows(machine, "envmon", field)) for field in fields)
    return f"{(ended - began) / 1e6:.0f} s"


def bad_upgrade(machine: Booted, guide: list[str]) -> str:
    """A version that does not start: the one that was comes back by itself, with its readings."""
    up = next(line for line in guide if "upgrade.sh" in line)
    new, count = version(machine), stored(machine)
    source = _put(machine, "HEAD", "9.9.9")
    entry = source / "envmon/cli.py"
    text = entry.read_text(encoding="utf-8")
    broken = 'import sys\n\nif "run" in sys.argv:\n    raise SystemExit(3)\n'
    mark = "from __future__ import annotations\n"
    entry.write_text(text.replace(mark, f"{mark}{broken}", 1), encoding="utf-8")
    said = machine.run(up, user=USER)
    ensure(said.code == 1 and "going back" in said.text, f"{said.code}: {said.text[-300:]}")
    ensure(version(machine) == new and stored(machine) == count, "it is not as before")
    return f"{said.text.strip().splitlines()[-1][:100]}; {reading_comes(machine, 17.4)}"


def _put(machine: Booted, commit: str, as_version: str) -> Path:
    folder = machine.tree / f"home/{USER}/envmon/new-version"
    shutil.rmtree(folder, ignore_errors=True)
    lay_out(commit, folder)
    if as_version:
        project = folder / "pyproject.toml"
        lines = project.read_text(encoding="utf-8").split("\n")
        at = next(n for n, line in enumerate(lines) if line.startswith("version = "))
        lines[at] = f'version = "{as_version}"'
        project.write_text("\n".join(lines), encoding="utf-8")
    return folder
