"""``envmon calibrate``: how every sensor is calibrated, and a new calibration shown, then kept.

A calibration is asked for through the store; the watch makes it an event of the chain and decodes
by it from then on. Readings already stored stay as they are.
"""

from __future__ import annotations

import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.clock import DAY_US, iso_from_us
from envmon.errors import InputError
from envmon.facts import CALIBRATION_ACCEPTED
from envmon.guard.plan import plan_from_shop
from envmon.intake.calibration_record import (
    Record,
    is_measured,
    line_from_pairs,
    record_from,
)
from envmon.intake.calibrations import Calibrations
from envmon.service.calibration.check import due_of, pairs_of, reference_of
from envmon.service.calibration.effect import LOOKED_AT_US, effect_of
from envmon.service.calibration.table import calibration_rows, row_document
from envmon.service.calibration.text import TAKEN, effect_document, effect_lines, table_lines
from envmon.service.span import local_from_us, parse_moment
from envmon.service.watch_process import READY_FILE, data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.store.sqlite import SqliteStore
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import date
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.guard.plan import GuardPlan
    from envmon.service.calibration.check import Check
    from envmon.service.calibration.effect import Effect
    from envmon.service.calibration.table import Row
    from envmon.service.calibration.text import Taken
    from envmon.shop.models import Shop

PATIENCE_S = 3.0
"""So long the watch has to take a calibration in [s, real time]; it needs a tenth of a second."""


class Desk:
    """A shop's calibrations, opened to look at and to add to.

    Args:
        shop: The shop file.
        store: The live store.
        now_us: Time now [µs, UTC].
    """

    def __init__(self, shop: Shop, store: SqliteStore, now_us: int) -> None:
        self.shop, self.store, self.now_us = shop, store, now_us
        self.calibrations = Calibrations.of_shop(shop, store.events_of(CALIBRATION_ACCEPTED))

    @property
    def zone(self) -> str:
        """The shop's time zone."""
        return self.shop.shop.timezone

    @property
    def today(self) -> date:
        """The shop's date."""
        return local_from_us(self.now_us, self.zone).date()

    def rows(self) -> list[Row]:
        """Return every series with its calibration."""
        return calibration_rows(self.shop, self.calibrations, self.store.series(), self.today)

    def record(self, check: Check) -> Record:
        """Return the record a check would make.

        Raises:
            InputError: What was given makes no calibration.
        """
        self._ensure_known(check.point, check.quantity)
        read_us = parse_moment(check.read_at, self.zone) if check.read_at else self.now_us
        if read_us > self.now_us:
            raise InputError(f"--read-at is {check.read_at}, which is still to come")
        shown_by = self.calibrations.at(check.point, check.quantity, read_us)
        pairs, salts, temp_c = pairs_of(check)
        self._ensure_new(check, pairs)
        line = line_from_pairs(pairs, shown_by.line, check.quantity)
        checked = local_from_us(read_us, self.zone).date()
        record = Record(
            check.point, check.quantity, *line, pairs, (*shown_by.line,), check.by or "nobody yet",
            checked.isoformat(), due_of(check, checked), reference_of(check, salts), salts, temp_c,
        )  # fmt: skip
        return record_from(msgspec.to_builtins(record))

    def effect(self, record: Record, plan: GuardPlan) -> Effect:
        """Return what a record would change, shown on the readings of the last day."""
        from_us = self.now_us - LOOKED_AT_US
        readings = self.store.readings(from_us, self.now_us + 1, [record.point])
        return effect_of(record, self.calibrations, readings, plan)

    def ask(self, record: Record) -> int:
        """Keep a record durably for the watch and return the request's id."""
        data = msgspec.to_builtins(record)
        return self.store.ask(CALIBRATION_ACCEPTED, "", data, self.now_us)

    def outcome(self, request: int, record: Record, patience_s: float) -> Taken:
        """Wait until the watch has dealt with a request, and return what became of it."""
        until = time.monotonic() + patience_s
        while any(each.id == request for each in self.store.requests()):
            if time.monotonic() >= until:
                return "waiting"
            time.sleep(0.05)
        self.calibrations.take(self.store.events_of(CALIBRATION_ACCEPTED))
        found = self.calibrations.history(record.point, record.quantity)
        return "taken" if any(entry.record == record for entry in found) else "refused"

    def _ensure_known(self, point: str, quantity: str) -> None:
        entry = QUANTITIES.get(quantity)
        if entry is not None and is_measured(entry) and self.calibrations.knows(point, quantity):
            return
        known = ", ".join(f"{row.point} {row.quantity}" for row in self.rows()) or "none"
        raise InputError(f"{point} {quantity} is nothing the shop file reads; allowed: {known}")

    def _ensure_new(self, check: Check, pairs: tuple[tuple[float, float], ...]) -> None:
        """Refuse what would be worked back from the wrong line."""
        key = [check.point, check.quantity]
        for request in self.store.requests():
            if request.kind == CALIBRATION_ACCEPTED and [
                request.data.get("point"), request.data.get("quantity"),
            ] == key:  # fmt: skip
                raise InputError(
                    f"a calibration of {check.point} {check.quantity} waits for the watch already; "
                    "start the watch, then read the sensor anew"
                )
        entry = self.calibrations.in_force(check.point, check.quantity)
        since_us = entry.since_us or 0
        if entry.record and entry.record.pairs == pairs and self.now_us - since_us < DAY_US:
            raise InputError(
                f"these pairs are in the record accepted {iso_from_us(since_us)} already; read "
                "the sensor anew: it shows other values since then"
            )


