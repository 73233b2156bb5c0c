"""What a booted machine must do after the guide: each check returns what was seen, or fails."""

from __future__ import annotations

import json
import re
import time
from typing import TYPE_CHECKING, Any

from tests.acceptance.booted_tree import NAME, FailedError, wait_for

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.acceptance.booted_machine import Booted

SERVICES = {"envmon": "envmon", "mosquitto": "mosquitto", "envmon-node": "envmon-node"}
TIMERS = ("envmon-backup.timer", "envmon-certificates.timer")
# systemd-analyze security: 0 is shut in, 10 is open; measured, and held.
EXPOSURE = {
    "envmon": 1.6, "envmon-backup": 1.0, "envmon-certificates": 3.0, "envmon-node": 2.0,
    "envmon-wall": 5.5, "mosquitto": 5.5,
}  # fmt: skip
PROCESSES = ("watch_process", "keeper_process", "outlook.process", "envmon_boards", "envmon run")
ARE_UP = f"systemctl is-active {' '.join(SERVICES)} {' '.join(TIMERS)}"
NODE = "north"
DATA = "/var/lib/envmon"
CA = "/usr/local/lib/envmon/ca.pem"


def ensure(holds: object, what: str) -> None:
    if not holds:
        raise FailedError(what)


def shows(machine: Booted, unit: str, field: str) -> str:
    """Return what systemd says of a unit."""
    return machine.ok(f"systemctl show {unit} --property={field} --value").strip()


def pid_of(machine: Booted, what: str, user: str = "envmon") -> str:
    """Return a process by what stands in its command line; empty where there is none."""
    return machine.run(f"pgrep -o -u {user} -f -- '{what}'").text.strip()


def process(machine: Booted, what: str, user: str = "envmon", other_than: str = "") -> str:
    """Return a process when it is there, another one than that which was."""

    def found() -> str:
        pid = pid_of(machine, what, user)
        return "" if pid == other_than else pid

    return str(wait_for(found, what, 60))


def stored(machine: Booted) -> int:
    """Return how many readings the store holds."""
    ask = (
        f"import sqlite3; c = sqlite3.connect('file:{DATA}/live.sqlite3?mode=ro', uri=True); "
        "print(c.execute('SELECT count(*) FROM reading').fetchone()[0])"
    )
    return int(machine.ok(f'python3 -c "{ask}"'))


def send(machine: Booted, value: float) -> None:
    """Say a reading as a node at the other end of the cable, by its password over TLS."""
    files = f"{machine.tree}/home/ada/envmon/envmon-files/nodes/{NODE}"
    when = f"{time.time():.3f}"
    body = json.dumps([
        {"n": "t", "u": "Cel", "v": value, "t": float(when)},
        {"n": "rh", "u": "%RH", "v": 44, "t": float(when)},
    ])  # fmt: skip
    said = machine.outside(
        f"mosquitto_pub -h {NAME}.local -p 8883 --cafile {files}/ca.pem -u {NODE} "
        f"-P \"$(cat {files}/password)\" -q 1 -t my_shop/{NODE}/air -m '{body}'"
    )
    ensure(said.code == 0, f"the node could not speak: {said.text}")


def board(machine: Booted, path: str) -> Any:
    """Return a JSON answer of the boards on the machine itself; None while there is none."""
    said = machine.run(f"curl -s --fail --cacert {CA} https://127.0.0.1:8050{path}")
    return json.loads(said.text) if said.code == 0 else None


def reading_comes(machine: Booted, value: float) -> str:
    """Send a reading; return when the store has it and the screens show it."""
    wait_for(lambda: machine.run(ARE_UP).code == 0, "broker and services", 120)
    before = stored(machine)
    send(machine, value)
    wait_for(lambda: stored(machine) == before + 2, "the reading in the store", 60)
    wait_for(lambda: str(value) in json.dumps(board(machine, "/api/v1/bays")), "it on the wall", 60)
    return f"{before} readings, then {before + 2}"


