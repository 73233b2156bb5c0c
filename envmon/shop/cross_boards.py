"""The door of the screens, seen as a whole: what another address than loopback takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.shop.boards import EVERYWHERE, is_loopback
from envmon.shop.raw import Finding, Table, step_into, word, words
from envmon.shop.words import show

if TYPE_CHECKING:
    from collections.abc import Iterator

_PEOPLE = 'people_file = "people.toml" (then: envmon people SHOP.toml add NAME --role manage)'
_CERTIFICATE = "certificate and key (envmon certificates SHOP.toml makes them), or behind_proxy"
_NAMES = "names, as browsers will open it"


def check_boards(data: Table) -> Iterator[Finding]:
    """Yield a fault where the screens would be served to others without a shut door."""
    shop, boards = step_into(data, "shop"), step_into(data, "boards")
    host = word(shop, "boards_host") if isinstance(shop, dict) else None
    if host is None or is_loopback(host):
        return
    lacking = list(_lacking(boards if isinstance(boards, dict) else {}, host))
    if lacking:
        message = (
            f"boards_host is {show(host)}, which others can reach; [boards] then needs "
            f"{'; and '.join(lacking)}; or use 127.0.0.1"
        )
        yield Finding(("shop", "boards_host"), message)


def _lacking(boards: Table, host: str) -> Iterator[str]:
    if word(boards, "people_file") is None:
        yield _PEOPLE
    if boards.get("behind_proxy") is not True and word(boards, "certificate") is None:
        yield _CERTIFICATE
    if host in EVERYWHERE and not any(words(boards, "names")):
        yield _NAMES
