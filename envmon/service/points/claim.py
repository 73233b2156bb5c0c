"""A topic claimed in one step: what was asked for, the lines, the file, the word to the watch."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

from envmon.clock import SystemClock
from envmon.errors import InputError
from envmon.field.claim import Claim, Taken, free_id, lines_of
from envmon.field.claim_file import claimed_text, read_shop_text, write_claim
from envmon.service.plain_log import plain
from envmon.service.points.command import hear
from envmon.service.points.heard import claimed_of, suggested_stale
from envmon.service.points.taking_in import ask_to_take_in
from envmon.service.span import local_from_us
from envmon.service.watch_process import data_folder
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.field.guess import Guess, Offer
    from envmon.field.hearing import Heard
    from envmon.shop.models import Shop

_AS = re.compile(r"([a-z][a-z0-9_]*)=(.*)", re.DOTALL)


class Asked(NamedTuple):
    """What a person asks for at the command line.

    Attributes:
        topic: Topic.
        bay: Bay; None outside the bays.
        point: Id; empty to be named after the topic.
        takes: ``air_temp_c=/t`` each; without any, what the payload says surely.
        units: ``air_temp_c=°F`` each.
        format: Format; empty to be told by the payload.
        stale_after: Such as ``3 min``; empty to be told by how often it is heard.
        listen_s: How long to wait for the topic [s].
    """

    topic: str
    bay: str | None = None
    point: str = ""
    takes: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    format: str = ""
    stale_after: str = ""
    listen_s: float = 10.0


def claim_of(asked: Asked, shop: Shop, shop_path: Path) -> Claim:
    """Return the claim a person asks for; where something is left open it listens to the topic.

    Raises:
        BrokerError: The broker cannot be reached.
        InputError: Something must be said that the payload does not say.
    """
    takes = [_pair(text, "air_temp_c=/t") for text in asked.takes]
    units = dict(_pair(text, "air_temp_c=°F") for text in asked.units)
    form, stale_after = asked.format, asked.stale_after
    if not takes or not form:
        heard = _heard(asked, shop, shop_path)
        guess = heard.guessed()
        form = form or guess.format
        stale_after = stale_after or suggested_stale(heard.every_s)
        takes, units = _filled(takes, units, guess)
    taken = tuple(Taken(name, place, units.get(name, "")) for name, place in takes)
    point = asked.point or free_id(asked.topic, asked.bay, claimed_of(shop).ids)
    return Claim(point, asked.bay, asked.topic, form, taken, stale_after)


def _pair(text: str, example: str) -> tuple[str, str]:
    match = _AS.fullmatch(text)
    if match is None:
        raise InputError(f"{text!r} is not allowed; write it as in {example}")
    return match[1], match[2]


def _heard(asked: Asked, shop: Shop, shop_path: Path) -> Heard:
    def found(topics: Sequence[Heard]) -> list[Heard]:
        return [each for each in topics if each.topic == asked.topic]

    heard = found(hear(shop, shop_path, asked.listen_s, lambda topics: bool(found(topics))))
    if not heard:
        raise InputError(
            f"nothing heard on {plain(asked.topic)[:60]!r} in {asked.listen_s:g} s; check the "
            "topic, listen longer (--listen), or say all of it with --format and --as"
        )
    return heard[0]


def _filled(
    takes: list[tuple[str, str]], units: dict[str, str], guess: Guess
) -> tuple[list[tuple[str, str]], dict[str, str]]:
    """Return what is taken, with the places and units that the payload tells."""
    offers = {offer.place: offer for offer in guess.offers}
    if not takes:
        sure = [offer for offer in guess.offers if offer.sure == "said"]
        unsaid = [offer for offer in guess.offers if offer.sure in {"open", "thin"}]
        if unsaid or not sure:
            raise InputError(_must_say(guess, unsaid))
        takes = [(offer.quantities[0], offer.place) for offer in sure]
    named = {name: offers[place].unit for name, place in takes
             if place in offers and not offers[place].in_payload}  # fmt: skip
    own = {name: unit for name, unit in named.items()
           if unit and name in QUANTITIES and unit != QUANTITIES[name].unit}  # fmt: skip
    return takes, own | units


def _must_say(guess: Guess, unsaid: Sequence[Offer]) -> str:
    if not unsaid:
        return f"the payload holds nothing to claim: {plain(guess.why) or 'no number that fits'}"
    parts = [
        f"{plain(offer.place) or 'the number'} ({offer.words}): "
        f"--as {offer.quantities[0]}={plain(offer.place)}"
        for offer in unsaid
    ]
    return f"this is yours to say: {'; '.join(parts)} (or another quantity)"


def claim_lines(shop_path: Path, asked: Asked, *, write: bool) -> list[str]:
    """Claim a topic; return what to tell the person.

    Args:
        shop_path: The shop file.
        asked: What is asked for.
        write: Write it; else only show it.

    Raises:
        EnvmonError: It cannot be claimed; the shop file is as it was.
    """
    read = read_shop_text(shop_path)
    claim = claim_of(asked, read.shop, shop_path)
    text = claimed_text(read, claim)
    lines = lines_of(claim).rstrip("\n").split("\n")
    if not write:
        return [f"These lines would be added to {shop_path}:", "", *lines]
    before = write_claim(read, text, time_stamp(read.shop))
    usual = (
        []
        if claim.stale_after
        else [
            'A sensor that speaks less than once a minute needs stale_after = "10 min" or so there.'
        ]
    )
    done = [f"Added to {shop_path}; as it was before: {before.name}", "", *lines, ""]
    return [*done, *usual, said_of_taking_in(data_folder(read.shop, shop_path))]


def time_stamp(shop: Shop) -> str:
    """Return the shop's local time for the name of a copy."""
    return f"{local_from_us(SystemClock().now_us(), shop.shop.timezone):%Y%m%d-%H%M%S}"


def said_of_taking_in(folder: Path) -> str:
    """Ask the running shop to take it in, and return what to say of it."""
    if not folder.exists():
        return "It counts from the next start of envmon."
    if ask_to_take_in(folder):
        return "A running envmon takes it in within seconds; else it counts from its next start."
    return f"The running envmon cannot be asked ({folder} is read-only here): start it again."
