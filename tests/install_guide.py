"""The guide of the README as commands, moved from a whole machine below a trial's folder."""

from __future__ import annotations

import getpass
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from tests.install_support import Trial

PROJECT = Path(__file__).parent.parent
HEADING = "## In the field: from box to wall in an evening"
_FENCE = re.compile(r"```sh\n(.*?)```", re.DOTALL)


class Step(NamedTuple):
    """A command of the guide.

    Attributes:
        shown: As the guide has it.
        run: The same on the trial machine; empty when it is not for a trial.
    """

    shown: str
    run: str


def guide_text() -> str:
    """Return the guide; of a draft where the environment names one."""
    file = Path(os.environ.get("ENVMON_GUIDE", PROJECT / "README.md"))
    _, found, rest = file.read_text(encoding="utf-8").partition(HEADING)
    return re.split(r"(?m)^## ", rest)[0] if found else ""


def commands(text: str) -> list[str]:
    """Return the guide's commands, one after the other."""
    lines = [line for block in _FENCE.findall(text) for line in block.strip().splitlines()]
    return [line for line in lines if line]


def steps(machine: Trial, venv: Path = Path(sys.prefix)) -> list[Step]:
    """Return the guide's steps for a trial machine.

    Args:
        machine: Where they are to go.
        venv: The environment that stands for ``/opt/envmon``.
    """
    return [Step(line, _moved(line, machine, venv)) for line in commands(guide_text())]


def _moved(line: str, machine: Trial, venv: Path) -> str:
    plain = re.sub(r"\bsudo (-u envmon )?", "", line)
    if re.match(r"(apt-get|systemctl) ", plain):
        return ""
    for place in ("/etc/envmon", "/var/lib/envmon", "/usr/local/lib/envmon", "/etc/envmon-node"):
        plain = re.sub(rf"(?<![\w/.]){place}(?=[/\s]|$)", f"{machine.root}{place}", plain)
    plain = plain.replace("-o envmon-node ", "").replace("/opt/envmon", str(venv))
    plain = plain.replace("workshop.local", "localhost").replace("8883", str(machine.tls_port))
    if " install " in plain and "--out" in plain:
        plain += f" --root {machine.root} --user {getpass.getuser()} --tls-port {machine.tls_port}"
    return plain


def do(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a command in a shell as a person would, who presses Enter at every question.

    Only a PIN is typed.
    """
    typed = ("271828\n" if " people " in command else "\n") * 20
    return subprocess.run(
        command, shell=True, cwd=folder, input=typed, capture_output=True, text=True, check=False,
        timeout=900,
    )  # fmt: skip
