"""The tree of files of a bare Debian 12, made by debootstrap, that `booted_machine.py` boots.

Its packages, and those of pip, are fetched beforehand: the booted machine reaches nothing outside.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

PROJECT = Path(__file__).parents[2]
TOOLS = {
    "debootstrap": "debootstrap", "systemd-nspawn": "systemd-container", "nsenter": "util-linux",
    "unshare": "util-linux", "ip": "iproute2", "mosquitto_pub": "mosquitto-clients",
    "openssl": "openssl", "curl": "curl",
}  # fmt: skip
SUITE = "bookworm"
# What Debian's installer puts on every machine, as far as the guide leans on it.
BASE = (
    "systemd", "systemd-sysv", "dbus", "udev", "libpam-systemd", "python3", "sudo", "procps",
    "iproute2", "ca-certificates", "logrotate",
)  # fmt: skip
# The screen of the trial, and what looks at it.
SCREEN = ("xvfb", "xdotool", "imagemagick")
HERE, THERE = "192.168.77.1", "192.168.77.2"
NAME = "workshop"
USER = "ada"
FOLDER = f"/home/{USER}/envmon"
NETWORK = f"[Match]\nName=host0\n[Network]\nAddress={THERE}/24\nLinkLocalAddressing=no\n"


class FailedError(Exception):
    """A step did not do what it must."""


class Said(NamedTuple):
    """How a command ended and what it said, both streams in one."""

    code: int
    text: str


def lacking() -> list[str]:
    """Return what this machine lacks for such a machine, in words."""
    lacks = [f"{tool} (apt-get install {TOOLS[tool]})" for tool in TOOLS if not shutil.which(tool)]
    if os.geteuid() != 0:
        lacks.append("the rights of root")
    if sys.version_info[:2] != (3, 11):
        lacks.append("Python 3.11, as Debian 12 has it, to fetch packages for it")
    if "cgroup2" not in Path("/proc/filesystems").read_text(encoding="utf-8"):
        lacks.append("a kernel with cgroup2")
    return lacks


def wait_for(condition: Callable[[], Any], what: str, seconds: float = 120) -> Any:
    """Return what the condition gives as soon as it holds."""
    deadline = time.monotonic() + seconds
    while not (got := condition()):
        if time.monotonic() > deadline:
            raise FailedError(f"waited {seconds:.0f} s in vain for {what}")
        time.sleep(0.3)
    return got


def told(argv: list[str], typed: str = "", seconds: float = 600) -> Said:
    """Run a command on this machine."""
    ran = subprocess.run(
        argv, input=typed, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        check=False, timeout=seconds, errors="replace",
    )  # fmt: skip
    return Said(ran.returncode, ran.stdout)


def must(argv: list[str]) -> str:
    """Run a command on this machine that must succeed."""
    said = told(argv, seconds=1800)
    if said.code:
        raise FailedError(f"{' '.join(argv)[:120]} ended with {said.code}: {said.text[-600:]}")
    return said.text


def sources() -> dict[str, str]:
    """Return from where this machine has its Debian, by suite; the trial takes it from there."""
    form = "$(CODENAME) $(REPO_URI)"
    debian = ["Created-By: Packages", "Origin: Debian", "Component: main"]
    listed = must(["apt-get", "indextargets", "--format", form, *debian]).splitlines()
    found: dict[str, str] = dict(line.split() for line in listed)
    if SUITE not in found:
        raise FailedError(
            f"apt knows no {SUITE} of Debian here, only: {', '.join(found) or 'none'}"
        )
    return {suite: place for suite, place in found.items() if suite.startswith(SUITE)}


def make_base(base: Path, guide: list[str]) -> None:
    """Make the tree once: Debian, and the packages of the guide fetched but not installed."""
    if (base / "srv/ready").exists():
        return
    shutil.rmtree(base, ignore_errors=True)
    base.parent.mkdir(parents=True, exist_ok=True)
    must(
        [
            "debootstrap",
            "--variant=minbase",
            f"--include={','.join(BASE)}",
            SUITE,
            str(base),
            sources()[SUITE],
        ]
    )
    furnish(base, guide)


def furnish(base: Path, guide: list[str]) -> None:
    """Fetch the guide's packages, and lay down a person, a name and a cable."""
    lines = "".join(f"deb {place} {suite} main\n" for suite, place in sources().items())
    (base / "etc/apt/sources.list").write_text(lines, encoding="utf-8")
    must(["chroot", str(base), "apt-get", "update", "-qq"])
    for line in (*guide, f"apt-get install -y --no-install-recommends {' '.join(SCREEN)}"):
        words = line.replace("install", "install --download-only", 1).split()
        must(["chroot", str(base), *words])
    must(["chroot", str(base), "useradd", "-m", "-s", "/bin/bash", "-G", "sudo", USER])
    files = {
        f"etc/sudoers.d/{USER}": f"{USER} ALL=(ALL) NOPASSWD: ALL\n",
        "etc/hostname": f"{NAME}\n",
        "etc/hosts": f"127.0.0.1 localhost\n127.0.1.1 {NAME}\n",
        "etc/systemd/network/10-cable.network": NETWORK,
        "etc/pip.conf": "[global]\nno-index = true\nfind-links = /srv/wheels\n",
    }
    for path, text in files.items():
        (base / path).parent.mkdir(parents=True, exist_ok=True)
        (base / path).write_text(text, encoding="utf-8")
    must(["chroot", str(base), "systemctl", "enable", "systemd-networkd"])
    (base / "srv/ready").touch()


def fetch_wheels(folder: Path) -> None:
    """Fetch what pip will want on the machine: the pinned packages and what builds envmon."""
    folder.mkdir(parents=True, exist_ok=True)
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    pins = ["-c", str(PROJECT / ".ci/constraints.txt"), f"{PROJECT}[node]"]
    must([*pip, "wheel", "-w", str(folder), *pins])
    must([*pip, "download", "-d", str(folder), "hatchling>=1.25"])
    for own in folder.glob("envmon-*.whl"):
        own.unlink()


def lay_out(commit: str, folder: Path) -> None:
    """Lay out what git has of a commit."""
    folder.mkdir(parents=True, exist_ok=True)
    archive = subprocess.run(
        ["git", "-C", str(PROJECT), "archive", commit], stdout=subprocess.PIPE, check=True
    )
    subprocess.run(["tar", "-x", "-C", str(folder)], input=archive.stdout, check=True)
