"""What the heat costs: worked by hand, and against a plain walk through every minute.

Prices and shops are invented. Time zones and their changes: the system's zone table (tzdata).
The therm is 100 000 Btu of 1 055.056 J (ISO 31-4, from memory): 29.3071 kWh.
"""

from __future__ import annotations

from calendar import monthrange
from datetime import UTC, date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US, HOUR_US, MINUTE_US, us_from_datetime
from envmon.errors import InputError
from envmon.heating.local import local_days
from envmon.heating.money import cost, tariff_on
from envmon.shop.heat import Band, HeatingInfo, Tariff, Tier

if TYPE_CHECKING:
    from typing import Any

    import numpy.typing as npt

    from envmon.heating.money import Costs

OSLO = "Europe/Oslo"
INFO = HeatingInfo(fuel="electricity", currency="NOK")
NIGHT = Band(start="22:00", end="06:00", price=0.5)


def tariff(**other: Any) -> Tariff:
    """Return one krone a kWh from October 2025 on, some of it changed."""
    return Tariff(**{"id": "plain", "valid_from": date(2025, 10, 1), "price": 1.0, **other})


def edges(first: date, days: int, every_us: int = HOUR_US, zone: str = OSLO) -> Any:
    """Return edges over whole local days."""
    begin, end = (
        us_from_datetime(datetime.combine(day, datetime.min.time(), ZoneInfo(zone)))
        for day in (first, first + timedelta(days=days))
    )
    return np.arange(begin, end + 1, every_us, dtype=np.int64)


def even(at: npt.NDArray[np.int64], kwh: float = 1.0) -> npt.NDArray[np.float64]:
    """Return as many kWh in every interval."""
    return np.full(len(at) - 1, kwh)


def energies(costs: Costs) -> list[str]:
    return [str(day.energy) for day in costs.days]


def test_a_flat_price_with_tax() -> None:
    at = edges(date(2026, 1, 5), 1)
    found = cost(at, even(at, 100 / 24), [tariff(price=0.25, tax=0.25)], INFO, OSLO)
    assert found.total == Decimal("31.25")  # 100 · 0.25 = 25.00, and a quarter of it
    (month,) = found.months
    assert [(line.what, str(line.cost)) for line in month.lines] == [("", "25.00"), ("tax", "6.25")]


def test_a_band_over_midnight_belongs_to_the_day_it_starts_on() -> None:
    at = edges(date(2026, 1, 9), 4)  # Friday to Monday, a kWh an hour
    band = Band(start="22:00", end="06:00", days="weekdays", price=0.5)
    found = cost(at, even(at), [tariff(band=(band,))], INFO, OSLO)
    # Friday 6 + 2 h of night, Saturday 6 (Friday's), Sunday none, Monday 2 (its own evening).
    assert energies(found) == ["20.00", "21.00", "24.00", "23.00"]


@pytest.mark.parametrize(
    ("day", "hours", "night_h"), [(date(2026, 3, 29), 23, 2), (date(2026, 10, 25), 25, 4)]
)
def test_days_on_which_the_clock_is_changed(day: date, hours: int, night_h: int) -> None:
    # From 01:00 to 04:00 are two hours in March, four in October.
    at = edges(day, 1)
    band = Band(start="01:00", end="04:00", price=0.0)
    found = cost(at, even(at), [tariff(band=(band,))], INFO, OSLO)
    assert found.total == Decimal(hours - night_h)
    assert len(found.days) == 1


def test_an_interval_in_which_the_price_changes_is_shared_by_time() -> None:
    at = edges(date(2026, 1, 5), 1, DAY_US)
    found = cost(at, even(at, 24.0), [tariff(band=(NIGHT,))], INFO, OSLO)
    assert found.total == Decimal(16 + 4)
    assert found.price_kwh == pytest.approx([20 / 24])


def test_the_first_band_that_fits_counts() -> None:
    at = edges(date(2026, 1, 5), 1)
    late = Band(start="00:00", end="12:00", price=9.0)
    found = cost(at, even(at), [tariff(band=(NIGHT, late))], INFO, OSLO)
    # 22:00–06:00 costs 0.5 in spite of the band behind it, 06:00–12:00 costs 9, the rest 1.
    assert found.total == Decimal(8) / 2 + Decimal(6 * 9) + Decimal(10)


def test_tiers_count_within_calendar_months() -> None:
    at = edges(date(2026, 1, 1), 33, DAY_US)
    kwh = even(at, 0.0)
    kwh[[29, 30, 31]] = 60.0
    found = cost(at, kwh, [tariff(price=0.2, tier=(Tier(above=100, price=0.1),))], INFO, OSLO)
    # 30 January 60 · 0.2; 31 January 40 · 0.2 + 20 · 0.1; 1 February begins anew.
    assert energies(found)[29:33] == ["12.00", "10.00", "12.00", "0.00"]
    january = found.months[0]
    assert [(line.what, str(line.amount)) for line in january.lines] == [
        ("", "100.000"), ("above 100 kWh", "20.000"),
    ]  # fmt: skip
    assert found.price_kwh[30] == pytest.approx(0.1)
    assert found.price_kwh[31] == pytest.approx(0.2)
    assert found.notes == ()


