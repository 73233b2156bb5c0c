"""A shop of two bays whose winter is in the store: sensors, a heater's state, doors and meters."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from envmon.guard.plan import GuardPlan, plan_from_shop
from envmon.shop.load import check_text
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from envmon.facts import Reading
    from envmon.shop.models import Shop

SHOP = """
[shop]
name = "Fjord Lane Surface Care"
site = "fjord_lane"
timezone = "Europe/Oslo"

[heating]
fuel = "propane"
currency = "NOK"
efficiency = 0.92

[[tariff]]
id = "tank"
valid_from = 2025-01-01
per = "l"
price = 9.5
standing_month = 120.0
tax = 0.25

[[bay]]
id = "north"
name = "North bay"
volume_m3 = 220.0

[[bay]]
id = "south"
name = "South bay"
volume_m3 = 220.0

[[heater]]
bay = "north"
output = "12 kW"

[[heater]]
bay = "south"
output = "12 kW"

[[point]]
id = "{1}-air-a"
bay = "{1}"
topic = "fjord_lane/+/air-a"
reads = { air_temp_c = { name = "t" } }

[[point]]
id = "{1}-air-b"
bay = "{1}"
topic = "fjord_lane/+/air-b"
stale_after = "5 min"
reads = { air_temp_c = { name = "t" } }

[[point]]
id = "{1}-heater"
bay = "{1}"
topic = "fjord_lane/+/heater"
stale_after = "10 min"
reads = { heater_on = { name = "on" } }

[[point]]
id = "{1}-door"
bay = "{1}"
topic = "fjord_lane/+/door"
stale_after = "10 min"
reads = { door_open = { name = "open" } }

[[point]]
id = "yard"
topic = "fjord_lane/yard"
stale_after = "5 min"
reads = { outdoor_temp_c = { name = "t" } }

[[point]]
id = "tank"
topic = "fjord_lane/tank"
stale_after = "1 h"
reads = { fuel_l = { name = "l" } }
"""


class Kept(NamedTuple):
    """A shop whose readings are kept."""

    shop: Shop
    plan: GuardPlan
    store: SqliteStore
    past: Past
    folder: Path


def shop_of(text: str = SHOP) -> Shop:
    shop, faults = check_text(text, "winter.toml")
    assert shop is not None, faults
    assert not faults
    return shop


@contextmanager
def kept(folder: Path, readings: Sequence[Reading] = (), text: str = SHOP) -> Iterator[Kept]:
    """Give a shop with these readings, all live."""
    shop = shop_of(text)
    store = SqliteStore(folder)
    past = Past(store, folder)
    try:
        store.add_readings(readings)
        yield Kept(shop, plan_from_shop(shop), store, past, folder)
    finally:
        past.close()
        store.close()
