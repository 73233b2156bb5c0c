"""The JSON Schema for editors: valid JSON, strict, described, and true of the example shops."""

from __future__ import annotations

import json
import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from envmon.shop.schema import shop_schema
from envmon.units import QUANTITIES

SHOPS = Path(__file__).parent.parent / "fixtures" / "shops"
TYPES: dict[str, tuple[type, ...]] = {
    "string": (str,), "number": (int, float), "integer": (int,), "array": (list,),
    "object": (dict,), "boolean": (bool,),
}  # fmt: skip
HANDLED = {
    "$ref", "$defs", "$schema", "title", "description", "default", "examples", "type", "anyOf",
    "enum", "pattern", "format", "properties", "additionalProperties", "required",
    "propertyNames", "items", "prefixItems", "minItems", "maxItems", "minLength", "maxLength",
    "minProperties", "minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum",
}  # fmt: skip


class Checker:
    """The few rules of JSON Schema 2020-12 the shop schema uses; any other word is refused."""

    def __init__(self, schema: dict[str, Any]) -> None:
        self.schema = schema

    def fits(self, node: dict[str, Any], value: Any) -> bool:
        assert set(node) <= HANDLED, set(node) - HANDLED
        if "$ref" in node:
            return self.fits(self.schema["$defs"][node["$ref"].rsplit("/", 1)[-1]], value)
        if "anyOf" in node:
            return any(self.fits(branch, value) for branch in node["anyOf"])
        right_type = isinstance(value, TYPES[node["type"]]) if "type" in node else True
        return right_type and ("enum" not in node or value in node["enum"]) and (
            self.object_fits(node, value) if isinstance(value, dict)
            else self.array_fits(node, value) if isinstance(value, list)
            else self.scalar_fits(node, value)
        )  # fmt: skip

    def object_fits(self, node: dict[str, Any], value: dict[str, Any]) -> bool:
        known, other = node.get("properties", {}), node.get("additionalProperties", {})
        return (
            set(node.get("required", ())) <= set(value)
            and len(value) >= node.get("minProperties", 0)
            and all(self.fits(node.get("propertyNames", {}), key) for key in value)
            and all(
                self.fits(known[key], item) if key in known
                else other is not False and self.fits(other, item)
                for key, item in value.items()
            )
        )  # fmt: skip

    def array_fits(self, node: dict[str, Any], value: list[Any]) -> bool:
        places = node.get("prefixItems", [])
        pairs = [
            (places[i] if i < len(places) else node.get("items", {}), x)
            for i, x in enumerate(value)
        ]
        return (
            node.get("minItems", 0) <= len(value) <= node.get("maxItems", len(value))
            and all(self.fits(child, item) for child, item in pairs)
        )  # fmt: skip

    def scalar_fits(self, node: dict[str, Any], value: Any) -> bool:
        if isinstance(value, str):
            return (
                node.get("minLength", 0) <= len(value) <= node.get("maxLength", len(value))
                and ("pattern" not in node or re.search(node["pattern"], value) is not None)
                and (node.get("format") != "date" or bool(date.fromisoformat(value)))
            )
        return (
            node.get("minimum", value) <= value <= node.get("maximum", value)
            and ("exclusiveMinimum" not in node or value > node["exclusiveMinimum"])
            and ("exclusiveMaximum" not in node or value < node["exclusiveMaximum"])
        )  # fmt: skip


def as_json(file: Path) -> Any:
    return json.loads(json.dumps(tomllib.loads(file.read_text("utf-8")), default=str))


def test_schema_is_json_of_the_named_draft() -> None:
    schema = json.loads(json.dumps(shop_schema(), allow_nan=False))
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert set(schema["properties"]) == {
        "shop", "broker", "store", "alarms", "notice", "boards", "bay", "point", "product",
        "procedure", "contact", "bench", "body", "button", "heating", "heater", "tariff",
    }  # fmt: skip
    assert schema["required"] == ["shop", "bay"]


def test_every_table_refuses_unknown_keys() -> None:
    schema = shop_schema()
    for part in [schema, *schema["$defs"].values()]:
        assert part["additionalProperties"] is False


def test_every_key_is_described() -> None:
    schema = shop_schema()
    assert all(part["description"] for part in schema["$defs"].values())
    for name, part in schema["$defs"].items():
        for key, node in part["properties"].items():
            assert node.get("description"), f"{name}.{key}"


def test_quantities_are_offered_by_name() -> None:
    parts = shop_schema()["$defs"]
    held = [name for name in QUANTITIES if name != "outdoor_forecast_c"]
    assert parts["StageLimit"]["properties"]["quantity"]["enum"] == held
    names = parts["Point"]["properties"]["reads"]["propertyNames"]["enum"]
    assert "outdoor_forecast_c" in names
    assert "air_temp_c" in names
    assert "dew_point_c" not in names


def test_bounds_stand_where_the_standard_wants_them() -> None:
    text = json.dumps(shop_schema())
    assert '"ge"' not in text
    number = shop_schema()["$defs"]["ShopInfo"]["properties"]["altitude"]["anyOf"][0]
    assert (number["minimum"], number["maximum"]) == (-500, 4000)


@pytest.mark.parametrize("name", ["one_bay_metric.toml", "three_bay_us.toml"])
def test_example_shops_fit_the_schema(name: str) -> None:
    schema = shop_schema()
    assert Checker(schema).fits(schema, as_json(SHOPS / name))


def test_faulty_shops_do_not_fit_the_schema() -> None:
    schema = shop_schema()
    good = as_json(SHOPS / "one_bay_metric.toml")
    assert not Checker(schema).fits(schema, as_json(SHOPS / "ten_faults.toml"))
    assert not Checker(schema).fits(schema, {**good, "shelf": {}})
    assert not Checker(schema).fits(schema, {**good, "bay": []})


@pytest.mark.parametrize(
    ("section", "key", "wrong"),
    [
        ("body", "panels", []),
        ("body", "panels", ["x" * 31]),
        ("button", "press", "skip"),
        ("button", "topic", ""),
        ("product", "flash", ["2 min"]),
        ("product", "flash", ["2 min", "3 min", "4 min"]),
        ("product", "flash_at", 60),
        ("product", "first_wash_days", 1.5),
    ],
)
def test_faulty_work_does_not_fit_the_schema(section: str, key: str, wrong: object) -> None:
    schema = shop_schema()
    good = as_json(SHOPS / "one_bay_metric.toml")
    table = {**good[section][0], key: wrong}
    assert Checker(schema).fits(schema, {**good, section: [good[section][0]]})
    assert not Checker(schema).fits(schema, {**good, section: [table]})
    assert not Checker(schema).fits(schema, {**good, "bench": {"in_flight": 5}})


def test_caller_may_change_its_schema() -> None:
    shop_schema()["properties"].clear()
    assert shop_schema()["properties"]
