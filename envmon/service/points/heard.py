"""What is heard on the broker, as people and pages get it: unclaimed topics, and who sends well.

Topics and payloads come from outside: they are shortened, and nothing in them is obeyed.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.clock import SECOND_US, iso_from_us
from envmon.field.claim import free_id
from envmon.field.guess_words import SENSED, name_of, units_for
from envmon.intake.topics import TopicTable
from envmon.service.plain_log import plain
from envmon.shop.points import expand_points, filled

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from envmon.field.guess import Guess, Offer
    from envmon.field.hearing import Heard
    from envmon.shop.models import Shop

SHOWN_LETTERS = 160
SHOWN_TOPICS = 100
"""So many topics are listed; those heard last."""
LONGEST_TOPIC = 200
"""Longest topic a point can have."""
USUAL_STALE_S = 60.0
_MISSED = 3
"""A sensor is stale when it was not heard for the time of so many messages."""


class Claimed(NamedTuple):
    """What is claimed of all topics: by points, and by buttons.

    Attributes:
        table: Topic filter -> id of the point; empty for a button.
        ids: Ids of points that are taken.
    """

    table: TopicTable[str]
    ids: frozenset[str]

    def points_of(self, topic: str) -> list[str] | None:
        """Return the points a topic feeds; None when nobody claims it."""
        found = self.table.match(topic)
        if not found:
            return None
        return [filled(point, texts) for point, texts in found if point]


def claimed_of(shop: Shop) -> Claimed:
    """Return what the shop file claims."""
    table: TopicTable[str] = TopicTable()
    for point in shop.point:
        table.add(point.topic, point.id)
    for button in shop.button:
        table.add(button.topic, "")
    points = expand_points(shop.point, [bay.id for bay in shop.bay])
    return Claimed(table, frozenset(point.id for point in (*points, *shop.point)))


def unclaimed_document(
    shop: Shop, heard: Sequence[Heard], at_s: float, now_us: int
) -> dict[str, Any]:
    """Return the topics that nobody claims: of those heard last, the claimable ones first.

    Args:
        shop: The shop file.
        heard: All topics.
        at_s: Now [s, monotonic].
        now_us: Now [µs, UTC].
    """
    claimed = claimed_of(shop)
    free = [each for each in heard if claimed.points_of(each.topic) is None]
    rows = [_row(shop, each, claimed, (at_s, now_us)) for each in free[:SHOWN_TOPICS]]
    rows.sort(key=lambda row: bool(row["refused"]))
    return {"unclaimed": rows, "more": max(0, len(free) - SHOWN_TOPICS)}


def batteries(shop: Shop, heard: Iterable[Heard]) -> dict[str, str]:
    """Return what claimed points say of their batteries: point id -> text."""
    claimed = claimed_of(shop)
    said: dict[str, str] = {}
    for each in heard:
        points = claimed.points_of(each.topic)
        battery = each.guessed().battery if points else ""
        said |= dict.fromkeys(points or (), battery) if battery else {}
    return said


def suggested_stale(every_s: float | None) -> str:
    """Return a ``stale_after`` for a sensor that is heard so often; empty where the usual fits.

    Args:
        every_s: How often it is heard [s]; None if not known.
    """
    wanted_s = _MISSED * (every_s or 0.0)
    return "" if wanted_s <= USUAL_STALE_S else f"{math.ceil(wanted_s / 60)} min"


def shown_payload(payload: bytes, size: int) -> str:
    """Return a payload as one short line; bytes that are no text as numbers.

    Args:
        payload: Its beginning.
        size: Length of the whole [bytes].
    """
    # A letter that was cut in two at the end does not make it binary.
    text = payload.decode("utf-8", errors="ignore" if size > len(payload) else "replace")
    if "\ufffd" in text or "\0" in text:
        text = f"{size} bytes: {payload[:40].hex(' ')}"
    shown = plain(text[:SHOWN_LETTERS])
    cut = len(text) > SHOWN_LETTERS or size > len(payload)
    return f"{shown[:SHOWN_LETTERS]}…" if cut or len(shown) > SHOWN_LETTERS else shown


def _row(shop: Shop, heard: Heard, claimed: Claimed, now: tuple[float, int]) -> dict[str, Any]:
    at_s, now_us = now
    guess = heard.guessed()
    bay = next((bay.id for bay in shop.bay if bay.id in heard.topic.split("/")), None)
    return {
        "topic": heard.topic,
        "shown": plain(heard.topic)[:LONGEST_TOPIC],
        "refused": _refused(heard.topic, guess),
        "payload": shown_payload(heard.payload, heard.size),
        "bytes": heard.size,
        "count": heard.count,
        "every_s": heard.every_s,
        "age_s": max(0.0, at_s - heard.at_s),
        "retained": heard.retained,
        "sent_at": None if guess.t_us is None else iso_from_us(guess.t_us),
        "sent_age_s": None if guess.t_us is None else (now_us - guess.t_us) / SECOND_US,
        "format": guess.format,
        "why": plain(guess.why),
        "battery": guess.battery,
        "offers": [offer_document(offer) for offer in guess.offers],
        "bay": bay,
        "point": free_id(heard.topic, bay, claimed.ids),
        "stale_after": suggested_stale(heard.every_s),
    }


def _refused(topic: str, guess: Guess) -> str:
    """Return why a topic cannot be claimed; empty when it can."""
    if len(topic) > LONGEST_TOPIC:
        return f"its topic has {len(topic)} letters; a point's has at most {LONGEST_TOPIC}"
    if not any(offer.quantities for offer in guess.offers):
        return plain(guess.why) or "there is no number in it that envmon takes"
    return ""


def offer_document(offer: Offer) -> dict[str, Any]:
    """Return one number of a payload for JSON."""
    return {
        "place": offer.place,
        "shown": plain(offer.place)[:80],
        "value": offer.value,
        "unit": plain(offer.unit)[:20],
        "in_payload": offer.in_payload,
        "sure": offer.sure,
        "words": plain(offer.words),
        "quantities": list(offer.quantities),
        "others": list(offer.others),
    }


def quantity_table() -> dict[str, Any]:
    """Return every quantity that can be claimed: how it is called, and in what it may come."""
    return {name: {"label": name_of(name), "units": units_for(name)} for name in SENSED}
