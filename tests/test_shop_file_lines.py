"""Every key path of a shop file finds its line; the reference is tomllib's own reading."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.shop.locate import Lines, syntax_error_lines

SHOPS = sorted((Path(__file__).parent.parent / "fixtures" / "shops").glob("*.toml"))

NESTED = """\
top = 1
"q k" . b = { x = 2, y.z = [3,
  4, { deep = 5 }] }

[a.b]
c = 6
[a]
d = 7  # [not] = a header
[[bay]]
id = 8
[bay.inside]
w = 9
[[bay.limit]]
low = 10
[[bay.limit]]
low = 11
[[bay]]
[[bay.limit]]
'high' = \"\"\"
low = 99
\"\"\"
tail.more = [[12, 13],
  # between
  [14]]
"""


def all_paths(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inside: list[tuple[str | int, Any]] = []
    if isinstance(value, dict):
        inside = list(value.items())
    elif isinstance(value, list):
        inside = list(enumerate(value))
    return [path, *(p for step, item in inside for p in all_paths(item, (*path, step)))]


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 1),
        (("q k", "b", "x"), 2),
        (("q k", "b", "y", "z", 0), 2),
        (("q k", "b", "y", "z", 1), 3),
        (("q k", "b", "y", "z", 2, "deep"), 3),
        (("a",), 7),
        (("a", "b"), 5),
        (("a", "b", "c"), 6),
        (("a", "d"), 8),
        (("bay",), 9),
        (("bay", 0), 9),
        (("bay", 0, "inside", "w"), 12),
        (("bay", 0, "limit", 0, "low"), 14),
        (("bay", 0, "limit", 1), 15),
        (("bay", 0, "limit", 1, "low"), 16),
        (("bay", 1), 17),
        (("bay", 1, "limit", 0), 18),
        (("bay", 1, "limit", 0, "high"), 19),
        (("bay", 1, "limit", 0, "tail", "more"), 22),
        (("bay", 1, "limit", 0, "tail", "more", 1, 0), 24),
    ],
)
def test_nested_paths_find_their_lines(path: tuple[str | int, ...], line: int) -> None:
    assert Lines(NESTED).line(path) == line


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("bay", 0, "inside", "missing"), 11),
        (("bay", 1, "missing"), 17),
        (("bay", 7, "id"), 9),
        (("nowhere", "at", "all"), 1),
        ((), 1),
    ],
)
def test_missing_key_gives_the_line_of_its_parent(path: tuple[str | int, ...], line: int) -> None:
    assert Lines(NESTED).line(path) == line


@pytest.mark.parametrize("text", [NESTED, *(file.read_text("utf-8") for file in SHOPS)])
def test_same_paths_as_tomllib_reads(text: str) -> None:
    assert sorted(map(repr, Lines(text).paths())) == sorted(
        map(repr, all_paths(tomllib.loads(text)))
    )


KEYS = st.sampled_from(["a", "b", "c-d", "e f", "ø", 'g"h', "x.y"])
VALUES = st.recursive(
    st.just(0),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
)


class Writer:
    """Writes a nested value as TOML in every style; each leaf is a number of its own."""

    def __init__(self, data: st.DataObject) -> None:
        self.data = data
        self.text = ""
        self.leaf = 1000

    def key(self, key: str) -> str:
        plain = key.replace("-", "").isascii() and key.replace("-", "").isalnum()
        quoted = '"' + key.replace('"', '\\"') + '"'
        return key if plain and self.data.draw(st.booleans()) else quoted

    def inline(self, value: object) -> str:
        if isinstance(value, dict):
            pairs = (f"{self.key(k)} = {self.inline(v)}" for k, v in value.items())
            return "{ " + ", ".join(pairs) + " }"
        if isinstance(value, list):
            gap = self.data.draw(st.sampled_from([" ", "\n", " # note\n"]))
            return f"[{gap}" + f",{gap}".join(map(self.inline, value)) + f"{gap}]"
        self.leaf += 1
        return str(self.leaf)

    def table(self, value: dict[str, object], above: str) -> None:
        later: list[tuple[str, Any]] = []
        for key, item in value.items():
            is_tables = isinstance(item, list) and item and all(isinstance(x, dict) for x in item)
            if (isinstance(item, dict) or is_tables) and self.data.draw(st.booleans()):
                later.append((key, item))
            else:
                self.text += f"{self.key(key)} = {self.inline(item)}\n"
        for key, item in later:
            head = f"{above}{self.key(key)}"
            for single in item if isinstance(item, list) else [item]:
                self.text += f"[[{head}]]\n" if isinstance(item, list) else f"[{head}]\n"
                self.table(single, f"{head}.")


@given(st.dictionaries(KEYS, VALUES, max_size=4), st.data())
def test_every_leaf_finds_the_line_it_was_written_on(
    value: dict[str, object], data: st.DataObject
) -> None:
    writer = Writer(data)
    writer.table(value, "")
    read = tomllib.loads(writer.text)
    lines, written = Lines(writer.text), writer.text.split("\n")
    paths = all_paths(read)
    assert sorted(map(repr, lines.paths())) == sorted(map(repr, paths))
    for path in paths:
        leaf: Any = read
        for step in path:
            leaf = leaf[step]
        if isinstance(leaf, int):
            assert str(leaf) in written[lines.line(path) - 1]


def test_syntax_errors_are_found_beyond_the_first() -> None:
    assert [first for first, _ in syntax_error_lines("a =\nb = 1\n[c\nd = 2\n")] == [1, 3]
    assert syntax_error_lines(NESTED) == []
