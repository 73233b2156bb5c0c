"""The board process: ``python -m envmon_boards SHOP.toml``."""

from __future__ import annotations

import logging
import sys
from typing import TYPE_CHECKING

from envmon.clock import clock_from_text
from envmon.field.hearing_link import Hearing
from envmon.guard.plan import plan_from_shop
from envmon.service.ending import exit_code_of, shop_process
from envmon.service.people.door import ensure_certificate, ensure_shut
from envmon.service.watch_process import account_from, data_folder
from envmon.shop.load import load_shop
from envmon_boards.api import Boards
from envmon_boards.app import build_app
from envmon_boards.door_server import server_of, sockets_of
from envmon_boards.feed import LiveFeed
from envmon_boards.history_ready import HistoryReady
from envmon_boards.source import MqttSource

if TYPE_CHECKING:
    import argparse


def serve(options: argparse.Namespace) -> None:
    """Serve the boards until SIGTERM or SIGINT.

    Raises:
        ServiceError: The door cannot be shut, or the address cannot be had.
    """
    shop = load_shop(options.shop)
    people = ensure_shut(shop, options.shop)
    pair = ensure_certificate(shop, options.shop)
    feed = LiveFeed(known=frozenset(bay.id for bay in shop.bay))
    address, account = (shop.broker.host, shop.broker.port), account_from(shop.broker, options.shop)
    source, hearing = MqttSource(feed, address, account), Hearing(address, account)
    boards = Boards(
        shop,
        plan_from_shop(shop),
        feed,
        data_folder(shop, options.shop, options.data),
        clock_from_text(options.clock),
        source if options.demo else None,
        people,
        shop_path=options.shop,
        hearing=hearing,
    )
    server = server_of(build_app(boards), pair)
    sockets = sockets_of(shop.shop.boards_host, options.port or shop.shop.boards_port)
    ready = HistoryReady(boards.folder)
    source.start()
    ready.start()
    try:
        server.run(sockets)
    finally:
        source.stop()
        hearing.close()
        ready.stop()


def main(argv: list[str] | None = None) -> int:
    """Run the boards; return the exit code."""
    parser = shop_process("envmon_boards")
    parser.add_argument("--port", type=int)
    parser.add_argument("--demo", action="store_true")
    options = parser.parse_args(argv)
    logging.getLogger().setLevel(logging.WARNING)
    logging.getLogger("envmon.door").setLevel(logging.INFO)  # who came in stands in the log
    return exit_code_of("envmon boards", lambda: serve(options))


if __name__ == "__main__":
    sys.exit(main())
