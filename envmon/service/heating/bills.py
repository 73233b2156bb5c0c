"""``envmon bills``: bills for heat from a CSV file, kept in the chain of events.

A file with a fault brings nothing in. A bill that is there is passed over; one for the same days
with other figures takes the place of the former, and the chain still shows both.
"""

from __future__ import annotations

import calendar
import csv
import math
from contextlib import closing
from datetime import date
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.errors import InputError
from envmon.heating.billing import overlaps
from envmon.heating.fuel import ensure_billed_in
from envmon.heating.model import Bill
from envmon.heating.money_round import digits_of
from envmon.heating.words import number
from envmon.service.asked import HEAT_BILLED
from envmon.service.span import local_from_us
from envmon.service.watch_process import data_folder
from envmon.shop.load import load_shop
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.shop.heat import HeatingInfo
    from envmon.store.base import Store

WITHDRAWN = "withdrawn"
"""Instead of an amount: the bill of these days is taken away."""
COLUMNS = ("from", "to", "month", "amount", "unit", "cost")
LARGEST_FILE = 1_000_000
"""No shop has so many bills [bytes]."""
MOST_FAULTS = 10
ENOUGH_FAULTS = 1_000
"""A file with so many is not read any further."""
_EMPTY = {"", "-", "—"}


class BillsWish(NamedTuple):
    """What ``envmon bills`` is asked for.

    Attributes:
        shop_path: The shop file.
        file: CSV to bring in; None only shows what is kept.
        data: Data folder instead of the shop file's.
    """

    shop_path: Path
    file: Path | None
    data: str | None = None


def bills_kept(store: Store) -> tuple[Bill, ...]:
    """Return the bills of the chain, and those that wait for the watch, in order of their days.

    Of several for the same days the one entered last counts; one that says nothing takes the former
    away.
    """
    said = [event.data for event in store.events_of(HEAT_BILLED)]
    said += [request.data for request in store.requests() if request.kind == HEAT_BILLED]
    found = {(bill.first, bill.last): bill for bill in map(_bill_of, said)}
    return tuple(found[days] for days in sorted(found) if not is_withdrawn(found[days]))


def is_withdrawn(bill: Bill) -> bool:
    """Return whether a bill says neither amount nor cost: that of its days is taken away."""
    return bill.amount is None and bill.cost is None


def _bill_of(data: dict[str, Any]) -> Bill:
    first, last = date.fromisoformat(data["first"]), date.fromisoformat(data["last"])
    return Bill(first, last, data["amount"], data["unit"], data["cost"])


def keep_bills(store: Store, bills: Iterable[Bill], now_us: int) -> tuple[int, int]:
    """Keep bills that are new or changed, on the disk when this returns.

    Args:
        store: The live store.
        bills: Bills read.
        now_us: Time now [µs].

    Returns:
        How many were new, and how many took the place of another.
    """
    known = {(bill.first, bill.last): bill for bill in bills_kept(store)}
    new = changed = 0
    with store.atomic():
        for bill in bills:
            before = known.get((bill.first, bill.last))
            if before == bill or (before is None and is_withdrawn(bill)):
                continue
            new, changed = new + (before is None), changed + (before is not None)
            known[bill.first, bill.last] = bill
            days = {"first": bill.first.isoformat(), "last": bill.last.isoformat()}
            data = {**days, "amount": bill.amount, "unit": bill.unit, "cost": bill.cost}
            store.ask(HEAT_BILLED, "", data, now_us)
    return new, changed


def bills_from_csv(text: str, info: HeatingInfo, today: date) -> list[Bill]:
    """Return the bills of a CSV file.

    Args:
        text: The file's text.
        info: The shop's ``[heating]``.
        today: The date in the shop; a bill ends on it at the latest.

    Columns are ``from`` and ``to`` (first and last day) or ``month`` (2025-01), ``amount`` with
    ``unit``, and ``cost`` in the shop's currency; amount or cost may be empty, and the amount
    ``withdrawn`` takes away the bill of those days. They are split by commas, or by semicolons, and
    then numbers may have a decimal comma.

    Raises:
        InputError: With every fault, its line, and what is allowed.
    """
    try:
        return _bills_from(text.removeprefix("\ufeff").splitlines(), info, today)
    except csv.Error as error:
        raise InputError(f"this is no CSV text: {error}; nothing was brought in") from error


def _bills_from(lines: Sequence[str], info: HeatingInfo, today: date) -> list[Bill]:
    header = lines[0] if lines else ""
    mark = ";" if header.count(";") > header.count(",") else ","
    heads = [name.strip().casefold() for name in header.split(mark)]
    _ensure_heads(heads)
    bills, faults = [], []
    for place, cells in enumerate(csv.reader(lines[1:], delimiter=mark), 2):
        if not any(cell.strip() for cell in cells):
            continue
        try:
            bill = _bill_from(dict(zip(heads, cells, strict=False)), mark, info)
            _ensure_ended(bill, today)
            bills.append(bill)
        except InputError as error:
            faults.append(f"line {place}: {error}")
            if len(faults) == ENOUGH_FAULTS:
                break
    if faults:
        more = f"; and {len(faults) - MOST_FAULTS} more" if len(faults) > MOST_FAULTS else ""
        raise InputError("; ".join(faults[:MOST_FAULTS]) + more + "; nothing was brought in")
    if not bills:
        raise InputError("there is no bill in the file; give a line for each under the header")
    return bills


