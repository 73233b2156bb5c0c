"""A meter read by hand, once a week or a month: what lies between readings is as good as a bill."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from envmon.clock import HOUR_US
from envmon.heating.fuel import UNITS
from envmon.heating.local import date_near
from envmon.heating.meter_steps import steps_of
from envmon.heating.model import Bill

if TYPE_CHECKING:
    from envmon.heating.model import Counter

SELDOM_US = 36 * HOUR_US
"""With half its readings further apart than this a meter is read by hand."""


def is_by_hand(counter: Counter) -> bool:
    """Return whether a meter's readings are too far apart to tell days."""
    return len(counter.t_us) > 1 and float(np.median(np.diff(counter.t_us))) > SELDOM_US


def readings_as_bills(counter: Counter, zone: str) -> tuple[Bill, ...]:
    """Return what a meter counted from reading to reading, as bills without a cost.

    A reading counts for the midnight next to it. Where the meter was changed in between, nobody
    knows what was used, and there is no bill.

    Args:
        counter: The meter's readings.
        zone: Time zone name, such as Europe/Oslo.
    """
    steps = steps_of(counter)
    unit = UNITS[counter.quantity]
    bills: list[Bill] = []
    pending, first = 0.0, None
    for place, amount in enumerate(steps.used.tolist()):
        since, until = (date_near(int(at), zone) for at in steps.t_us[place : place + 2])
        first = since if first is None else first
        pending += amount
        if not steps.certain[place]:
            pending, first = 0.0, None
        elif until > first:
            bills.append(Bill(first, until - timedelta(days=1), pending, unit, None))
            pending, first = 0.0, None
    return tuple(bills)
