"""Markup that escapes everything by itself: names, notes and references come from outside."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


class Html(str):
    """Text that is markup already; everything else is escaped where it is put in."""

    __slots__ = ()


def html_of(*parts: object) -> Html:
    """Return parts one behind the other, escaped unless they are markup."""
    return Html("".join(part if isinstance(part, Html) else escape(str(part)) for part in parts))


def tag(name: str, *children: object, **attributes: object) -> Html:
    """Return an element.

    Args:
        name: Its name.
        children: What is in it, escaped unless it is markup.
        attributes: Its attributes; ``class_`` is ``class``, ``_`` is ``-``.
    """
    pairs = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(str(value))}"'
        for key, value in attributes.items()
    )
    return Html(f"<{name}{pairs}>{html_of(*children)}</{name}>")


def small(text: object) -> Html:
    """Return a line in small print; nothing for no text."""
    return tag("small", text) if text else Html("")


def joined(parts: Iterable[object], between: object = "") -> Html:
    """Return parts with something between them."""
    return Html(html_of(between).join(html_of(part) for part in parts))


def table(heads: Sequence[str], rows: Sequence[Sequence[object]], kind: str) -> Html:
    """Return a table; on a narrow screen each cell brings its head with it.

    Args:
        heads: Heads of the columns.
        rows: Cells of each row.
        kind: Class of the table.
    """
    return table_of(heads, [tag("tbody", *(row_of(heads, row) for row in rows))], kind)


def row_of(heads: Sequence[str], cells: Sequence[object]) -> Html:
    """Return a row of a table with these heads."""
    fields = [tag("td", cell, data_head=head) for head, cell in zip(heads, cells, strict=True)]
    return tag("tr", *fields)


def table_of(heads: Sequence[str], bodies: Sequence[Html], kind: str) -> Html:
    """Return a table from bodies of rows that stay together on paper."""
    head = tag("thead", tag("tr", *(tag("th", text, scope="col") for text in heads)))
    return tag("table", head, *bodies, class_=kind)


def section(title: str, *children: object, kind: str = "") -> Html:
    """Return a section under a heading."""
    return tag("section", tag("h2", title), *children, class_=kind)


def facts(pairs: Iterable[tuple[str, object]]) -> Html:
    """Return names with what they stand for."""
    return tag(
        "dl",
        *(tag("div", tag("dt", name), tag("dd", what)) for name, what in pairs),
        class_="facts",
    )
