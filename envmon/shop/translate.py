"""Turns a model's complaint about one place in a shop file into a sentence of our own."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any
from zoneinfo import available_timezones

from envmon.shop.raw import Finding, existing, value_at
from envmon.shop.schema import BOUNDS, node_at
from envmon.shop.words import allowed_words, did_you_mean, show, unknown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from envmon.shop.raw import Path

_UNIT = re.compile(r"unit is (?:'(?P<unit>.*?)'|\".*?\") for .*?; allowed: (?P<allowed>.*)")
_FIRST_KEY = re.compile(r"^(\w+)(?::| is | comes to | [-0-9]| and )")


def explain(error: Mapping[str, Any], data: object) -> Finding | None:
    """Return where and what is wrong, or None for a complaint that only follows from another.

    Args:
        error: One entry of a validation error's list: type, loc, ctx.
        data: The parsed file the models have seen.
    """
    path: Path = tuple(error["loc"])
    kind = error["type"]
    if kind == "missing":
        return Finding(path, _missing(path))
    path = existing(data, path)
    value = value_at(data, path)
    if kind == "too_short" and isinstance(value, list | dict) and value:
        return None if "prefixItems" not in node_at(path) else _wrong(path, value, {})
    if kind == "value_error":
        return _own(path, value, str(error["ctx"]["error"]))
    return _wrong(path, value, error.get("ctx", {}))


def _missing(path: Path) -> str:
    key = path[-1]
    list_or_key = path[:-1] if isinstance(key, int) else path
    allowed = allowed_words(node_at(list_or_key), list_or_key)
    if isinstance(key, int):
        return f"value {key + 1} of the list is missing; allowed is {allowed}; add it"
    if len(path) == 1:
        head = f"[{key}]" if node_at(path).get("type") == "object" else f"[[{key}]]"
        return f"section {head} is missing; add it"
    return f"{key} is missing; allowed is {allowed}; add it"


def _own(path: Path, value: object, text: str) -> Finding:
    """Sharpen a sentence from our own validators: the key it means, the nearest spelling."""
    if path == ("shop", "timezone") and isinstance(value, str):
        near = did_you_mean(value, sorted(available_timezones()))
        return Finding(path, f"timezone is {show(value)}; {near}allowed are names such as "
                       "Europe/Oslo")  # fmt: skip
    key = _FIRST_KEY.match(text)
    if key and isinstance(value, dict) and key[1] in value:
        path = (*path, key[1])
        text = text.removeprefix(f"{key[1]}: ")
    elif not isinstance(value, dict) and text.startswith("allowed"):
        text = f"value is {show(value)}; {text}"
    unit = _UNIT.search(text)
    if unit and unit["unit"]:
        near = did_you_mean(unit["unit"], unit["allowed"].split(", "))
        text = text.replace("; allowed:", f"; {near}allowed:" if near else "; allowed:", 1)
    return Finding(path, text)


def _wrong(path: Path, value: object, context: Mapping[str, Any]) -> Finding:
    node = _with_bounds(node_at(path), context)
    if "enum" in node and isinstance(value, str):
        return Finding(path, unknown(str(path[-1]), value, node["enum"]))
    allowed = allowed_words(node, path)
    return Finding(path, f"value is {show(value)}; allowed is {allowed}{_advice(node, value)}")


def _with_bounds(node: dict[str, Any], context: Mapping[str, Any]) -> dict[str, Any]:
    """Add the bound a complaint names, where the schema has it only inside a time or length."""
    found = {BOUNDS[key]: value for key, value in context.items() if key in BOUNDS}
    if "anyOf" not in node or not found:
        return node
    branches = [
        {**found, **branch} if branch.get("type") == "number" else branch
        for branch in node["anyOf"]
    ]
    return {**node, "anyOf": branches}


def _advice(node: dict[str, Any], value: object) -> str:
    kind = "date" if node.get("format") == "date" else node.get("type")
    is_text, is_number = isinstance(value, str), isinstance(value, bool | int | float)
    length = len(value) if isinstance(value, str) else 0
    ways_out = (
        (is_text and kind == "string" and not length, "write something between the quotes"),
        (length > node.get("maxLength", length), f"it has {length} characters: shorten it"),
        (is_text and kind in {"number", "integer", "date"}, "take the quotes and any unit away"),
        (is_number and kind == "string", "put it in quotes"),
        (isinstance(value, dict) and kind == "array", "double the brackets of its heading"),
        (isinstance(value, list) and kind == "object", "use single brackets in its heading"),
    )
    return next((f"; {text}" for fits, text in ways_out if fits), "")