def test_tiers_of_a_month_that_began_before_the_log_are_told() -> None:
    at = edges(date(2026, 1, 10), 5, DAY_US)
    found = cost(at, even(at), [tariff(tier=(Tier(above=100, price=0.1),))], INFO, OSLO)
    (note,) = found.notes
    assert note == (
        "Tiers of January 2026 count from 2026-01-10 on: what was used before it in that month is "
        "not in the log."
    )


def test_a_tariff_that_changes_inside_a_month() -> None:
    at = edges(date(2026, 1, 1), 31, DAY_US)
    old = tariff(id="old", price=1.0, standing_month=31.0)
    new = tariff(id="new", price=2.0, standing_month=62.0, standing_day=0.5,
                 valid_from=date(2026, 1, 11))  # fmt: skip
    found = cost(at, even(at), [new, old], INFO, OSLO)
    (month,) = found.months
    # 10 days at 1 and 21 at 2; 10 thirty-firsts of 31, 21 of 62, and 21 halves.
    assert month.energy == Decimal(10 + 42)
    assert month.standing == Decimal(10 + 42) + Decimal("10.5")
    assert [day.tariff for day in found.days[9:11]] == ["old", "new"]
    assert sum(line.cost for line in month.lines) == month.total


def test_of_two_tariffs_the_later_one_holds_and_after_the_last_day_none() -> None:
    old = tariff(valid_to=date(2025, 10, 31))
    new = tariff(id="new", valid_from=date(2025, 10, 20), valid_to=date(2025, 10, 25))
    other = tariff(id="gas", fuel="natural_gas")
    held = [tariff_on([old, new, other], date(2025, 10, day), "electricity") for day in (1, 20, 26)]
    assert held == [0, 1, 0]
    assert tariff_on([old, new], date(2025, 11, 1), "electricity") is None


def test_days_without_a_tariff_are_told() -> None:
    at = edges(date(2025, 9, 29), 3, DAY_US)
    found = cost(at, even(at), [tariff()], INFO, OSLO)
    assert energies(found) == ["None", "None", "1.00"]
    (note,) = found.notes
    assert note == (
        "No tariff holds on 2 days, the first 2025-09-29: what they cost is not known. Add a "
        "[[tariff]] with valid_from."
    )
    assert np.isnan(found.price_kwh[:2]).all()


def test_a_shop_without_tariffs_has_no_cost() -> None:
    at = edges(date(2026, 1, 5), 1, DAY_US)
    found = cost(at, even(at), [], INFO, OSLO)
    assert found.days[0].total is None
    assert found.notes == ()  # the log says it, with what would help


def test_energy_that_is_not_known_costs_what_nobody_knows_but_standing_charges_stay() -> None:
    at = edges(date(2026, 1, 5), 3)
    kwh = even(at)
    kwh[5] = np.nan  # an hour of the first day: still 23 parts of 24
    kwh[24:27] = np.nan
    found = cost(at, kwh, [tariff(standing_day=0.4, tax=0.5)], INFO, OSLO)
    assert energies(found) == ["34.50", "None", "36.00"]
    assert [str(day.standing) for day in found.days] == ["0.60"] * 3
    assert found.days[1].total is None
    assert found.months[0].unknown_days == 1
    assert found.total == Decimal("72.30")


@pytest.mark.parametrize(
    ("fuel", "per", "kwh", "amount"),
    [
        ("natural_gas", "therm", 29.307_107, 1.0),
        ("natural_gas", "ft3", 1_039 * 29.307_107e-5 * 100, 100.0),
        ("propane", "gal", 91_452 * 29.307_107e-5 * 10, 10.0),
        ("heating_oil", "gal", 137_381 * 29.307_107e-5 * 3, 3.0),
        ("electricity", "kWh", 7.0, 7.0),
    ],
)
def test_prices_for_us_units(fuel: Any, per: Any, kwh: float, amount: float) -> None:
    # Heating values as quoted in check/handbook_values.json: Btu a cubic foot, Btu a US gallon.
    at = edges(date(2026, 1, 5), 1, DAY_US, "America/Chicago")
    info = HeatingInfo(fuel=fuel, currency="USD")
    found = cost(at, even(at, kwh), [tariff(per=per, price=2.0)], info, "America/Chicago")
    assert found.total == Decimal(str(2 * amount)).quantize(Decimal("0.01"))


