"""The keeper as a process: ``python -m envmon.service.keeping.keeper_process SHOP.toml``."""

from __future__ import annotations

import logging
import sys
from typing import TYPE_CHECKING

from envmon.clock import clock_from_text
from envmon.errors import EnvmonError, StoreError
from envmon.service.ending import exit_code_of, shop_process, stop_signals
from envmon.service.keeping.keeper import Keeper
from envmon.service.watch_process import data_folder
from envmon.shop.load import load_shop

if TYPE_CHECKING:
    import argparse
    import threading

    from envmon.clock import Clock

log = logging.getLogger("envmon.keeper")

EVERY_S = 60.0
"""Real seconds between two turns."""


def run(keeper: Keeper, clock: Clock, stop: threading.Event) -> None:
    """Turn until told to stop; a turn that fails is told and tried again."""
    said = ""
    while not stop.is_set():
        failure = ""
        try:
            keeper.turn(clock.now_us())
        except EnvmonError as error:
            failure = str(error)
        if failure != said:
            log.warning("the archive waits: %s", failure) if failure else log.info("done again")
        said = failure
        try:
            keeper.say(clock.now_us(), failure)
        except StoreError as error:
            log.warning("cannot leave word: %s", error)
        stop.wait(EVERY_S)


def keep_as_asked(options: argparse.Namespace) -> None:
    """Read the shop file and keep its archive until SIGTERM or SIGINT.

    Raises:
        EnvmonError: The shop file has faults, or the folder cannot be used.
    """
    stop = stop_signals()
    shop = load_shop(options.shop)
    keeper = Keeper(shop, data_folder(shop, options.shop, options.data))
    try:
        run(keeper, clock_from_text(options.clock), stop)
    finally:
        keeper.close()


def main(argv: list[str] | None = None) -> int:
    """Run the keeper; return the exit code."""
    options = shop_process("envmon.service.keeping.keeper_process").parse_args(argv)
    return exit_code_of("envmon keeper", lambda: keep_as_asked(options))


if __name__ == "__main__":
    sys.exit(main())
