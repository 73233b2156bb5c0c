"""What a message says: one phone line, most important first, and the same at length.

160 characters is one short message of the mobile networks in their 7-bit alphabet; source: GSM
03.38 / 3GPP TS 23.038 (from memory).
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from envmon.clock import SECOND_US
from envmon.guard.alarm_kinds import KINDS
from envmon.notice.people import RANKS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.notice.people import Book
    from envmon.notice.state import Notice

LINE = 160
"""Characters of a phone line."""
_LEAST_TEXT = 40
_LEAST_DO = 14
_LONGEST_WHY = 40
_BEGINS = {
    "raised": "",
    "again": "STILL: ",
    "escalated": "NOBODY ACKNOWLEDGED: ",
    "repeat": "NOT ACKNOWLEDGED: ",
}


def local_time(at_us: int, now_us: int, book: Book) -> str:
    """Return ``03:12``, or ``26 Jan 03:12`` when that is another day than now."""
    then = datetime.fromtimestamp(at_us // SECOND_US, book.zone)
    now = datetime.fromtimestamp(now_us // SECOND_US, book.zone)
    return f"{then:%H:%M}" if then.date() == now.date() else f"{then.day} {then:%b %H:%M}"


def cut(text: str, length: int) -> str:
    """Return a text of at most ``length`` characters, cut between two words."""
    if len(text) <= length:
        return text
    short = text[: length - 1]
    whole = short.rsplit(" ", 1)[0] if " " in short[length // 2 :] else short
    return whole.rstrip(" ,;:(-–") + "…"


def ordered(notices: Sequence[Notice]) -> list[Notice]:
    """Return notices the most urgent first: what stands before what is over."""
    return sorted(
        notices,
        key=lambda n: (n.how == "cleared", n.over_us is not None, -RANKS[n.priority], n.since_us),
    )


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _what(notice: Notice, book: Book) -> str:
    kind = KINDS.get(notice.what)
    text = _one_line(notice.text) or (kind.name if kind else notice.what)
    where = book.bays.get(notice.bay, "")
    return text if not where or where in text else f"{where}: {text}"


def _fitted(begin: str, text: str, middle: str, do: str, end: str) -> str:
    """Join the parts of a line; what to do gives way first, then the text, never the rest."""
    do, room = _one_line(do), LINE - len(begin) - len(middle) - len(end)
    left = room - min(len(text), room) - 2
    act = f"; {cut(do, left)}" if do and left >= min(len(do), _LEAST_DO) else ""
    return begin + cut(text, max(_LEAST_TEXT, room - len(act))) + middle + act + end


def phone_line(notices: Sequence[Notice], now_us: int, book: Book) -> str:
    """Return what, where, how bad, since when and what to do, in one phone line.

    Args:
        notices: What is told; the most urgent one is, the others are counted.
        now_us: Time it is told at [µs].
        book: How places are called.
    """
    first, *others = ordered(notices)
    more = f" (+{len(others)} more)" if others else ""
    if first.how == "cleared":
        over = local_time(first.over_us or now_us, now_us, book)
        because = f" ({cut(_one_line(first.why), _LONGEST_WHY)})" if first.why else ""
        return _fitted("Over: ", _what(first, book), f", over since {over}{because}", "", more)
    begin = _BEGINS[first.how] + {"high": "HIGH ", "low": "Low: "}.get(first.priority, "")
    since = f", since {local_time(first.since_us, now_us, book)}"
    if first.over_us is not None:
        since += f" to {local_time(first.over_us, now_us, book)}, over now"
    return _fitted(begin, _what(first, book), since, first.do, more)


def flood_line(notices: Sequence[Notice], count: int, book: Book) -> str:
    """Return the one line told of a flood of alarms, with the most urgent of them."""
    first = ordered(notices)[0]
    begin = f"{count} alarms in 10 minutes, look at the board. Worst: "
    begin += "HIGH " if first.priority == "high" else ""
    return _fitted(begin, _what(first, book), "", first.do, "")


def long_text(notices: Sequence[Notice], now_us: int, book: Book) -> str:
    """Return the same at length, a paragraph for each alarm."""
    return "\n\n".join(_paragraph(notice, now_us, book) for notice in ordered(notices))


def _paragraph(notice: Notice, now_us: int, book: Book) -> str:
    since = local_time(notice.since_us, now_us, book)
    head = f"{_what(notice, book)}\nPriority {notice.priority}, since {since}"
    if notice.over_us is not None:
        because = f" ({notice.why})" if notice.why else ""
        return f"{head}, over since {local_time(notice.over_us, now_us, book)}{because}."
    told = {
        "raised": "",
        "again": " It still stands.",
        "escalated": " Nobody has acknowledged it, so you are told too.",
        "repeat": " Nobody has acknowledged it yet.",
    }
    do = f"\nTo do: {notice.do}" if notice.do else ""
    return f"{head}.{told.get(notice.how, '')}{do}"
