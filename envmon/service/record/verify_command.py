"""``envmon verify``: a record proven by itself, or also against the shop it comes from."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import msgspec

from envmon.errors import InputError
from envmon.service.record.verifying import checked, record_from
from envmon.service.record.verifying_shop import held_to_shop

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.service.record.verifying import Outcome

UNREADABLE = 2


def verify_and_say(file: Path, shop_path: Path | None, data: str | None, *, as_json: bool) -> int:
    """Verify a record, say what was found, and return the exit code.

    Args:
        file: The record's JSON.
        shop_path: The shop whose chain it is held to; None for the record alone.
        data: Data folder instead of the shop file's.
        as_json: One JSON document instead of lines.

    Returns:
        0 when everything holds, 1 when anything was changed, 2 when it cannot be read.

    Raises:
        ShopFileError: The shop file has faults.
        StoreError: The shop's data cannot be read.
    """
    try:
        raw = file.read_bytes()
        outcome = checked(raw)
    except (OSError, InputError) as error:
        sys.stderr.write(f"{file}: cannot be read: {error}\n")
        return UNREADABLE
    if shop_path is not None:
        outcome = held_to_shop(outcome, record_from(raw), shop_path, data)
    _say(outcome, file, as_json=as_json, alone=shop_path is None)
    return 1 if outcome.wrong else 0


def _say(outcome: Outcome, file: Path, *, as_json: bool, alone: bool) -> None:
    if as_json:
        document = {"holds": not outcome.wrong, **outcome._asdict()}
        sys.stdout.write(msgspec.json.encode(document).decode() + "\n")
        return
    lines = [f"{file}: {text}" for text in (*outcome.wrong, *outcome.said)]
    if not outcome.wrong:
        held = "everything holds" if alone else "everything holds, also in the shop's own chain"
        lines.insert(0, f"{file}: job {outcome.job}: {held}")
        if alone:
            lines.append("Held to the shop's own chain it proves more: --shop SHOP.toml")
    sys.stdout.write("".join(f"{line}\n" for line in lines))