def services(machine: Booted) -> str:
    """All services are up, each as its own user, and nothing has failed."""
    wait_for(lambda: machine.run(ARE_UP).code == 0, "the services", 120)
    for unit, user in SERVICES.items():
        owner = machine.ok(f"ps -o user:32= -p {shows(machine, unit, 'MainPID')}").strip()
        ensure(owner == user, f"{unit} runs as {owner}")
    failed = machine.ok("systemctl --failed --no-legend --plain").strip()
    ensure(not failed, f"failed: {failed}")
    return machine.ok("systemctl is-system-running").strip()


def shut_in(machine: Booted) -> str:
    """The processes are held as the unit says; a write to the machine's own files is refused."""
    for what in PROCESSES:
        status = machine.ok(f"cat /proc/{process(machine, what)}/status")
        for line in (r"CapEff:\s+0+$", r"CapBnd:\s+0+$", r"NoNewPrivs:\s+1$", r"Seccomp:\s+2$"):
            ensure(re.search(f"(?m)^{line}", status), f"{what}: {line} does not hold")
    main = shows(machine, "envmon", "MainPID")
    as_envmon = "setpriv --reuid=envmon --regid=envmon --clear-groups"
    touch = f"nsenter --target {main} --mount {as_envmon} touch"
    for folder, code in (
        ("/usr/local", 1),
        ("/etc", 1),
        ("/home", 1),
        (DATA, 0),
        ("/etc/envmon", 0),
    ):
        ran = machine.run(f"{touch} {folder}/trial && rm -f {folder}/trial")
        ensure((ran.code != 0) == bool(code), f"writing to {folder}: {ran.text}")
    return "no capabilities, no new rights, system calls filtered"


def exposure(machine: Booted) -> str:
    """systemd's own figure for each unit is not above what was measured."""
    said = []
    for unit, most in EXPOSURE.items():
        text = machine.run(f"systemd-analyze security --no-pager {unit} | tail -1").text
        found = re.search(r": ([\d.]+) ", text)
        ensure(found, f"no figure for {unit}: {text}")
        assert found is not None
        said.append(f"{unit} {found[1]}")
        ensure(float(found[1]) <= most, f"{unit} is at {found[1]}, above {most}")
    return ", ".join(said)


def strangers(machine: Booted) -> str:
    """From outside: a log-in page over https, nothing at the plain port, no topic of another."""
    ca = f"{machine.tree}{CA}"
    ask = f"curl -s -i --cacert {ca} https://{NAME}.local:8050/"
    page = wait_for(lambda: machine.outside(ask).text, "the screens from outside", 60)
    ensure(re.match(r"HTTP/1.1 303 ", page) and "/login" in page, f"no log-in page: {page[:200]}")
    ensure(machine.outside(f"mosquitto_pub -h {NAME}.local -p 1883 -t a -m b").code, "1883 is open")
    bare = f"mosquitto_pub -h {NAME}.local -p 8883 --cafile {ca} -t a -m b"
    ensure(machine.outside(bare).code, "a node without a password was let in")
    return "log-in asked for; broker shut"


def watchdog_pings(machine: Booted) -> str:
    """Both services tell systemd again and again that they are alive."""
    for unit in ("envmon", "envmon-node"):
        pinged(machine, unit)
    return f"limit {shows(machine, 'envmon', 'WatchdogUSec')}"


def pinged(machine: Booted, unit: str) -> None:
    """Return when a unit has said once more that it is alive."""
    field = "WatchdogTimestampMonotonic"
    first = shows(machine, unit, field)
    wait_for(lambda: shows(machine, unit, field) != first, f"a ping of {unit}", 61)