def test_a_unit_that_does_not_measure_the_fuel_is_refused() -> None:
    at = edges(date(2026, 1, 5), 1, DAY_US)
    with pytest.raises(InputError, match="fuel_l"):
        cost(at, even(at), [tariff(per="gal")], INFO, OSLO)


def test_the_shops_own_heating_value_counts() -> None:
    at = edges(date(2026, 1, 5), 1, DAY_US)
    info = HeatingInfo(fuel="natural_gas", heating_value=10.0)
    found = cost(at, even(at, 50.0), [tariff(per="m3", price=0.9)], info, OSLO)
    assert found.total == Decimal("4.50")


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_as_a_plain_walk_through_every_quarter_of_an_hour(data: st.DataObject) -> None:
    clock = st.integers(0, 95).map(lambda n: f"{n // 4:02d}:{n % 4 * 15:02d}")
    band = st.builds(
        Band, days=st.sampled_from(["all", "weekdays", "weekends"]), start=clock, end=clock,
        price=st.sampled_from([0.05, 0.31, 1.17]),
    )  # fmt: skip
    one = tariff(
        band=tuple(data.draw(st.lists(band, max_size=3))), price=0.73,
        standing_month=data.draw(st.sampled_from([0.0, 9.99])), tax=0.12,
    )  # fmt: skip
    first = data.draw(st.sampled_from([date(2026, 3, 26), date(2025, 10, 23), date(2025, 12, 28)]))
    zone = data.draw(st.sampled_from([OSLO, "America/Anchorage", "Australia/Lord_Howe"]))
    at = edges(first, 7, 15 * MINUTE_US, zone)
    kwh = np.random.default_rng(3).integers(0, 900, len(at) - 1) / 1000
    found = cost(at, kwh, [one], INFO, zone)
    exact: dict[date, Decimal] = {}
    for t_us, used in zip(at[:-1].tolist(), kwh.tolist(), strict=True):
        wall = datetime.fromtimestamp(t_us / 1e6, UTC).astimezone(ZoneInfo(zone))
        price = Decimal(str(_price_at(one, wall)))
        net = exact.get(wall.date(), Decimal(0))
        exact[wall.date()] = net + Decimal(str(used)) * price
    for day, net in exact.items():
        standing = Decimal(str(one.standing_month)) / monthrange(day.year, day.month)[1]
        exact[day] = (net + standing) * Decimal("1.12")
    by_month: dict[int, Decimal] = {}
    for day, whole in exact.items():
        by_month[day.month] = by_month.get(day.month, Decimal(0)) + whole
    months = [whole.quantize(Decimal("0.01"), ROUND_HALF_UP) for whole in by_month.values()]
    assert [month.total for month in found.months] == months
    for row in found.days:
        assert row.total is not None
        assert abs(row.total - exact[row.day]) < Decimal("0.02")


def _price_at(one: Tariff, wall: datetime) -> float:
    """Walk through the bands by their words."""
    clock = wall.strftime("%H:%M")
    for band in one.band:
        over = band.end <= band.start
        started = wall.date()
        inside = band.start <= clock < band.end if not over else clock >= band.start
        if over and not inside and clock < band.end:
            inside, started = True, wall.date() - timedelta(days=1)
            if not _day_fits(band, started):
                inside = False
        elif inside and not _day_fits(band, started):
            # Today's start does not count; yesterday's may still go on.
            yesterday = wall.date() - timedelta(days=1)
            inside = over and clock < band.end and _day_fits(band, yesterday)
        if inside:
            return band.price
    return one.price


def _day_fits(band: Band, day: date) -> bool:
    weekend = day.weekday() >= 5
    return {"all": True, "weekdays": not weekend, "weekends": weekend}[band.days]


def test_days_months_and_lines_add_up_to_the_last_digit() -> None:
    days = local_days(
        us_from_datetime(datetime(2025, 9, 1, tzinfo=UTC)),
        us_from_datetime(datetime(2026, 4, 30, 12, tzinfo=UTC)), OSLO,
    )  # fmt: skip
    at = days.edges_us
    kwh = np.random.default_rng(4).uniform(0, 200, len(at) - 1)
    one = tariff(price=0.3333, standing_month=12.77, standing_day=0.013, tax=0.077,
                 valid_from=date(2025, 1, 1), band=(NIGHT,))  # fmt: skip
    found = cost(at, kwh, [one], INFO, OSLO)
    assert len(found.days) == 242
    assert sum(day.total for day in found.days if day.total) == found.total
    for month in found.months:
        assert sum(line.cost for line in month.lines) == month.total
        inside = [d for d in found.days if (d.day.year, d.day.month) == (
            month.first.year, month.first.month)]  # fmt: skip
        assert sum(d.total for d in inside if d.total) == month.total
