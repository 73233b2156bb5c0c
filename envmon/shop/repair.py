"""Looks past a fault: a misspelled key is named, then read as what it means.

Validation stops at the first fault of a table, so a file is validated again with the named
faults taken away. The file itself is never changed, and a file with a fault is never loaded.
"""

from __future__ import annotations

import copy
import re
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from envmon.shop.models import Shop
from envmon.shop.raw import MISSING, Finding, Table, value_at
from envmon.shop.schema import allowed_keys
from envmon.shop.translate import explain
from envmon.shop.words import did_you_mean, is_secret_key, nearest, show

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.shop.raw import Path

_GUESSED = 200
"""So many unknown keys are held against the known ones; a file with more is no shop file."""


def _validate(data: Table) -> tuple[Shop | None, list[Mapping[str, Any]]]:
    try:
        return Shop.model_validate(data), []
    except ValidationError as error:
        return None, list(error.errors(include_url=False))


class Repaired:
    """A parsed shop file with its misspelled keys put right, and what was found on the way.

    Attributes:
        data: Copy of the file with near spellings renamed and unknown keys left out.
        shop: The shop, when the models had nothing to say against ``data``.
        findings: Faults of keys and fields, with paths as in the file.
    """

    def __init__(self, raw: Table) -> None:
        self.data: Table = copy.deepcopy(raw)
        self.findings: list[Finding] = []
        self._renamed: dict[Path, str] = {}
        self.shop, errors = _validate(self.data)
        while unknown := [e for e in errors if e["type"] == "extra_forbidden"]:
            for error in unknown:
                self._take(tuple(error["loc"]))
            self.shop, errors = _validate(self.data)
        found = [explain(error, self.data) for error in errors]
        fields = [finding for finding in found if finding is not None]
        fields += _hidden(self.data, fields)
        self.findings += [f._replace(path=self.as_written(f.path)) for f in fields]

    def as_written(self, path: Path) -> Path:
        """Return a path in ``data`` as it stands in the file."""
        return tuple(self._renamed.get(path[: end + 1], step) for end, step in enumerate(path))

    def _take(self, path: Path) -> None:
        key = str(path[-1])
        table = value_at(self.data, path[:-1])
        assert isinstance(table, dict)  # only tables have keys that could be unknown
        value = table.pop(key)
        if is_secret_key(key):
            return  # named by the cross checks, without its value
        options = allowed_keys(path[:-1])
        guessed = options if len(self.findings) < _GUESSED else []
        message = (
            f"unknown key {show(key)}; {did_you_mean(key, guessed)}allowed: {', '.join(options)}"
        )
        self.findings.append(Finding(self.as_written(path), message))
        near = nearest(key, guessed)
        if near and near not in table and not near.startswith("password"):
            table[near] = value
            self._renamed[(*path[:-1], near)] = key


def _hidden(data: Table, known: list[Finding]) -> list[Finding]:
    """Return faults of whole tables that the known faults of their fields stood in front of."""
    rest = copy.deepcopy(data)
    taken: set[Path] = set()
    found: list[Finding] = []
    fresh = known
    while cut := [f.path for f in fresh if _cut(rest, f.path)]:
        taken.update(cut)
        own = [explain(e, rest) for e in _validate(rest)[1] if e["type"] == "value_error"]
        fresh = [f for f in own if f and f not in known + found and not _follows(f, taken)]
        found += fresh
    return found


def _cut(data: Table, path: Path) -> bool:
    table = value_at(data, path[:-1])
    if not path or not isinstance(table, dict) or table.get(str(path[-1]), MISSING) is MISSING:
        return False
    del table[str(path[-1])]
    return True


def _follows(finding: Finding, taken: set[Path]) -> bool:
    """Tell whether a sentence speaks of a key that was taken away beside it."""
    tables = (finding.path, finding.path[:-1])
    beside = [str(path[-1]) for path in taken if path[:-1] in tables]
    return any(re.search(rf"\b{re.escape(key)}\b", finding.message) for key in beside)
