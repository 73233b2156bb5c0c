"""``envmon now``: conditions and fitness from the store, whether or not the watch runs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import msgspec

from envmon.clock import SystemClock
from envmon.guard.describe import describe
from envmon.guard.engine import rewound_state, step
from envmon.guard.plan import plan_from_shop
from envmon.service.plain_log import plain
from envmon.service.restored import plan_fingerprint, restored_state
from envmon.service.watch import CLOCK_BACK_US
from envmon.service.watch_process import data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.store.sqlite import SqliteStore
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.guard.live import BayState

_MARKS = {"fit": "●", "marginal": "◐", "unfit": "✕", "unknown": "?"}
_SHOWN = ("air_temp_c", "rel_hum_pct", "panel_temp_c", "dew_point_c", "dew_margin_k")


@dataclass(frozen=True, slots=True)
class Now:
    """How the shop stands.

    Attributes:
        bays: Live state of every bay.
        timezone: The shop's time zone.
        rejected: How many payloads were ever refused.
        last_reject: Topic and reason of the last one; empty without one.
    """

    bays: list[BayState]
    timezone: str
    rejected: int
    last_reject: str


def shop_now(shop_path: Path, clock: Clock | None = None) -> Now:
    """Return how the shop stands now; what has gone stale is unknown.

    Args:
        shop_path: The shop file.
        clock: What time it is; the machine's own by default.

    Raises:
        ShopFileError: The shop file has faults.
        StoreError: There is no data yet.
    """
    shop = load_shop(shop_path)
    folder = data_folder(shop, shop_path)
    ensure_data(folder, shop_path)
    store = SqliteStore(folder)
    try:
        now_us = (clock or SystemClock()).now_us()
        plan = plan_from_shop(shop)
        state, _ = restored_state(plan, plan_fingerprint(plan), store, now_us)
        if now_us < state.now_us - CLOCK_BACK_US:
            state, _ = rewound_state(plan, state, now_us)
        state, _ = step(plan, state, [], [], now_us)
        bays = [describe(plan, state, bay_id) for bay_id in plan.bays]
        rejects = store.rejects()
        last = f"{rejects[0].topic}: {rejects[0].reason}" if rejects else ""
        return Now(bays, shop.shop.timezone, store.reject_total(), last)
    finally:
        store.close()


def now_json(now: Now) -> str:
    """Return the states as one JSON document, SI."""
    document = {"bays": now.bays, "rejected": now.rejected, "last_reject": now.last_reject}
    return msgspec.json.encode(document).decode()


def print_now(now: Now) -> None:
    """Print a table per bay: conditions in one line, then every stage with its reason."""
    from rich.console import Console  # noqa: PLC0415 - only this output needs it
    from rich.table import Table  # noqa: PLC0415

    console = Console(highlight=False)
    for state in now.bays:
        local = datetime.fromisoformat(state.at).astimezone(ZoneInfo(now.timezone))
        head = f"\n{state.name}, {local:%Y-%m-%d %H:%M:%S}"
        console.print(head, style="bold", markup=False)
        known = [(name, state.conditions.get(name)) for name in _SHOWN]
        console.print("  ".join(f"{_label(name)} {c.text}" for name, c in known if c), markup=False)
        table = Table(show_edge=False, pad_edge=False)
        for title in ("stage", "fitness", "why"):
            table.add_column(title, overflow="fold")
        for stage in state.stages:
            mark = "▶ " if stage.id == state.stage else "  "
            table.add_row(
                mark + stage.name, f"{_MARKS[stage.fitness]} {stage.fitness}", stage.summary
            )
        console.print(table)
        for note in (*(alarm.text for alarm in state.alarms), *state.notes):
            console.print(f"! {note}", markup=False)
    if now.rejected:
        line = f"\n{now.rejected} payloads could not be read; the last on {plain(now.last_reject)}"
        console.print(line, markup=False)


def _label(name: str) -> str:
    return QUANTITIES[name].label
