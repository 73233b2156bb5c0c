"""JSON Schema of the shop file, for editors; also the one description of what a key may hold."""

from __future__ import annotations

import copy
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from envmon.shop.models import Shop
from envmon.shop.stages import STAGE_IDS
from envmon.units import FORECASTS, QUANTITIES

if TYPE_CHECKING:
    from envmon.shop.raw import Path

DRAFT = "https://json-schema.org/draft/2020-12/schema"
BOUNDS = {"ge": "minimum", "gt": "exclusiveMinimum", "le": "maximum", "lt": "exclusiveMaximum"}
"""What the models call a bound -> what JSON Schema calls it."""

MEASURED = tuple(name for name, quantity in QUANTITIES.items() if not quantity.derived)
"""Names of the quantities a sensor can send."""


def shop_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a shop file; the caller owns the dict."""
    return copy.deepcopy(_schema())


@lru_cache(maxsize=1)
def _schema() -> dict[str, Any]:
    schema: dict[str, Any] = _tidy(Shop.model_json_schema())
    parts = schema["$defs"]
    quantities = {"enum": [name for name in QUANTITIES if name not in FORECASTS]}
    parts["StageLimit"]["properties"]["quantity"] |= quantities
    parts["StageLimit"]["properties"]["stage"] |= {"enum": list(STAGE_IDS)}
    parts["Step"]["properties"]["stage"] |= {"enum": list(STAGE_IDS)}
    parts["Bay"]["properties"]["by_hand"]["items"] |= quantities
    parts["Point"]["properties"]["reads"]["propertyNames"] = {"enum": list(MEASURED)}
    return {"$schema": DRAFT, **schema, "title": "envmon shop file"}


def _tidy(node: Any) -> Any:
    """Take out what TOML does not have (null) and put bounds where the standard wants them."""
    if isinstance(node, list):
        return [_tidy(item) for item in node]
    if not isinstance(node, dict):
        return node
    tidy = {key: _tidy(value) for key, value in node.items() if not _noise(key, value)}
    branches = [branch for branch in tidy.get("anyOf", []) if branch != {"type": "null"}]
    if len(branches) == 1:
        del tidy["anyOf"]
        tidy = {**branches[0], **tidy}
    elif branches:
        tidy["anyOf"] = branches
        _move_bounds(tidy)
    return tidy


def _noise(key: str, value: object) -> bool:
    return (key == "title" and isinstance(value, str)) or (key == "default" and value is None)


def _move_bounds(node: dict[str, Any]) -> None:
    bounds = {BOUNDS[key]: node.pop(key) for key in list(node) if key in BOUNDS}
    for branch in node["anyOf"]:
        if branch.get("type") == "number":
            branch.update(bounds)


def node_at(path: Path) -> dict[str, Any]:
    """Return the schema of one place in the file; empty where nothing is allowed."""
    node = _schema()
    for step in path:
        node = _resolve(_child(node, step))
    return node


def allowed_keys(path: Path) -> list[str]:
    """Return the keys a table at a place may have."""
    return list(node_at(path).get("properties", {}))


def _child(node: dict[str, Any], step: str | int) -> dict[str, Any]:
    if isinstance(step, int):
        places = node.get("prefixItems", [])
        child = places[step] if step < len(places) else node.get("items", {})
    else:
        other = node.get("additionalProperties")
        child = node.get("properties", {}).get(step, other)
    return child if isinstance(child, dict) else {}


def _resolve(node: dict[str, Any]) -> dict[str, Any]:
    if "$ref" not in node:
        return node
    target: dict[str, Any] = _schema()["$defs"][node["$ref"].rsplit("/", 1)[-1]]
    return {**target, **{key: value for key, value in node.items() if key != "$ref"}}