class Opened(NamedTuple):
    """What a command works with.

    Attributes:
        desk: Calibrations and store.
        beside_watch: The watch runs, as far as can be told.
    """

    desk: Desk
    beside_watch: bool


@contextmanager
def desk_of(shop_path: Path, data: str | None, clock: Clock) -> Iterator[Opened]:
    """Open a shop's calibrations.

    Raises:
        ShopFileError: The shop file has faults.
        StoreError: There is no data yet, or it cannot be read.
    """
    shop = load_shop(shop_path)
    folder = data_folder(shop, shop_path, data)
    ensure_data(folder, shop_path)
    store = SqliteStore(folder)
    try:
        yield Opened(Desk(shop, store, clock.now_us()), (folder / READY_FILE).exists())
    finally:
        store.close()


class Wish(NamedTuple):
    """What the command is asked for.

    Attributes:
        shop_path: The shop file.
        data: Data folder instead of the shop file's.
        check: What was read; None for the table.
        accept: Keep it, after showing.
        as_json: One JSON document instead of text.
    """

    shop_path: Path
    data: str | None
    check: Check | None
    accept: bool = False
    as_json: bool = False


def calibrate(
    wish: Wish, clock: Clock, say: Callable[[str], None], patience_s: float = PATIENCE_S
) -> int:
    """Show calibrations or a new one, keep it when accepted, and return the exit code.

    Args:
        wish: What is asked for.
        clock: What time it is.
        say: Takes a line for the person, off stdout.
        patience_s: How long a running watch has to take it in [s, real time].

    Returns:
        0; 1 when something is overdue, or the watch refused what was accepted.

    Raises:
        InputError: What was given makes no calibration, or nobody accepts it.
    """
    with desk_of(wish.shop_path, wish.data, clock) as (desk, beside_watch):
        if wish.check is None:
            return _table(desk, as_json=wish.as_json)
        if wish.accept and not wish.check.by.strip():
            raise InputError("--accept needs --by with the name of who accepts it")
        effect = desk.effect(desk.record(wish.check), plan_from_shop(desk.shop))
        if not wish.as_json:
            sys.stdout.write("\n".join(effect_lines(effect, desk.shop)) + "\n")
        taken: Taken | None = None
        if wish.accept:
            request = desk.ask(effect.record)
            taken = desk.outcome(request, effect.record, patience_s if beside_watch else 0.0)
        if wish.as_json:
            sys.stdout.write(msgspec.json.encode(effect_document(effect, taken)).decode() + "\n")
        say(TAKEN[taken] if taken else "nothing is kept; to accept it, add --accept --by NAME")
        return 1 if taken == "refused" else 0


def _table(desk: Desk, *, as_json: bool) -> int:
    rows = desk.rows()
    if as_json:
        document = {"calibrations": [row_document(row) for row in rows]}
        sys.stdout.write(msgspec.json.encode(document).decode() + "\n")
    else:
        lines = table_lines(rows, desk.shop, desk.today)
        sys.stdout.write("".join(f"{line}\n" for line in lines))
    return 1 if any(row.standing == "overdue" for row in rows) else 0
