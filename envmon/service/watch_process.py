"""The watch as a process: ``python -m envmon.service.watch_process SHOP.toml``."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.clock import clock_from_text
from envmon.errors import ServiceError, StoreDamagedError, StoreError
from envmon.intake.link import Account, BrokerLink, Will
from envmon.service.alive import Pulse
from envmon.service.ending import exit_code_of, shop_process, stop_signals, take_lock
from envmon.service.heartbeat import HEARTBEAT_TOPIC, LAST_WILL
from envmon.service.trouble_senses import Senses
from envmon.service.watch import Watch
from envmon.shop.load import load_shop
from envmon.store.rescue import SUSPECT_FILE, open_or_renew
from envmon.store.sqlite import LIVE_FILE

if TYPE_CHECKING:
    import argparse
    from io import TextIOWrapper

    from envmon.shop.models import BrokerInfo, Shop

TURN_S = 0.1
READY_FILE = "watch.ready"
"""Comes into the data folder when the watch watches."""


def data_folder(shop: Shop, shop_path: Path, override: str | None = None) -> Path:
    """Return the data folder: the override, or the shop file's, beside the shop file."""
    return Path(override) if override else shop_path.resolve().parent / shop.store.folder


def ensure_data(folder: Path, shop_path: Path) -> None:
    """Refuse to look at a shop that was never watched.

    Raises:
        StoreError: There is no live file in the data folder.
    """
    if not (folder / LIVE_FILE).exists():
        raise StoreError(f"no data in {folder} yet; start it with: envmon run {shop_path}")


def lock_folder(folder: Path) -> TextIOWrapper:
    """Take the folder for this process until it ends, however it ends.

    Raises:
        ServiceError: Another watch holds it, or it cannot be written.
    """
    taken = f"another watch works in {folder}; stop it, or give another [store] folder"
    return take_lock(folder / "watch.lock", taken, "choose another folder")


def account_from(broker: BrokerInfo, shop_path: Path) -> Account:
    """Return the log-in, with the password from the environment or its file.

    Args:
        broker: ``[broker]`` of the shop file.
        shop_path: Where the shop file is; relative files are beside it.

    Raises:
        ServiceError: The variable or the file is not there.
    """
    password: str | None = None
    beside = shop_path.resolve().parent
    if broker.password_env:
        password = os.environ.get(broker.password_env)
        if password is None:
            raise ServiceError(
                f"environment variable {broker.password_env} is not set; it must hold the "
                "broker's password"
            )
    elif broker.password_file:
        password = _password_in(beside / broker.password_file)
    ca_file = beside / broker.ca_file if broker.ca_file else None
    return Account(broker.username, password, ca_file)


def _password_in(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8").strip()
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "it holds no text"
        raise ServiceError(
            f"cannot read the broker's password in {file}: {why}; password_file under [broker] "
            "names it, a relative one is beside the shop file"
        ) from error


def link_from(shop: Shop, shop_path: Path) -> BrokerLink:
    """Return the watch's connection: its own session, its topics, its last will."""
    broker = shop.broker
    return BrokerLink(
        broker.host,
        broker.port,
        broker.client_id or f"envmon-{shop.shop.site}",
        sorted({p.topic for p in shop.point} | {b.topic for b in shop.button}),
        Will(HEARTBEAT_TOPIC, LAST_WILL),
        account_from(broker, shop_path),
    )


def ensure_sound(live: Path, inode: int) -> None:
    """Refuse to go on with a live file that is not in its place, or that another found damaged.

    Args:
        live: Where it stands.
        inode: Its number when it was opened; a file taken away can be written, and is lost.

    Raises:
        StoreDamagedError: So it is.
    """
    if live.with_name(SUSPECT_FILE).exists():
        why = "another process met damage in it"
    elif not live.exists() or live.stat().st_ino != inode:
        why = "it was taken away or replaced"
    else:
        return
    raise StoreDamagedError(f"{live}: {why}; it is looked at when the watch is started again")


def run(shop: Shop, shop_path: Path, folder: Path, clock_text: str | None) -> None:
    """Watch a shop until SIGTERM or SIGINT.

    Args:
        shop: The shop file, checked.
        shop_path: Where it is.
        folder: Data folder.
        clock_text: The clock as text; None for the machine's own.

    Raises:
        StoreDamagedError: The live file is damaged; the next start renews it.
        StoreError: The live file cannot be opened, or the guard's state not be saved at the end.
        ServiceError: Another watch holds the folder, or it cannot be written.
    """
    stop = stop_signals()
    lock = lock_folder(folder)
    clock = clock_from_text(clock_text)
    store, _ = open_or_renew(folder, shop.shop.site, clock.now_us())
    senses = Senses(folder, expects_notice=bool(shop.contact))
    watch = Watch(shop, store, link_from(shop, shop_path), clock, senses)
    (folder / READY_FILE).touch()
    logging.getLogger("envmon.watch").info("watching %s", shop.shop.name)
    inode = store.path.stat().st_ino
    pulse = Pulse(os.environ)
    while not stop.is_set():
        watch.turn(TURN_S)
        pulse.beat()
        ensure_sound(store.path, inode)
    (folder / READY_FILE).unlink(missing_ok=True)
    watch.finish()
    lock.close()


def watch_as_asked(options: argparse.Namespace) -> None:
    """Read the shop file and watch the shop.

    Raises:
        EnvmonError: The shop file has faults, or the watch cannot run as asked.
    """
    shop = load_shop(options.shop)
    run(shop, options.shop, data_folder(shop, options.shop, options.data), options.clock)


def main(argv: list[str] | None = None) -> int:
    """Run the watch; return the exit code."""
    options = shop_process("envmon.service.watch_process").parse_args(argv)
    return exit_code_of("envmon watch", lambda: watch_as_asked(options))


if __name__ == "__main__":
    sys.exit(main())
