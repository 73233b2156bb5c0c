"""The winter worked out in a process of its own, so that the boards' stream never waits for it.

``python -m envmon_boards.winter_work < question.json > view.json``: asked by the board process.
"""

from __future__ import annotations

import os
import sys
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import msgspec

from envmon.errors import EnvmonError
from envmon.guard.plan import plan_from_shop
from envmon.heating.report import document_of
from envmon.service.heating.make import DaySpan, make_report, since_kept, years_kept
from envmon.shop.models import Shop
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore
from envmon_boards.winter_view import view_of

NICE = 5
"""A winter may take a second longer; a live screen may not."""


class Question(msgspec.Struct, frozen=True):
    """What is asked.

    Attributes:
        shop: The shop file as its models write it.
        folder: Data folder.
        first: First day.
        end: Day it ends before.
        now_us: Time now [µs].
    """

    shop: str
    folder: str
    first: date
    end: date
    now_us: int


def answer(question: Question) -> dict[str, Any]:
    """Return the view of a winter, with which winters there are.

    Raises:
        EnvmonError: It cannot be worked out.
    """
    shop = Shop.model_validate_json(question.shop)
    folder = Path(question.folder)
    with closing(SqliteStore(folder)) as store, closing(Past(store, folder)) as past:
        span = since_kept(past, shop, DaySpan(question.first, question.end))
        report = make_report(past, shop, plan_from_shop(shop), span, question.now_us)
        years = years_kept(past, shop, question.now_us)
    return {**view_of(document_of(report, shop)), "years": years}


def main() -> int:
    """Read a question from stdin and write the view to stdout; return the exit code."""
    os.nice(NICE)
    try:
        view = answer(msgspec.json.decode(sys.stdin.buffer.read(), type=Question))
    except EnvmonError as error:
        sys.stderr.write(f"{error}\n".replace("\n", " "))
        return 1
    sys.stdout.buffer.write(msgspec.json.encode(view))
    return 0


if __name__ == "__main__":
    sys.exit(main())
