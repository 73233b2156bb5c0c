"""The demo: a simulated winter day in a two-bay shop over a real broker, nothing to configure."""

from __future__ import annotations

import json
import re
import socket
import time
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib import resources
from typing import TYPE_CHECKING

from envmon.clock import DAY_US, ScaledClock, us_from_datetime
from envmon.errors import InputError, ServiceError
from envmon.service.broker import LOOPBACK
from envmon.service.demo_folder import folder_thrown_away
from envmon.service.points.taking_in import TakingIn
from envmon.service.shop_run import children_of
from envmon.service.supervisor import (
    Child,
    Supervisor,
    ensure_port_free_for_boards,
    module_argv,
)
from envmon.shop.load import load_shop
from envmon.store.sqlite import LIVE_FILE, SqliteStore

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DEMO_START = "2026-01-27T09:58:00-09:00"
"""Where the demo begins in the simulated shop's scripted day: half an hour before a coating that
a wash next door will push out of its window and back."""
SHOP_FILE = "demo_shop.toml"
TIME_OF_DAY = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


@dataclass(frozen=True, slots=True)
class DemoOptions:
    """What ``envmon demo`` was asked for.

    Attributes:
        speed: Simulated seconds per real second.
        port: Port of the screens.
        hours: Simulated hours after which it ends by itself; None runs on.
        data: Folder to keep the data in; None uses one that is thrown away.
        begin: Local time of day of the scripted day to begin at, such as ``07:00``; None begins
            shortly before a coating, or where the kept data end.
        by_hand: Nobody works in the bays but whoever is at the bench.
    """

    speed: float = 60.0
    port: int = 8050
    hours: float | None = None
    data: Path | None = None
    begin: str | None = None
    by_hand: bool = False

    def __post_init__(self) -> None:
        if not 0.1 <= self.speed <= 3600:
            raise InputError(f"speed is {self.speed:g}; allowed is 0.1 to 3600")
        if self.hours is not None and not 0 < self.hours <= 24 * 366:
            raise InputError(f"hours is {self.hours:g}; allowed is above 0 up to 8784")
        if not 1 <= self.port <= 65_535:
            raise InputError(f"port is {self.port}; allowed is 1 to 65535")
        if self.begin is not None and not TIME_OF_DAY.fullmatch(self.begin):
            raise InputError(f"from is {self.begin!r}; allowed is a time of day such as 07:00")


def free_port() -> int:
    """Return a loopback port that is free now."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def run_demo(options: DemoOptions, say: Callable[[str], None]) -> int:
    """Run the demo until Ctrl-C or its hours are over; return the exit code.

    A folder given with ``data`` is kept, and the next demo goes on where this one stopped.

    Raises:
        EnvmonError: It cannot start.
    """
    ensure_port_free_for_boards(options.port, "another with --port")
    kept = nullcontext(options.data) if options.data else folder_thrown_away()
    with kept as folder:
        return _run_in(folder, options, say)


def _run_in(folder: Path, options: DemoOptions, say: Callable[[str], None]) -> int:
    shop_path = folder / SHOP_FILE
    broker_port = free_port()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        shop_path.write_text(_shop_text(broker_port, options.port), encoding="utf-8")
    except OSError as error:
        raise ServiceError(
            f"data folder is {folder}: {error.strerror}; give a folder that can be written"
        ) from error
    start_us = _start_us(folder, options.begin)
    clock = ScaledClock(time.time_ns() // 1_000, start_us, options.speed)
    shop = load_shop(shop_path)
    children = children_of(shop, shop_path, folder, clock.as_text(), demo=True)
    simulated = ["--port", broker_port, "--clock", clock.as_text(), "--from-us", clock.start_us]
    hours = [] if options.hours is None else ["--hours", options.hours]
    if not options.by_hand:
        hand = ["--port", broker_port, "--data", folder, "--clock", clock.as_text()]
        argv = module_argv("envmon.service.demo_hand", shop_path, *hand)
        children.append(Child("the person of the demo", argv))
    children.append(
        Child(
            "the simulated shop",
            module_argv("envmon_sensors", *simulated, *hours),
            ends_run=options.hours is not None,
        )
    )
    taking_in = TakingIn(shop, shop_path, folder, say)
    return Supervisor(children, say, shop_changed=taking_in.due).run(
        f"envmon demo at {options.speed:g} times real speed: look at "
        f"http://{LOOPBACK}:{options.port}/  (Ctrl-C ends it)"
    )


def _shop_text(broker_port: int, boards_port: int) -> str:
    """Return the demo's shop file with this run's ports."""
    text = resources.files("envmon.service").joinpath(SHOP_FILE).read_text(encoding="utf-8")
    text = text.replace("[broker]\n", f"[broker]\nport = {broker_port}\n")
    text = text.replace("[shop]\n", f"[shop]\nboards_port = {boards_port}\n")
    return text + f"\n[store]\nfolder = {json.dumps('.')}\n"


def _start_us(folder: Path, begin: str | None) -> int:
    """Return where the simulated time begins: in the scripted day, not before what is kept."""
    first = datetime.fromisoformat(DEMO_START)
    if begin is not None:
        first = first.replace(hour=int(begin[:2]), minute=int(begin[3:]))
    kept_us = _kept_until_us(folder)
    if begin is None:
        return max(us_from_datetime(first), kept_us)
    days = max(0, -(-(kept_us - us_from_datetime(first)) // DAY_US))
    return us_from_datetime(first + timedelta(days=days))


def _kept_until_us(folder: Path) -> int:
    """Return up to when a data folder was watched [µs]; 0 for a new one."""
    if not (folder / LIVE_FILE).exists():
        return 0
    store = SqliteStore(folder)
    try:
        return store.snapshot_at("guard") or 0
    finally:
        store.close()
