"""The versions that were tested together, as pip takes them with ``-c``.

    .venv/bin/python tests/acceptance/install_pins.py > .ci/constraints.txt

prints what is installed here of all that envmon needs, its tests and benchmarks included. Ranges
stay in pyproject.toml: they say what the library works with, the pins what an install gets.
"""

from __future__ import annotations

import sys
import tomllib
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PROJECT = "envmon"
PROJECT_FILE = Path(__file__).parents[2] / "pyproject.toml"
EXTRAS = ("test", "node", "bench")


def needed(extras: tuple[str, ...] = EXTRAS) -> dict[str, str]:
    """Return name and version of every installed package that envmon needs, also by others.

    Args:
        extras: Optional parts of envmon to count in.
    """
    found: dict[str, str] = {}
    waiting: list[tuple[str, tuple[str, ...]]] = [(PROJECT, extras)]
    seen: set[tuple[str, tuple[str, ...]]] = set()
    while waiting:
        name, wanted = waiting.pop()
        if (name, wanted) in seen:
            continue
        seen.add((name, wanted))
        for requirement in _requirements(name, wanted):
            plain = canonicalize_name(requirement.name)
            waiting.append((plain, tuple(sorted(requirement.extras))))
            if plain != PROJECT:
                found[plain] = metadata.version(plain)
    return dict(sorted(found.items()))


def _texts(name: str, extras: tuple[str, ...]) -> list[str]:
    """Return what a package says it needs; envmon says it in its project file."""
    if name != PROJECT:
        return metadata.requires(name) or []
    project = tomllib.loads(PROJECT_FILE.read_text(encoding="utf-8"))["project"]
    optional = project["optional-dependencies"]
    return [*project["dependencies"], *(text for extra in extras for text in optional[extra])]


def _requirements(name: str, extras: tuple[str, ...]) -> list[Requirement]:
    """Return what a package needs on this machine."""
    every = [Requirement(text) for text in _texts(name, extras)]
    return [
        requirement
        for requirement in every
        if requirement.marker is None
        or any(requirement.marker.evaluate({"extra": extra}) for extra in ("", *extras))
    ]


def main() -> int:
    """Print the pins."""
    print("# Versions that were tested together; made by tests/acceptance/install_pins.py.")
    for name, version in needed().items():
        print(f"{name}=={version}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
