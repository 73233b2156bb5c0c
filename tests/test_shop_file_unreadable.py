"""A shop file that cannot be read or is no TOML gives a clear fault, never a traceback."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic_core import core_schema

from envmon.errors import ShopFileError
from envmon.shop.load import check_text, fault_lines, load_shop
from envmon.shop.schema import shop_schema
from envmon.shop.translate import explain
from envmon.shop.words import PATTERNS

if TYPE_CHECKING:
    from pathlib import Path

SMALL = '[shop]\nname = "A"\nsite = "a"\ntimezone = "UTC"\n\n[[bay]]\nid = "b"\nname = "B"\n'
LEAKS = ("pydantic", "Input should", "errors.pydantic.dev", "Traceback", "validation error")


def refused(path: Path) -> tuple[int, str]:
    with pytest.raises(ShopFileError) as caught:
        load_shop(path)
    (fault,) = caught.value.faults
    assert fault_lines(caught.value)[0].startswith(str(path))
    return fault.line, fault.message


def test_file_that_is_not_there(tmp_path: Path) -> None:
    assert "does not exist" in refused(tmp_path / "none.toml")[1]


def test_folder_instead_of_a_file(tmp_path: Path) -> None:
    assert "is a folder" in refused(tmp_path)[1]


def test_path_no_system_can_open(tmp_path: Path) -> None:
    assert "cannot be read" in refused(tmp_path / "a\0b.toml")[1]


@pytest.mark.parametrize("content", [b"", b"  \n\n", b"\xef\xbb\xbf"])
def test_empty_file(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "shop.toml"
    file.write_bytes(content)
    assert "is empty" in refused(file)[1]


def test_latin_1_names_the_line_and_the_byte(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_bytes(SMALL.replace('"B"', '"Bås"').encode("latin-1"))
    line, message = refused(file)
    assert line == 8
    assert "not UTF-8: has byte 0xe5 here" in message


def test_utf_16_is_named(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_bytes(SMALL.encode("utf-16"))
    line, message = refused(file)
    assert line == 1
    assert "looks like UTF-16; save the file as UTF-8" in message


def test_byte_order_mark_is_named_beside_the_other_faults() -> None:
    shop, faults = check_text("\ufeff" + SMALL.replace('"UTC"', '"UTX"'), "shop.toml")
    assert shop is None
    assert [(fault.line, fault.path) for fault in faults] == [(1, ""), (4, "shop.timezone")]
    assert "byte order mark" in faults[0].message


def test_windows_line_ends_are_read_and_counted() -> None:
    assert check_text(SMALL.replace("\n", "\r\n"), "shop.toml")[1] == []
    _, faults = check_text(SMALL.replace("\n", "\r\n").replace('"b"', '"B b"'), "shop.toml")
    assert [fault.line for fault in faults] == [7]


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ('[shop]\nname = "A\nsite = "a"\n', 2, "Illegal character"),
        ("[shop]\nname = A\n", 2, "write text in quotes"),
        ("[shop]\nname\n", 2, "write key = value"),
        ('[shop]\nname = "A"\nname = "B"\n', 3, "the key stands twice"),
        ("[shop]\n[broker]\n[shop]\n", 3, "the section stands twice"),
        ("a = [1,\n2\n\n", 2, "close it with its bracket"),
        ("a = " + "[" * 5000, 1, "nested too deep"),
        ("a = " + "[" * 30 + "]" * 30, 1, "more than 20 deep"),
        ("a = " + "9" * 5000, 1, "thousands of digits"),
    ],
)
def test_no_toml_gives_one_clear_fault(text: str, line: int, says: str) -> None:
    shop, faults = check_text(text, "shop.toml")
    assert shop is None
    assert (faults[0].line, len(faults)) == (line, 1)
    assert says in faults[0].message


def test_syntax_faults_beyond_the_first_are_named_too() -> None:
    _, faults = check_text("[shop]\nname =\nunits = 1\n[bay\nid = 2\n", "shop.toml")
    assert [fault.line for fault in faults] == [2, 4]


def test_broken_line_with_a_secret_is_not_repeated() -> None:
    _, faults = check_text('[broker]\npassword = "open-sesame\n', "shop.toml")
    assert "open-sesame" not in repr(faults)


def test_every_pattern_is_explained_in_words() -> None:
    def patterns(node: object) -> set[str]:
        if isinstance(node, list):
            return {found for item in node for found in patterns(item)}
        if not isinstance(node, dict):
            return set()
        own = {node["pattern"]} if isinstance(node.get("pattern"), str) else set()
        return own.union(*(patterns(item) for item in node.values()))

    found = patterns(shop_schema())
    assert found
    assert found <= set(PATTERNS)


@pytest.mark.parametrize("kind", get_args(core_schema.ErrorType))
def test_every_kind_of_complaint_becomes_our_sentence(kind: str) -> None:
    """Reference: the complete list of complaints the model library can make."""
    data = {"bay": [{"id": 5}]}
    context = {"error": ValueError("ours")} if kind == "value_error" else {}
    finding = explain({"type": kind, "loc": ("bay", 0, "id"), "ctx": context}, data)
    assert finding is not None
    assert "short name of a-z" in finding.message or finding.message == "ours"


SECTIONS = [
    "shop", "broker", "store", "bay", "point", "product", "procedure", "body", "button", "bench",
    "x", "",
]  # fmt: skip
KEYS = st.sampled_from(
    [
        "id", "name", "site", "timezone", "bay", "topic", "format", "reads", "limit", "step",
        "stage", "quantity", "low", "high", "margin", "sheet", "source", "two_point", "offset",
        "gain", "unit", "pointer", "password", "by_hand", "air_temp_c", "procedure", "settle",
        "panels", "flash", "flash_at", "rain_safe", "full_cure", "press", "in_flight", "carrier",
    ]
)  # fmt: skip
SCALARS = st.one_of(
    st.integers(), st.floats().map(float), st.booleans(), st.text(max_size=8), st.dates(),
    st.datetimes(), st.times(), st.just(10**400),
    st.sampled_from(["b", "coating", "air_temp_c", "65 °F", "1 min", "{1}", "a/+/b", "json", "°F"]),
)  # fmt: skip
JUNK = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(KEYS | st.text(max_size=3), inner, max_size=4)
    ),
    max_leaves=20,
)


def toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(char):08X}" for char in value) + '"'
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(key)} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def assert_only_our_words(text: str) -> None:
    shop, faults = check_text(text, "shop.toml")
    assert (shop is None) == bool(faults)
    for fault in faults:
        assert fault.message
        assert 1 <= fault.line <= text.count("\n") + 1
        assert not any(leak in fault.message for leak in LEAKS)


@given(st.text(max_size=200))
def test_any_text_gives_faults_or_a_shop(text: str) -> None:
    assert_only_our_words(text)


@given(st.dictionaries(st.sampled_from(SECTIONS), JUNK, max_size=5))
def test_any_values_give_faults_or_a_shop(value: dict[str, object]) -> None:
    text = "\n".join(f"{toml(key)} = {toml(item)}" for key, item in value.items())
    tomllib.loads(text)  # the generator writes TOML, so that the models are reached
    assert_only_our_words(text)


@given(KEYS, JUNK, st.sampled_from(["[shop]", "[[bay]]"]))
def test_any_value_in_a_good_file(key: str, value: object, section: str) -> None:
    assert_only_our_words(SMALL.replace(section, f"{section}\n{key}x = {toml(value)}"))


@given(st.lists(st.tuples(KEYS, JUNK), max_size=8, unique_by=lambda pair: pair[0]),
       st.sampled_from(["point", "product", "procedure", "body", "button"]))  # fmt: skip
def test_any_table_beside_a_good_shop(pairs: list[tuple[str, object]], section: str) -> None:
    table = "\n".join(f"{toml(key)} = {toml(item)}" for key, item in pairs)
    assert_only_our_words(f"{SMALL}\n[[{section}]]\n{table}\n")


@given(st.binary(max_size=100))
def test_any_bytes_raise_only_shop_file_errors(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    file = tmp_path_factory.mktemp("junk") / "shop.toml"
    file.write_bytes(content)
    with pytest.raises(ShopFileError):
        load_shop(file)
