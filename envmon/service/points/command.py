"""``envmon points``: what talks on the broker, claimed and unclaimed."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

from envmon.clock import SystemClock, iso_from_us
from envmon.errors import BrokerError, InputError
from envmon.field.hearing_link import Hearing
from envmon.service.plain_log import plain
from envmon.service.points.claimed import claimed_document
from envmon.service.points.heard import batteries, unclaimed_document
from envmon.service.points.taking_in import why_refused
from envmon.service.watch_process import account_from, data_folder
from envmon.shop.load import load_shop
from envmon.units import QUANTITIES, format_value, parse_value

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from envmon.field.hearing import Heard
    from envmon.shop.models import BrokerInfo, Shop

WAIT_S = 10.0
LONGEST_LISTEN_S = 3_600.0


def listen_seconds(text: str) -> float:
    """Return how long to listen [s].

    Args:
        text: Such as ``10``, ``10s`` or ``5 min``.

    Raises:
        InputError: It is no such time.
    """
    seconds = parse_value(text, "duration")
    if not 0 < seconds <= LONGEST_LISTEN_S:
        raise InputError(f"listen is {text!r}; allowed is above 0 up to {LONGEST_LISTEN_S:g} s")
    return seconds


def hear(
    shop: Shop,
    shop_path: Path,
    for_s: float,
    enough: Callable[[list[Heard]], bool] = lambda _heard: False,
) -> list[Heard]:
    """Listen to everything on the broker for a while.

    Args:
        shop: The shop file.
        shop_path: Where it is.
        for_s: How long [s].
        enough: Ends it before, asked a few times a second.

    Raises:
        BrokerError: The broker cannot be reached or does not let us hear.
    """
    broker = shop.broker
    hearing = Hearing((broker.host, broker.port), account_from(broker, shop_path))
    hearing.listen()
    try:
        _wait_up(hearing, broker)
        until_s = time.monotonic() + for_s
        while time.monotonic() < until_s and not enough(hearing.topics.all()):
            time.sleep(0.1)
    finally:
        hearing.close()
    return hearing.topics.all()


def _wait_up(hearing: Hearing, broker: BrokerInfo) -> None:
    until_s = time.monotonic() + WAIT_S
    while not hearing.up.wait(0.05):
        if hearing.trouble or time.monotonic() > until_s:
            why = hearing.trouble or f"no answer within {WAIT_S:g} s"
            raise BrokerError(
                f"{broker.host}:{broker.port}: {why}; is envmon or the broker running? "
                "See [broker] in the shop file"
            )


def points_document(shop_path: Path, listen_s: float) -> tuple[dict[str, Any], Shop]:
    """Listen, and return what is unclaimed and how the claimed points do.

    Args:
        shop_path: The shop file.
        listen_s: How long to listen [s].

    Raises:
        EnvmonError: The shop file has faults, or broker or store cannot be had.
    """
    shop = load_shop(shop_path)
    heard = hear(shop, shop_path, listen_s)
    now_us, at_s = SystemClock().now_us(), time.monotonic()
    folder = data_folder(shop, shop_path)
    claimed = claimed_document(shop, folder, now_us, batteries(shop, heard))
    document = {
        "at": iso_from_us(now_us),
        "listened_s": listen_s,
        "refused": why_refused(folder),
        **unclaimed_document(shop, heard, at_s, now_us),
        "claimed": claimed,
    }
    return document, shop


def points_lines(document: dict[str, Any], shop: Shop, shop_path: Path) -> Iterator[str]:
    """Yield the same for people."""
    if document["refused"]:
        yield f"! {plain(document['refused'])}"
    rows = document["unclaimed"]
    heard = f"heard in {document['listened_s']:g} s"
    count = len(rows) + document["more"]
    yield (
        f"{count} topic{'' if count == 1 else 's'} {heard} that no point claims:"
        if rows
        else f"every topic {heard} is claimed"
    )
    for row in rows:
        yield from _unclaimed_lines(row)
    if document["more"]:
        yield f"  … and {document['more']} more topics"
    if rows:
        yield f"Claim one with: envmon claim {shop_path} TOPIC --bay BAY --as QUANTITY=PLACE"
    yield ""
    yield f"{len(document['claimed'])} claimed points:"
    for row in document["claimed"]:
        yield from _claimed_lines(row, shop)


def _unclaimed_lines(row: dict[str, Any]) -> Iterator[str]:
    kept = "kept by the broker" if row["retained"] else f"{_age(row['age_s'])} ago"
    sent = row["sent_age_s"]
    said = "" if sent is None else f", says it is {_age(sent)} old"
    often = "" if row["every_s"] is None else f", every {_age(row['every_s'])}"
    yield f"  {row['shown']}  ({row['format']}, {kept}{said}{often})"
    yield f"      {row['payload']}"
    for offer in row["offers"]:
        place = f"{offer['shown']} " if offer["place"] else ""
        number = f"{offer['value']:g} {offer['unit']}".strip()
        yield f"      {place}= {number}: {offer['words']}"
    if row["battery"]:
        yield f"      battery {row['battery']}"
    if row["refused"]:
        yield f"      cannot be claimed: {row['refused']}"


def _claimed_lines(row: dict[str, Any], shop: Shop) -> Iterator[str]:
    battery = f", battery {row['battery']}" if row["battery"] else ""
    yield f"  {row['point']}  {row['word']}  ({row['bay'] or 'outside the bays'}{battery})"
    for finding in row["findings"]:
        yield f"      {finding['why']}: {finding['do']}"
    for each in row["quantities"]:
        entry = QUANTITIES[each["quantity"]]
        if each["value"] is None:
            yield f"      {entry.label}: nothing heard"
            continue
        value = format_value(each["value"], entry, shop.shop.units)
        yield f"      {entry.label} {value}, {_age(each['age_s'])} ago{_calibration(each)}"


def _calibration(each: dict[str, Any]) -> str:
    calibration = each["calibration"]
    if calibration is None:
        return ""
    if calibration["checked"] is None:
        return (
            "; calibrated in the shop file"
            if each["standing"] != "none"
            else ("; never calibrated")
        )
    due = f", due {calibration['due']}" if calibration["due"] else ""
    return f"; calibrated {calibration['checked']}{due}"


def _age(seconds: float) -> str:
    if seconds < 120:
        return f"{max(0.0, seconds):.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7_200 else f"{seconds / 3_600:.0f} h"