def _ensure_heads(heads: Sequence[str]) -> None:
    unknown = [name for name in heads if name not in COLUMNS]
    days = "month" in heads or {"from", "to"} <= set(heads)
    if unknown or not days or not {"amount", "cost"} & set(heads):
        raise InputError(
            f"columns are {', '.join(heads) or 'none'}; allowed: from and to, or month, then "
            "amount with unit, cost"
        )


def _bill_from(cells: dict[str, str], mark: str, info: HeatingInfo) -> Bill:
    row = {name: cell.strip() for name, cell in cells.items()}
    first, last = _days(row)
    if row.get("amount", "").casefold() == WITHDRAWN:
        return Bill(first, last, None, "", None)
    amount, cost = (_number(row.get(name, ""), name, mark) for name in ("amount", "cost"))
    if amount is None and cost is None:
        raise InputError("amount and cost are empty; give at least one")
    unit = row.get("unit", "")
    if amount is not None:
        ensure_billed_in(unit, info.fuel)
    return Bill(first, last, amount, unit if amount is not None else "", cost)


def _ensure_ended(bill: Bill, today: date) -> None:
    """Refuse a bill of days to come; one may always be taken away."""
    if bill.last <= today or is_withdrawn(bill):
        return
    if bill.first > today:
        raise InputError(
            f"bill is of {bill.first} to {bill.last}, and today is {today}; allowed are days up to "
            "today: correct from and to"
        )
    raise InputError(
        f"bill is of {bill.first} to {bill.last} and still open today, {today}; allowed are days "
        f"up to today: bring it in when it has ended, or give what is known so far with from "
        f"{bill.first}, to {today}, and withdraw that line before the whole bill comes in"
    )


def _days(row: dict[str, str]) -> tuple[date, date]:
    if row.get("month"):
        first = _date(f"{row['month']}-01", f"month is {row['month']!r}; allowed is 2025-01")
        return first, first.replace(day=calendar.monthrange(first.year, first.month)[1])
    first, last = (
        _date(row.get(name, ""), f"{name} is {row.get(name, '')!r}; allowed is a date: 2025-01-31")
        for name in ("from", "to")
    )
    if last < first:
        raise InputError(f"to is {last}, before from {first}; to is the last day of the bill")
    if (last - first).days > 400:
        raise InputError(f"bill is of {first} to {last}; allowed are 400 days or fewer")
    return first, last


def _date(text: str, fault: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise InputError(fault) from error
    if not 1972 <= day.year <= 2198:
        raise InputError(f"{fault}; allowed are dates from 1972 to 2198")
    return day


def _number(text: str, name: str, mark: str) -> float | None:
    if text in _EMPTY:
        return None
    plain = text.replace("\u00a0", "").replace("\u202f", "").replace(" ", "")
    if mark == ";" and "," in plain:
        plain = plain.replace(".", "").replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value < 0 or "_" in plain:
        raise InputError(f"{name} is {text!r}; allowed is a number of 0 or more, or nothing")
    return value


def import_bills(wish: BillsWish, clock: Clock, say: Callable[[str], None]) -> int:
    """Bring bills in, if a file was given, and say what is kept; return 0.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: The file cannot be read, or has faults.
        StoreError: The disk fails.
    """
    shop = load_shop(wish.shop_path)
    today = local_from_us(clock.now_us(), shop.shop.timezone).date()
    bills = None if wish.file is None else bills_from_csv(_text(wish.file), shop.heating, today)
    with closing(SqliteStore(data_folder(shop, wish.shop_path, wish.data))) as store:
        if bills is not None:
            new, changed = keep_bills(store, bills, clock.now_us())
            there = len(bills) - new - changed
            say(f"{wish.file}: {new} new, {changed} changed, {there} there already")
        kept = bills_kept(store)
    for line in bill_lines(kept, shop.heating.currency):
        say(line)
    return 0


def bill_lines(bills: Sequence[Bill], currency: str) -> list[str]:
    """Return a line for each bill, and a word on days that two of them share."""
    lines = [
        f"{bill.first} to {bill.last}  "
        + ("no amount" if bill.amount is None else f"{bill.amount:g} {bill.unit}")
        + ("" if bill.cost is None else f"  {currency} {number(bill.cost, digits_of(currency))}")
        for bill in bills
    ]
    return [*(lines or ["no bills are kept"]), *overlaps(bills)]


def _text(file: Path) -> str:
    try:
        if file.stat().st_size > LARGEST_FILE:
            raise InputError(f"{file} has over {LARGEST_FILE} bytes; is it a file of bills?")
        return file.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"cannot read {file}: {error}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{file} is not UTF-8 text; save it as CSV UTF-8") from error
