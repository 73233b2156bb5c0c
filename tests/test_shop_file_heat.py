"""Faults of heaters and tariffs in a shop file, each with its line."""

from __future__ import annotations

import pytest

from envmon.shop.load import check_text

HEAT = """\
[shop]
name = "Birch Yard"
site = "birch_yard"
timezone = "Europe/Oslo"

[heating]
fuel = "heating_oil"
efficiency = 0.85

[[bay]]
id = "hall"
name = "The hall"

[[bay]]
id = "annex"
name = "The annex"

[[point]]
id = "air"
bay = "hall"
topic = "birch/+/air"
reads = { air_temp_c = { name = "t" } }

[[heater]]
bay = "hall"
output = "16 kW"

[[heater]]
bay = "annex"
output = "9 kW"
efficiency = 3.2

[[tariff]]
id = "oil-24"
valid_from = 2024-09-01
per = "l"
price = 1.32

[[tariff]]
id = "oil-25"
valid_from = 2025-09-01
valid_to = 2026-03-31
per = "l"
price = 1.45

[[tariff]]
id = "power"
fuel = "electricity"
valid_from = 2025-09-01
price = 0.31
"""

EDITS = (
    ('bay = "annex"', 'bay = "anex"', "heater[1].bay", "did you mean 'annex'? allowed: hall"),
    ('bay = "annex"', 'bay = "hall"', "heater[1].bay", "heated by heater[0] already"),
    ('output = "9 kW"', 'output = "9 knots"', "heater[1].output", "allowed"),
    ("efficiency = 3.2", "efficiency = 32", "heater[1].efficiency", "up to 6"),
    ('id = "oil-25"', 'id = "oil-24"', "tariff[1].id", "as in tariff[0]"),
    ("valid_from = 2025-09-01\nvalid_to", "valid_from = 2024-09-01\nvalid_to",
     "tariff[1].valid_from", "valid_from is 2024-09-01, as in tariff[0]"),
    ("valid_from = 2024-09-01", "valid_from = 2026-03-31", "tariff[0].valid_from",
     "while tariff[1] (oil-25) holds until 2026-03-31; allowed is one tariff a day"),
    ('fuel = "electricity"\nvalid', 'fuel = "heating_oil"\nvalid', "tariff[2].valid_from",
     "or name the fuel"),
    ("price = 0.31", 'price = 0.31\nper = "m3"', "tariff[2].per", "which has no volume"),
    ("valid_to = 2026-03-31", "valid_to = 2025-03-31", "tariff[1].valid_to", "swap them"),
    ("[heating]", "[heating]\nbase = nan", "heating.base", "allowed are 0 to 30 °C"),
    ("[heating]", "[heating]\nbase = 500", "heating.base", "allowed are 0 to 30 °C"),
    ("[heating]", "[heating]\nheating_value = inf", "heating.heating_value", "up to 100"),
    ("price = 0.31", "price = 0.31\nstanding_month = inf", "tariff[2].standing_month",
     "up to 1000000"),
)  # fmt: skip


def found_in(text: str) -> list[tuple[str, int, str]]:
    shop, faults = check_text(text, "heat.toml")
    assert (shop is None) == bool(faults)
    return [(fault.path, fault.line, fault.message) for fault in faults]


def test_the_file_itself_has_no_fault() -> None:
    shop, faults = check_text(HEAT, "heat.toml")
    assert faults == []
    assert shop is not None
    assert [heater.output for heater in shop.heater] == [16_000.0, 9_000.0]


@pytest.mark.parametrize(("old", "new", "path", "says"), EDITS)
def test_one_edit_gives_one_fault_where_it_stands(old: str, new: str, path: str, says: str) -> None:
    assert HEAT.count(old) == 1
    (fault,) = found_in(HEAT.replace(old, new))
    first = HEAT[: HEAT.index(old)].count("\n") + 1
    assert fault[0] == path
    assert first <= fault[1] <= first + new.count("\n")
    assert says in fault[2]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("valid_from = 2024-09-01", "valid_from = 2026-04-01"),  # the day after the other's last
        ("valid_to = 2026-03-31\n", ""),  # each holds until a later one begins
        ('fuel = "electricity"', 'fuel = "propane"'),
        ("price = 0.31", 'price = 0.31\nper = "therm"'),
    ],
)
def test_what_is_allowed(old: str, new: str) -> None:
    assert HEAT.count(old) == 1
    assert found_in(HEAT.replace(old, new)) == []


def test_a_tariff_that_encloses_two_is_said_of_both() -> None:
    more = "".join(
        f'\n[[tariff]]\nid = "oil-{n}"\nvalid_from = {first}\nvalid_to = {last}\nprice = 1.5\n'
        for n, first, last in ((1, "2025-10-01", "2025-10-31"), (2, "2025-12-01", "2025-12-31"))
    )
    found = found_in(HEAT + more)
    assert [path for path, _, _ in found] == ["tariff[3].valid_from", "tariff[4].valid_from"]
    assert all("tariff[1] (oil-25)" in message for _, _, message in found)


def test_the_shop_s_fuel_counts_where_a_tariff_names_none() -> None:
    text = HEAT.replace('fuel = "heating_oil"', 'fuel = "electricity"')
    found = {path: message for path, _, message in found_in(text)}
    assert set(found) == {"tariff[0].per", "tariff[1].per", "tariff[2].valid_from"}
    assert "the tariff is for electricity" in found["tariff[0].per"]


@pytest.mark.parametrize("code", ["EUR", "NOK", "USD", "JPY", "CHF"])
def test_currencies_of_the_standard_are_taken(code: str) -> None:
    shop, faults = check_text(with_currency(code), "shop.toml")
    assert not faults
    assert shop is not None
    assert shop.heating.currency == code


@pytest.mark.parametrize("code", ["NKR", "XAU", "QQQ"])
def test_a_code_that_is_no_currency_is_refused(code: str) -> None:
    """ISO 4217 gives gold a code, and no smallest unit: nothing is paid with it."""
    _, faults = check_text(with_currency(code), "shop.toml")
    (fault,) = faults
    assert f"currency is '{code}'; allowed is a code of ISO 4217 that money has" in str(fault)


def with_currency(code: str) -> str:
    return HEAT.replace("efficiency = 0.85", f'efficiency = 0.85\ncurrency = "{code}"', 1)
