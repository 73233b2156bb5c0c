"""How the memory of the soak's processes went, and whether it is flat."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.acceptance.soak_eye import Memory

SETTLED_S = 40.0
"""A process's memory is looked at from this age on [real s]."""
MANY = 8
"""So many samples of one process say something of its slope."""
DAY_S = 86_400.0
GROWTH = 1.1
GROWTH_MB = 10.0
"""The last third of a process's longest life may hold so much more than the first."""


def memory(samples: Sequence[Memory], speed: float) -> list[dict[str, Any]]:
    """Return for each process how its memory went: the slope within its lives, per clock day."""
    lives: dict[tuple[str, int], list[Memory]] = defaultdict(list)
    for sample in samples:
        lives[sample.name, sample.pid].append(sample)
    rows = []
    for name in sorted({sample.name for sample in samples}):
        mine = [life for (who, _), life in lives.items() if who == name]
        old = [[s for s in life if s.at > life[0].at + SETTLED_S] for life in mine]
        long = [life for life in old if len(life) >= MANY]
        rows.append({"name": name, "lives": len(mine), **_slope(long, speed)})
    return rows


def _slope(lives: Sequence[Sequence[Memory]], speed: float) -> dict[str, Any]:
    if not lives:
        nothing = dict.fromkeys(("mb_per_day", "first_mb", "last_mb", "rest_first", "rest_last"))
        return {**nothing, "days": 0.0}
    longest = max(lives, key=len)
    days = [np.array([s.at - life[0].at for s in life]) * speed / DAY_S for life in lives]
    mb = [np.array([s.kb for s in life]) / 1024 for life in lives]
    x = np.concatenate([one - one.mean() for one in days])
    y = np.concatenate([one - one.mean() for one in mb])
    third = max(1, len(longest) // 3)
    return {
        "mb_per_day": round(float((x * y).sum() / (x * x).sum()), 3),
        "days": round((longest[-1].at - longest[0].at) * speed / DAY_S, 1),
        "first_mb": _held(longest[:third], 50),
        "last_mb": _held(longest[-third:], 50),
        "rest_first": _held(longest[:third], 10),
        "rest_last": _held(longest[-third:], 10),
    }


def _held(samples: Sequence[Memory], percent: float) -> float:
    return round(float(np.percentile([sample.kb for sample in samples], percent)) / 1024, 1)


def is_flat(row: dict[str, Any]) -> bool:
    """Tell whether a process held as much in the end as in the beginning of its longest life."""
    # Fast days make the outlook learn anew most of the time: it is judged while it does not.
    which = ("rest_first", "rest_last") if row["name"] == "outlook" else ("first_mb", "last_mb")
    first, last = (row[name] or 0.0 for name in which)
    return bool(last <= max(first * GROWTH, first + GROWTH_MB))


def memory_line(row: dict[str, Any]) -> str:
    """Return the memory of a process as a line of the table."""
    first, last, *rest = (
        row[name] or "-" for name in ("first_mb", "last_mb", "rest_first", "rest_last")
    )
    at_rest = f"{rest[0]} {rest[1]}"
    return f"{row['name']:<12}{row['lives']:>6}{row['days']:>7}{first:>10}{last:>9}{at_rest:>14}"