def killed(machine: Booted) -> Iterator[tuple[str, str]]:
    """Kill each process with SIGKILL; each comes back. Yields its name and how long it took."""
    whom = [(what, "envmon") for what in PROCESSES]
    for what, user in (*whom, ("/usr/sbin/mosquitto", "mosquitto"), ("envmon-node", "envmon-node")):
        before = process(machine, what, user)
        machine.ok(f"kill -KILL {before}")
        began = time.monotonic()
        process(machine, what, user, other_than=before)
        wait_for(lambda: machine.run(ARE_UP).code == 0, "the services", 120)
        wait_for(lambda: board(machine, "/healthz"), "the screens", 120)
        yield what, f"back after {time.monotonic() - began:.1f} s"


def hung(machine: Booted) -> str:
    """A watch that makes no turns is noticed by systemd's watchdog, and all is started again."""
    before = shows(machine, "envmon", "MainPID")
    machine.ok(f"kill -STOP {pid_of(machine, 'watch_process')}")
    began = time.monotonic()
    wait_for(lambda: shows(machine, "envmon", "MainPID") not in {"0", before}, "the watchdog", 240)
    wait_for(lambda: board(machine, "/healthz"), "the screens", 120)
    return f"{time.monotonic() - began:.0f} s, {reading_comes(machine, 19.6)}"


def stop_and_start(machine: Booted) -> str:
    """systemctl stop, start and restart, each ended without a fault and nothing left over."""
    machine.ok("systemctl stop envmon")
    ensure(shows(machine, "envmon", "Result") == "success", "stopping ended with a fault")
    ensure(not machine.run("pgrep -u envmon").text.strip(), "a process is left over")
    machine.ok("systemctl start envmon")
    machine.ok("systemctl restart envmon")
    return reading_comes(machine, 19.7)


def backup(machine: Booted) -> str:
    """The service of the nightly backup; its copy is whole and holds what the store holds."""
    machine.ok("systemctl start envmon-backup.service")
    newest = machine.ok("ls -d /var/backups/envmon/2* | tail -1").strip()
    ask = (
        f"import sqlite3; c = sqlite3.connect('{newest}/data/live.sqlite3'); "
        "print(c.execute('PRAGMA integrity_check').fetchone()[0], "
        "c.execute('SELECT count(*) FROM reading').fetchone()[0])"
    )
    said = machine.ok(f'python3 -c "{ask}"').split()
    ensure(said == ["ok", str(stored(machine))], f"the copy says {said}")
    names = machine.ok(f"tar -tf {newest}/settings.tar")
    for name in ("shop.toml", "people.toml", "tls/ca.key", "broker_password"):
        ensure(f"./{name}" in names, f"{name} is not in it")
    return f"{newest}, {said[1]} readings"


def logs(machine: Booted) -> str:
    """The journal has its limit, and Debian's logrotate leaves the broker at work."""
    limits = machine.ok("systemd-analyze cat-config systemd/journald.conf")
    ensure("SystemMaxUse=200M" in limits, "the journal has no limit of ours")
    machine.ok("logrotate --force /etc/logrotate.conf")
    ensure(machine.run(ARE_UP).code == 0, "a service fell with its log")
    return machine.ok("journalctl --disk-usage").strip()


def certificate(machine: Booted) -> str:
    """A certificate that is due is renewed; broker and screens both hold out the new one."""
    machine.ok(
        "sudo -u envmon /opt/envmon/bin/envmon certificates /etc/envmon/shop.toml --renew --days 30"
    )
    machine.ok("systemctl start envmon-certificates.service")
    wait_for(lambda: board(machine, "/healthz"), "the screens", 120)
    seen = set()
    for port in (8883, 8050):
        ca = f"{machine.tree}{CA}"
        ask = f"echo | openssl s_client -connect {NAME}.local:{port} -CAfile {ca} 2>/dev/null"
        seen.add(machine.outside(f"{ask} | openssl x509 -noout -enddate").text.strip())
    ensure(len(seen) == 1, f"they differ: {seen}")
    return seen.pop()
