"""Who may log in at the broker: a user for each node, and the topics that are its own.

A node has one place among the topics, such as ``fjord_lane/hall``, and speaks below it. No two
nodes share a topic, so none can speak for another.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError
from envmon.intake.topics import ensure_filter
from envmon.shop.points import expand_points

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.shop.models import Shop

OWN = "envmon"
"""The first level of envmon's own topics, and its user."""
_USER = re.compile(r"^[a-z0-9][a-z0-9_-]{0,39}$")


class Node(NamedTuple):
    """A node at the broker.

    Attributes:
        user: Its user name.
        place: Topic (or filter with ``+``) below which, and on which, it may speak.
    """

    user: str
    place: str


def nodes_of(shop: Shop, declared: Iterable[str] = ()) -> list[Node]:
    """Return the nodes of a shop: those declared, and one for each other place of its points.

    Args:
        shop: The shop file.
        declared: Texts such as ``north=fjord_lane/north``; for nodes that have no point yet, or
            where several machines speak below one place.

    Raises:
        InputError: A text is not of that form, or two nodes would share topics.
    """
    nodes = [_declared(text) for text in declared]
    for topic in sorted(_topics(shop)):
        if not any(overlap(f"{node.place}/#", topic) for node in nodes):
            place = _place(topic)
            nodes.append(Node(_user(place, [node.user for node in nodes]), place))
    _ensure_apart(nodes)
    return nodes


def overlap(one: str, other: str) -> bool:
    """Return whether a topic can match both filters (OASIS MQTT 3.1.1, section 4.7)."""
    first, second = one.split("/"), other.split("/")
    for a, b in zip(first, second, strict=False):
        if "#" in (a, b):
            return True
        if a != b and "+" not in (a, b):
            return False
    shorter, longer = sorted((first, second), key=len)
    rest = longer[len(shorter) :]
    # The place itself is matched by place/# as well.
    return not rest or rest == ["#"] or shorter[-1] == "#"


def _topics(shop: Shop) -> set[str]:
    points = expand_points(shop.point, [bay.id for bay in shop.bay])
    return {point.topic for point in points} | {button.topic for button in shop.button}


def _place(topic: str) -> str:
    """Return where the node of a topic speaks: the level above, as far as that is no whole site."""
    levels = topic.split("/")
    return "/".join(levels[:-1]) if len(levels) > 2 else topic


def _user(place: str, taken: Sequence[str]) -> str:
    stem = re.sub(r"[^a-z0-9_-]+", "-", place.rpartition("/")[2].lower()).strip("-_") or "node"
    if stem == OWN:
        stem = "node"
    names = (stem[:36], *(f"{stem[:36]}-{n}" for n in range(2, len(taken) + 3)))
    return next(name for name in names if name not in taken)


def _declared(text: str) -> Node:
    user, mark, place = text.partition("=")
    place = place.strip().removesuffix("/#").strip("/")
    if not mark or not place:
        raise InputError(f"node is {text[:80]!r}; allowed is NAME=TOPIC, as north=fjord_lane/north")
    if not _USER.fullmatch(user) or user.startswith(OWN):
        raise InputError(
            f"node name is {user[:80]!r}; allowed are 1 to 40 of a-z, 0-9, - and _, and not "
            f"{OWN} at its beginning"
        )
    ensure_filter(place)
    return Node(user, place)


def _ensure_apart(nodes: list[Node]) -> None:
    for i, node in enumerate(nodes):
        if overlap(f"{OWN}/#", f"{node.place}/#") or node.place.startswith("$"):
            raise InputError(
                f"node {node.user!r} would speak below {node.place!r}, where envmon and the broker "
                "speak; give its points another topic"
            )
        if any(sign in node.place for sign in "\n\r\t") or not node.place.isprintable():
            raise InputError(
                f"topic is {node.place!a}; a topic with such characters cannot stand in "
                "Mosquitto's file: give the point another one"
            )
        for other in nodes[:i]:
            if node.user == other.user:
                raise InputError(f"node {node.user!r} is given twice; give each a name of its own")
            if overlap(f"{node.place}/#", f"{other.place}/#"):
                raise InputError(
                    f"nodes {other.user!r} below {other.place!r} and {node.user!r} below "
                    f"{node.place!r} could speak for each other; give each a place of its own, "
                    f"such as --node {node.user}={node.place}"
                )
