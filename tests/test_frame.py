"""The frame holds: rooms, types, style, and papers that say what is true."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml",
    "envmon", "dashboards", "tests", "fixtures", "sensors",
}  # fmt: skip
TOOLS = {
    "ruff check": ["ruff", "check", "."],
    "ruff format": ["ruff", "format", "--check", "."],
    "mypy --strict": ["mypy"],
}


def tracked() -> list[str]:
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, check=True, capture_output=True, text=True,
    )  # fmt: skip
    return listed.stdout.splitlines()


@pytest.mark.parametrize("name", TOOLS)
@pytest.mark.timeout(600)
def test_tool_is_clean(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *TOOLS[name]], cwd=ROOT, capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stdout + done.stderr


def test_rooms_import_only_backwards_along_the_flow() -> None:
    lint = Path(sys.executable).parent / "lint-imports"
    done = subprocess.run([lint], cwd=ROOT, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


def test_top_level_is_what_the_design_lists() -> None:
    names = {path.split("/")[0] for path in tracked()}

    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_ci_runs_the_very_command_the_readme_names() -> None:
    script = (ROOT / ".ci/run").read_text().splitlines()[-1]

    assert f"\n{script}\n" in (ROOT / "README.md").read_text()


def test_readme_names_every_command() -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "envmon.cli", "--help"],
        capture_output=True, text=True, check=True, env={"COLUMNS": "200", "NO_COLOR": "1"},
    )  # fmt: skip
    commands = re.findall(r"^[│ ]*([a-z]+)  +\S", shown.stdout, flags=re.MULTILINE)
    readme = (ROOT / "README.md").read_text()

    assert {"demo", "run", "check", "air", "now", "schema"} <= set(commands)
    assert [c for c in commands if f"envmon {c}" not in readme] == []


def test_every_dependency_has_a_lower_bound() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    groups = [project["dependencies"], *project["optional-dependencies"].values()]

    assert [d for group in groups for d in group if not re.search(r">=\d", d)] == []


def test_pictures_of_the_readme_are_there() -> None:
    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", (ROOT / "README.md").read_text())

    assert len(pictures) >= 2
    assert [p for p in pictures if not (ROOT / p).is_file()] == []


def test_a_test_cannot_reach_the_outside_network() -> None:
    with socket.socket() as outside, pytest.raises(RuntimeError, match="only loopback"):
        outside.connect(("192.0.2.1", 9))  # an address of documentation, RFC 5737
