"""upgrade.sh from its first line to its last: pip installs a version, which runs from its place.

The version is a small project that builds itself (PEP 517, a backend in its own tree), so that
nothing is fetched; the whole of envmon goes up in `tests/acceptance/install_booted.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.install_support import Trial, trial
from tests.test_install_backup import installed
from tests.test_install_newer import fill

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator
    from pathlib import Path

PROJECT = """\
[build-system]
requires = []
build-backend = "builds"
backend-path = ["."]

[project]
name = "envmon"
version = "99.0"
"""
BUILDS = """\
import zipfile

FILES = {
    "envmon_new.py": "import sys\\ndef main():\\n    print(sys.prefix, *sys.argv[1:])\\n",
    "envmon-99.0.dist-info/METADATA": "Metadata-Version: 2.1\\nName: envmon\\nVersion: 99.0\\nProvides-Extra: node\\n",
    "envmon-99.0.dist-info/WHEEL": "Wheel-Version: 1.0\\nRoot-Is-Purelib: true\\nTag: py3-none-any\\n",
    "envmon-99.0.dist-info/entry_points.txt": "[console_scripts]\\nenvmon = envmon_new:main\\n",
    "envmon-99.0.dist-info/RECORD": "",
}


def build_wheel(folder, config_settings=None, metadata_directory=None):
    name = "envmon-99.0-py3-none-any.whl"
    with zipfile.ZipFile(f"{folder}/{name}", "w") as wheel:
        for path, text in FILES.items():
            wheel.writestr(path, text)
    return name
"""  # noqa: E501 - lines of a wheel's files
LEFT = {"envmon", "envmon.before"}


@pytest.fixture
def machine() -> Iterator[Trial]:
    with trial() as made:
        made.make()
        made.put()
        fill(made.data)
        installed(made.root / "opt/envmon", "old")
        installed(made.root / "opt/envmon.before", "older yet")
        yield made


def version(folder: Path) -> str:
    """Lay out a version whose envmon says where it runs."""
    (folder / ".ci").mkdir(parents=True)
    (folder / ".ci/constraints.txt").touch()
    (folder / "pyproject.toml").write_text(PROJECT, encoding="utf-8")
    (folder / "builds.py").write_text(BUILDS, encoding="utf-8")
    return str(folder)


def upgraded(machine: Trial, new: str, start: str) -> subprocess.CompletedProcess[str]:
    return machine.run(
        "upgrade.sh", new, VENV=str(machine.root / "opt/envmon"), START=start,
        STOP=f"touch {machine.root}/stopped", PIP_NO_INDEX="1",
    )  # fmt: skip


def test_new_version_runs_from_the_old_ones_place(machine: Trial, tmp_path: Path) -> None:
    venv = machine.root / "opt/envmon"
    done = upgraded(machine, version(tmp_path / "new"), f"{venv}/bin/envmon run")
    assert done.returncode == 0, done.stderr
    assert f"{venv} run" in done.stdout
    assert {path.name for path in venv.parent.iterdir()} == LEFT
    assert f"{venv}.next" not in (venv / "bin/envmon").read_text(encoding="utf-8")
    assert (machine.root / "opt/envmon.before/version").read_text(encoding="utf-8") == "old"
    assert (machine.backups / "before-upgrade/data/live.sqlite3").is_file()


def test_version_that_does_not_start_gives_way_to_the_old_one(
    machine: Trial, tmp_path: Path
) -> None:
    venv = machine.root / "opt/envmon"
    start = f"test -f {venv}/version"  # only the old one has it
    done = upgraded(machine, version(tmp_path / "new"), start)
    assert (done.returncode, "going back" in done.stderr) == (1, True), done.stderr
    assert (venv / "version").read_text(encoding="utf-8") == "old"
