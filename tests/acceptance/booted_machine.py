"""A bare Debian 12 that is booted: systemd as its first process, one cable to the outside.

The machine is booted by systemd-nspawn in namespaces of its own, so nothing of this machine is
changed. The end of its cable here stands for a phone or a node in the shop.
"""

from __future__ import annotations

import os
import signal
import subprocess
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from tests.acceptance.booted_tree import (
    FOLDER,
    HERE,
    NAME,
    THERE,
    USER,
    FailedError,
    Said,
    told,
    wait_for,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

BOOT = """\
set -eu
mount --make-rprivate /
umount -R /sys/fs/cgroup 2>/dev/null || true
mount -t cgroup2 none /sys/fs/cgroup
mkdir -p /sys/fs/cgroup/envmon-booted
echo $$ >/sys/fs/cgroup/envmon-booted/cgroup.procs
mount --bind "$1.hosts" /etc/hosts
ip link set lo up
code=133
while [ $code = 133 ]; do  # 133: it is to be started anew
    code=0
    systemd-nspawn --quiet -D "$1" -M "$2" --register=no --keep-unit --network-veth \
        --bind=/dev/tty0 --bind=/dev/tty1 --console=pipe -b || code=$?
done
"""


class Booted:
    """The machine while it runs.

    Args:
        tree: Its files.
        process: What boots it, again where it is started anew.
    """

    def __init__(self, tree: Path, process: subprocess.Popen[bytes]) -> None:
        self.tree = tree
        self._process = process

    def up(self) -> None:
        """Plug the cable in, and wait until all of the machine's services have come up."""
        cable = f"ve-{NAME}"
        wait_for(lambda: not self._net(f"ip link set {cable} up").code, "the cable", 60)
        if HERE not in self._net(f"ip addr show {cable}").text:
            self._net(f"ip addr add {HERE}/24 dev {cable}")
        wait_for(lambda: self.run("true").code == 0, "the machine", 120)
        self.run("systemctl is-system-running --wait", seconds=300)

    def run(
        self, command: str, typed: str = "", *, user: str = "root", seconds: float = 900
    ) -> Said:
        """Run a command in the machine; a person's in the folder of envmon's source."""
        leader = self._leader()
        if leader is None:
            return Said(255, "the machine is down")
        where = FOLDER if user == USER else "/"
        settings = {
            "User": user,
            "WorkingDirectory": where,
            "Environment": "LANG=C.UTF-8 DEBIAN_FRONTEND=noninteractive",
        }
        options = [f"--property={key}={value}" for key, value in settings.items()]
        enter = ["nsenter", "--target", str(leader), "--all", "--", "/usr/bin/systemd-run"]
        argv = [*enter, "--quiet", "--pipe", "--wait", "--collect", *options, "sh", "-c", command]
        return told(argv, typed, seconds)

    def ok(self, command: str, typed: str = "", *, user: str = "root") -> str:
        """Run a command in the machine that must succeed; return what it said."""
        said = self.run(command, typed, user=user)
        if said.code:
            raise FailedError(f"{command[:160]} ended with {said.code}: {said.text[-700:]}")
        return said.text

    def outside(self, command: str) -> Said:
        """Run a command at the other end of the cable, as from a phone or a node."""
        return self._net(command)

    def reboot(self) -> None:
        """Start the machine anew; return when it is up again."""
        before = self._leader()
        self.run("systemctl reboot --no-block")
        wait_for(lambda: self._leader() not in {None, before}, "the start anew", 180)
        self.up()

    def _net(self, command: str) -> Said:
        enter = ["nsenter", "--target", str(self._process.pid), "--mount", "--net", "--"]
        return told([*enter, "sh", "-c", command])

    def _leader(self) -> int | None:
        holder = self.holder()
        return None if holder is None else child_of(holder, "systemd")

    def holder(self) -> int | None:
        """Return the systemd-nspawn that holds the machine at this moment."""
        if self._process.poll() is not None:
            raise FailedError("the machine has ended")
        return child_of(self._process.pid, "systemd-nspawn")


def child_of(parent: int, name: str) -> int | None:
    """Return a process's child of a name."""
    try:
        pids = Path(f"/proc/{parent}/task/{parent}/children").read_text(encoding="utf-8").split()
        for pid in pids:
            # The kernel keeps 15 characters of a name.
            if Path(f"/proc/{pid}/comm").read_text(encoding="utf-8").strip() == name[:15]:
                return int(pid)
    except OSError:
        return None
    return None


@contextmanager
def booted(tree: Path) -> Iterator[Booted]:
    """Boot a tree; the machine is shut down at the end."""
    hosts = f"127.0.0.1 localhost\n{THERE} {NAME}.local\n"
    Path(f"{tree}.hosts").write_text(hosts, encoding="utf-8")
    with Path(f"{tree}.console").open("wb") as console:
        process = subprocess.Popen(
            ["unshare", "--mount", "--net", "sh", "-c", BOOT, "boot", str(tree), NAME],
            stdin=subprocess.DEVNULL, stdout=console, stderr=console, start_new_session=True,
        )  # fmt: skip
        machine = Booted(tree, process)
        try:
            machine.up()
            yield machine
        finally:
            _shut_down(process)


def _shut_down(process: subprocess.Popen[bytes]) -> None:
    holder = child_of(process.pid, "systemd-nspawn")
    if holder is not None:
        os.kill(holder, signal.SIGTERM)
    try:
        process.wait(120)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(30)
