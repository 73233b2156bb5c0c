"""``envmon notice``: try every channel, and see what waits, went out and was given up."""

from __future__ import annotations

import queue
import threading
import time
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import SystemClock
from envmon.errors import InputError
from envmon.notice.people import book_from_shop
from envmon.notice.words import local_time
from envmon.service.notice.channels import Channels
from envmon.service.notice.outbox import NOTICE_FILE, Outbox
from envmon.service.notice.send import Outcome, Parcel, send
from envmon.service.watch_process import data_folder
from envmon.shop.load import load_shop

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.notice.people import Book, Person
    from envmon.service.notice.outbox import Delivery

LIMIT_S = 30.0
"""So long a channel may take for a test message."""


class _Tried(NamedTuple):
    person: Person
    channel: str
    outcome: Outcome
    took_s: float


def try_channels(shop_path: Path, contact: str | None, say: Callable[[str], None]) -> int:
    """Send a test message over every channel and say what happened to each.

    Args:
        shop_path: The shop file.
        contact: Only this person's; None is everybody's.
        say: Told one line for each channel.

    Returns:
        0 when every message was delivered, 1 when one was not.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: There is nobody to tell, or no such contact.
    """
    shop = load_shop(shop_path)
    book = book_from_shop(shop)
    people = [p for p in book.people if contact in {None, p.id}]
    if not people:
        known = ", ".join(p.id for p in book.people) or "none; add [[contact]] to the shop file"
        asked = f"contact is {contact!r}" if contact else "there is no contact"
        raise InputError(f"{asked}; allowed: {known}")
    done: queue.SimpleQueue[_Tried] = queue.SimpleQueue()
    waiting = {(person.id, channel): person for person in people for channel in person.channels}
    channels = Channels(shop, shop_path)
    for (_, channel), person in waiting.items():
        job = (channels, person, channel, book, done)
        threading.Thread(target=_try, args=job, daemon=True).start()
    return _tell_each(done, waiting, say)


def _try(
    channels: Channels,
    person: Person,
    channel: str,
    book: Book,
    done: queue.SimpleQueue[_Tried],
) -> None:
    began_s, now_us = time.monotonic(), SystemClock().now_us()
    line = (
        f"Test from envmon, {book.shop}, {local_time(now_us, now_us, book)}: this is how an alarm "
        f"reaches {person.name}. Nothing to do."
    )
    try:
        outcome = send(channels.address(channel), Parcel(line, "Nothing is wrong."))
    except InputError as error:
        outcome = Outcome(str(error))
    done.put(_Tried(person, channel, outcome, time.monotonic() - began_s))


def _tell_each(
    done: queue.SimpleQueue[_Tried],
    waiting: dict[tuple[str, str], Person],
    say: Callable[[str], None],
) -> int:
    failed, deadline = 0, time.monotonic() + LIMIT_S
    while waiting:
        try:
            tried = done.get(timeout=max(0.0, deadline - time.monotonic()))
        except queue.Empty:
            break
        del waiting[tried.person.id, tried.channel]
        failed += bool(tried.outcome.error)
        word = f"NOT delivered: {tried.outcome.error}" if tried.outcome.error else "delivered"
        say(f"{tried.person.name}, {tried.channel}: {word} ({tried.took_s:.1f} s)")
    for (_, channel), person in waiting.items():
        say(f"{person.name}, {channel}: NOT delivered: no answer within {LIMIT_S:g} s")
    return 1 if failed or waiting else 0


def show_outbox(shop_path: Path, data: str | None, say: Callable[[str], None]) -> int:
    """List what waits, went out and was given up; return 1 when something waits or was given up.

    Raises:
        ShopFileError: The shop file has faults.
        StoreError: The outbox cannot be read.
    """
    shop = load_shop(shop_path)
    folder = data_folder(shop, shop_path, data)
    if not (folder / NOTICE_FILE).exists():
        say(f"no outbox in {folder}: nobody was ever told of anything here")
        return 0
    outbox = Outbox(folder, look_only=True)
    try:
        deliveries = outbox.all()
    finally:
        outbox.close()
    book, now_us = book_from_shop(shop), SystemClock().now_us()
    for delivery in deliveries:
        say(delivery_line(delivery, now_us, book))
    counts = {word: sum(d.standing == word for d in deliveries) for word in ("waiting", "given up")}
    sent = len(deliveries) - sum(counts.values())
    say(f"{counts['waiting']} waiting, {sent} sent, {counts['given up']} given up (newest 200)")
    return 1 if any(counts.values()) else 0


def delivery_line(delivery: Delivery, now_us: int, book: Book) -> str:
    """Return a delivery in one line."""
    message = delivery.message
    word = delivery.standing
    if word == "sent":
        word += f" {local_time(delivery.done_us or 0, now_us, book)}"
    tries = f", {delivery.tries} tries" if delivery.tries > 1 else ""
    error = f" ({delivery.error})" if delivery.error else ""
    decided = local_time(message.at_us, now_us, book)
    return f"{decided}  {message.person} {delivery.channel}: {word}{tries}{error}: {message.line}"
