"""The page behind an acknowledge link: what the alarm is, and one large button. No script."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, NamedTuple

from envmon.guard.alarm_kinds import KINDS
from envmon.notice.taking import alarm_id
from envmon.notice.words import local_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.notice.people import Book
    from envmon.service.notice.ack_link import Answer

_ANEW = "It was raised anew after this message was sent; use the newer message, or the board."
_UNKNOWN = "The shop no longer knows this alarm (its data was renewed); look at the board."


class Sight(NamedTuple):
    """What a page is made from.

    Attributes:
        book: How places are called.
        answers: How each alarm stands.
        now_us: Time now [µs].
    """

    book: Book
    answers: Sequence[Answer]
    now_us: int


def ask_page(sight: Sight, person: str) -> str:
    """Return the page with the button, or what stands instead of it where nothing is open."""
    is_open = any(answer.standing == "open" for answer in sight.answers)
    if not is_open:
        return _page("Nothing left to acknowledge", _articles(sight), sight.book.shop)
    several = len(sight.answers) > 1
    head = f"{person}, acknowledge {'these alarms' if several else 'this alarm'}?"
    return _page(head, _articles(sight), sight.book.shop, button="Acknowledge")


def done_page(sight: Sight, person: str) -> str:
    """Return the page after the button was pressed.

    Args:
        sight: The alarms as they stood before.
        person: Name of the person the link was sent to.
    """
    taken = sum(answer.standing == "open" for answer in sight.answers)
    if not taken:
        return ask_page(sight, person)
    note = (
        "<p>It still stands until the air is right: acknowledged means that somebody knows. "
        "Nobody else is called for it now.</p>"
    )
    head = f"Acknowledged, {person}"
    return _page(head, note + _articles(sight, done_by=person), sight.book.shop)


def refused_page(head: str, why: str, shop: str) -> str:
    """Return the page of a link that allows nothing."""
    return _page(head, f"<p>{escape(why)}</p>", shop)


def _articles(sight: Sight, done_by: str = "") -> str:
    return "".join(_article(sight, answer, done_by) for answer in sight.answers)


def _article(sight: Sight, answer: Answer, done_by: str) -> str:
    event = answer.event
    if event is None:
        return f'<article><p class="text">{_UNKNOWN}</p></article>'
    kind = KINDS.get(str(event.data.get("what", "")))
    name = kind.name if kind else alarm_id(event)
    text = str(event.data.get("text") or name)
    where = sight.book.bays.get(event.bay, "")
    if where and where not in text:
        text = f"{where}: {text}"
    text = text.replace(" %", "\u00a0%")
    priority = str(event.data.get("priority", "high"))
    since = local_time(event.at_us, sight.now_us, sight.book)
    lines = [
        f'<p class="text">{escape(text)}</p>',
        (
            f'<p class="soft">Priority {escape(priority)}, since {since}'
            f"{', over now' if answer.over else ''}</p>"
        ),
    ]
    do = event.data.get("do") or (kind.do if kind else "")
    if do and not answer.over:
        lines.append(f"<p>To do: {escape(str(do))}</p>")
    lines.append(_standing_line(sight, answer, done_by))
    return f'<article data-priority="{escape(priority)}">{"".join(lines)}</article>'


def _standing_line(sight: Sight, answer: Answer, done_by: str) -> str:
    if answer.standing == "open":
        return f"<p>Acknowledged by {escape(done_by)} just now.</p>" if done_by else ""
    if answer.standing == "anew":
        return f"<p>{_ANEW}</p>"
    if answer.standing == "over":
        return "<p>The watch is back; nothing is left to acknowledge.</p>"
    word = "Acknowledged" if answer.standing == "acknowledged" else "Set aside"
    by = f" by {escape(answer.by)}" if answer.by else ""
    when = local_time(answer.at_us, sight.now_us, sight.book)
    return f"<p>{word}{by} at {when}. This link is used up.</p>"


def _page(head: str, inside: str, shop: str, button: str = "") -> str:
    form = f'<form method="post"><button type="submit">{button}</button></form>' if button else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta name="robots" content="noindex"><title>{escape(head)}</title>'
        '<link rel="stylesheet" href="/assets/look_a_tokens.css">'
        '<link rel="stylesheet" href="/static/ack.css"></head>'
        f"<body><main><h1>{escape(head)}</h1>{inside}"
        f'<p class="soft">{escape(shop)}</p><a href="/alarms">All alarms</a></main>{form}'
        "</body></html>"
    )
