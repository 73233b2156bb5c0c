"""What an install gets: a version for every package, within the ranges, under allowed licences.

Names and versions by PEP 503 and PEP 440 as the library packaging reads them, licences by SPDX.
"""

from __future__ import annotations

import re
import tomllib
from itertools import chain
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.acceptance.install_licences import (
    LIBRARY,
    PERMISSIVE,
    allowed,
    licence_of,
    not_allowed,
)
from tests.acceptance.install_pins import needed

PROJECT = Path(__file__).parent.parent
LINE = re.compile(r"^[a-z0-9][a-z0-9-]*==[0-9][0-9a-z.+]*$")


def pins() -> dict[str, str]:
    lines = (PROJECT / ".ci/constraints.txt").read_text(encoding="utf-8").splitlines()
    return dict(line.split("==") for line in lines if not line.startswith("#"))


def test_every_package_that_is_needed_is_pinned() -> None:
    lacking = set(needed()) - set(pins())
    assert not lacking, (
        "run: .venv/bin/python tests/acceptance/install_pins.py > .ci/constraints.txt"
    )


def test_pins_are_plain_versions() -> None:
    lines = (PROJECT / ".ci/constraints.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines[1:] if not LINE.match(line)] == []


def test_pins_lie_within_the_ranges() -> None:
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    ranges = [*project["dependencies"], *chain(*project["optional-dependencies"].values())]
    pinned = pins()
    for requirement in map(Requirement, ranges):
        version = pinned[canonicalize_name(requirement.name)]
        assert requirement.specifier.contains(version), (requirement, version)


def test_setup_takes_the_pins() -> None:
    setup = (PROJECT / ".ci/setup").read_text(encoding="utf-8")
    assert "-c .ci/constraints.txt" in setup


def test_licences_are_allowed() -> None:
    assert not_allowed() == []


@pytest.mark.parametrize(
    ("name", "licence"),
    [("cryptography", "Apache-2.0 OR BSD-3-Clause"), ("weasyprint", "BSD"), ("certifi", "MPL-2.0"),
     ("pyphen", "GPL-2.0-or-later OR LGPL-2.0-or-later OR MPL-1.1")],
)  # fmt: skip
def test_licence_is_read_from_what_a_package_says(name: str, licence: str) -> None:
    assert licence_of(name) == licence


@pytest.mark.parametrize(
    ("expression", "good"),
    [
        ("MIT", True),
        ("GPL-3.0", False),
        ("GPL-3.0 OR MIT", True),
        ("GPL-3.0 AND MIT", False),
        ("BSD-3-Clause AND (MIT)", True),
        ("AGPL-3.0-only", False),
        ("", False),
    ],
)
def test_what_is_allowed(expression: str, *, good: bool) -> None:
    assert allowed(expression, PERMISSIVE | LIBRARY) is good
