"""Where a key path stands in a TOML text: key path -> line.

A concrete syntax tree is walked by TOML's own rules: a header ``[a.b]`` enters the newest
element of an array of tables, dotted keys and inline tables open levels of their own.
"""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

import tree_sitter_toml
from tree_sitter import Language, Parser

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tree_sitter import Node

    from envmon.shop.raw import Path

_DEEPEST = 40
_LANGUAGE = Language(tree_sitter_toml.language())


def _parse(text: str) -> Node:
    return Parser(_LANGUAGE).parse(text.encode()).root_node


def syntax_error_lines(text: str) -> list[tuple[int, int]]:
    """Return first and last line of every stretch that is no TOML, counted from 1."""
    found: list[tuple[int, int]] = []
    waiting = [_parse(text)]
    while waiting:
        node = waiting.pop()
        if node.is_error or node.is_missing:
            found.append((_line(node), node.end_point[0] + 1))
        elif node.has_error:
            waiting.extend(node.children)
    return sorted(found)


def last_line(text: str, key: str) -> int:
    """Return the last line of a key's tables and of what stands in them; 0 without any.

    Args:
        text: Valid TOML.
        key: First part of their headers, such as ``point``.
    """
    last = 0
    for node in _parse(text).named_children:
        if node.type in {"table", "table_array_element"}:
            header, *inside = [child for child in node.named_children if child.type != "comment"]
            if _key_parts(header)[0] == key:
                last = (inside or [header])[-1].end_point[0] + 1
    return last


def _line(node: Node) -> int:
    return node.start_point[0] + 1


def _key_parts(node: Node) -> list[str]:
    if node.type == "dotted_key":
        return [part for child in node.named_children for part in _key_parts(child)]
    text = (node.text or b"").decode()
    if node.type == "quoted_key":
        return list(tomllib.loads(f"{text} = 0"))  # escapes are TOML's business
    return [text]


class Lines:
    """The line of every key path of one TOML text."""

    def __init__(self, text: str) -> None:
        """Walk the text once; it must be valid TOML."""
        self._lines: dict[Path, int] = {(): 1}
        self._counts: dict[Path, int] = {}
        for node in _parse(text).named_children:
            if node.type == "pair":
                self._pair((), node)
            elif node.type == "table":
                self._table(node)
            elif node.type == "table_array_element":
                self._element(node)

    def line(self, path: Path) -> int:
        """Return the line of a key path, or of its nearest parent that is in the file."""
        for end in range(len(path), 0, -1):
            if path[:end] in self._lines:
                return self._lines[path[:end]]
        return 1

    def paths(self) -> Iterator[Path]:
        """Yield every key path that is in the file."""
        return iter(self._lines)

    def _enter(self, parts: list[str], line: int) -> Path:
        """Go down header parts, into the newest element of each array of tables."""
        path: Path = ()
        for part in parts:
            path = (*path, part)
            self._lines.setdefault(path, line)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _table(self, node: Node) -> None:
        path = self._enter(_key_parts(node.named_children[0]), _line(node))
        self._lines[path] = _line(node)  # wins over [a.b] that only implied it
        self._pairs(path, node)

    def _element(self, node: Node) -> None:
        *above, last = _key_parts(node.named_children[0])
        array = (*self._enter(above, _line(node)), last)
        index = self._counts.get(array, 0)
        self._counts[array] = index + 1
        self._lines.setdefault(array, _line(node))
        self._lines[(*array, index)] = _line(node)
        self._pairs((*array, index), node)

    def _pairs(self, path: Path, node: Node) -> None:
        for child in node.named_children:
            if child.type == "pair":
                self._pair(path, child)

    def _pair(self, path: Path, node: Node) -> None:
        key, value = [child for child in node.named_children if child.type != "comment"][:2]
        for part in _key_parts(key):
            path = (*path, part)
            self._lines.setdefault(path, _line(node))
        self._value(path, value)

    def _value(self, path: Path, node: Node) -> None:
        if len(path) > _DEEPEST:
            return
        if node.type == "inline_table":
            self._pairs(path, node)
        elif node.type == "array":
            items = [child for child in node.named_children if child.type != "comment"]
            for index, item in enumerate(items):
                self._lines[(*path, index)] = _line(item)
                self._value((*path, index), item)
