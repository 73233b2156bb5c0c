"""Which topic filters of the shop file a topic matches.

Source: OASIS MQTT 3.1.1, section 4.7: a topic is split at ``/`` and compared level by level,
byte for byte (4.7.1.1, 4.7.3); ``+`` stands for exactly one level, an empty one too, and must
fill its level (4.7.1.3); a filter that begins with a wildcard does not match topics that begin
with ``$`` (4.7.2). ``#`` is not taken: a point has one topic, or one per bay or place.
"""

from __future__ import annotations

from typing import Generic, TypeVar

from envmon.errors import InputError

T = TypeVar("T")

MAX_TOPIC_BYTES = 65_535
"""Longest topic MQTT can carry (OASIS MQTT 3.1.1, section 4.7.3)."""


def ensure_filter(topic_filter: str) -> list[str]:
    """Return the levels of a topic filter of the shop file.

    Raises:
        InputError: Empty, too long, with ``#`` or NUL, or ``+`` beside other characters.
    """
    levels = topic_filter.split("/")
    if not 0 < len(topic_filter.encode(errors="replace")) <= MAX_TOPIC_BYTES:
        raise InputError(
            f"topic is {topic_filter[:60]!r}; 1 to {MAX_TOPIC_BYTES} bytes are allowed"
        )
    if "#" in topic_filter or "\0" in topic_filter:
        raise InputError(f"topic is {topic_filter!r}; # and NUL are not allowed, + is one level")
    if any("+" in level and level != "+" for level in levels):
        raise InputError(f"topic is {topic_filter!r}; + must fill its level, as in shop/+/air")
    return levels


class _Node(Generic[T]):
    """One level of the filters that have a wildcard."""

    def __init__(self) -> None:
        self.children: dict[str, _Node[T]] = {}
        self.items: list[T] = []


class TopicTable(Generic[T]):
    """Topic filters with what belongs to them; exact topics cost one look-up."""

    def __init__(self) -> None:
        self._exact: dict[str, list[T]] = {}
        self._root: _Node[T] = _Node()

    def add(self, topic_filter: str, item: T) -> None:
        """Add an item under a filter; several items may share one.

        Raises:
            InputError: No topic filter of the allowed kind.
        """
        levels = ensure_filter(topic_filter)
        if "+" not in levels:
            self._exact.setdefault(topic_filter, []).append(item)
            return
        node = self._root
        for level in levels:
            node = node.children.setdefault(level, _Node())
        node.items.append(item)

    def match(self, topic: str) -> list[tuple[T, tuple[str, ...]]]:
        """Return every item whose filter matches, each with the texts of its ``+`` levels.

        A name with a wildcard in it is no topic (MQTT 3.1.1, 3.3.2.1) and matches nothing.
        """
        if "+" in topic or "#" in topic:
            return []
        exact: list[tuple[T, tuple[str, ...]]] = [(item, ()) for item in self._exact.get(topic, ())]
        return exact + (self._walk(topic.split("/")) if self._root.children else [])

    def _walk(self, levels: list[str]) -> list[tuple[T, tuple[str, ...]]]:
        here: list[tuple[_Node[T], tuple[str, ...]]] = [(self._root, ())]
        for position, level in enumerate(levels):
            below: list[tuple[_Node[T], tuple[str, ...]]] = []
            for node, texts in here:
                if level in node.children:
                    below.append((node.children[level], texts))
                if "+" in node.children and not (position == 0 and level.startswith("$")):
                    below.append((node.children["+"], (*texts, level)))
            here = below
            if not here:
                break
        return [(item, texts) for node, texts in here for item in node.items]
