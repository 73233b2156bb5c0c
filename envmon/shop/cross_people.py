"""People to be told, seen as a whole: addresses that slipped in, quiet hours, channels twice."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from envmon.shop.raw import Finding, Table, step_into, tables, word, words
from envmon.shop.words import show

if TYPE_CHECKING:
    from collections.abc import Iterator

ENVIRONMENT_NAME = re.compile(r"^[A-Za-z_][A-Za-z0-9_]*$")
_NO_NAME = re.compile(r"[:/@]")
ADDRESS_ELSEWHERE = (
    "an address holds secrets and never stands in the shop file; give the channel a short name, "
    "and its address in ENVMON_CHANNEL_<NAME> or in the channels_file of [notice]"
)


def check_people(data: Table) -> Iterator[Finding]:
    """Yield faults of ``[[contact]]`` tables that no field shows by itself."""
    for path, contact in tables(data, ("contact",)):
        begins, _, ends = (word(contact, "quiet") or "-").partition("-")
        if begins and begins == ends:
            message = (
                f"quiet begins and ends at {begins}; allowed are two different times; leave it out "
                "for none"
            )
            yield Finding((*path, "quiet"), message)
        seen: set[str] = set()
        for index, channel in words(contact, "channels"):
            if channel in seen:
                message = f"channel is {show(channel)} twice; allowed is each once; take one away"
                yield Finding((*path, "channels", index), message)
            seen.add(channel)


def secret_addresses(data: object) -> Iterator[Finding]:
    """Yield a fault for every address that stands where a name belongs; its value stays hidden."""
    for path, contact in tables(data, ("contact",)):
        for index, channel in words(contact, "channels"):
            if _NO_NAME.search(channel):
                yield Finding((*path, "channels", index), ADDRESS_ELSEWHERE)
    notice = step_into(data, "notice")
    name = word(notice, "ping_url_env") if isinstance(notice, dict) else None
    if name is not None and not ENVIRONMENT_NAME.match(name):
        message = (
            "ping_url_env is no name of an environment variable; allowed are letters, digits and "
            "_, such as SHOP_PING_URL; the address itself never stands here"
        )
        yield Finding(("notice", "ping_url_env"), message)
