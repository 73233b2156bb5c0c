"""Every fault of a shop file is named at once: place, value, what is allowed, way out."""

from __future__ import annotations

from pathlib import Path

import pytest

from envmon.errors import Fault, ShopFileError
from envmon.shop.load import check_text, fault_lines, load_shop

SHOPS = Path(__file__).parent.parent / "fixtures" / "shops"
GOOD = (SHOPS / "one_bay_metric.toml").read_text("utf-8")

# One row per planted fault, as marked in the file: line, key path, what the sentence says.
PLANTED = (
    (6, "shop.timezone", "did you mean 'Europe/Oslo'?"),
    (10, "broker.prot", "did you mean 'port'?"),
    (11, "broker.password", "secrets never stand in the shop file; use password_env"),
    (16, "bay[0].volume_m3", "value is 3; allowed is a number above 5 up to 20000"),
    (19, "bay[1].id", "id is 'hall', as in bay[0]"),
    (24, "point[0].bay", "bay is 'hal'; did you mean 'hall'? allowed: hall"),
    (27, "point[0].reads.air_temp", "did you mean 'air_temp_c'? allowed: air_temp_c, rel"),
    (32, "point[1].topic", "# is not allowed"),
    (44, "product[0].limit[0].low", "low comes to 23.89 °C, above high of 18.33 °C"),
    (52, "procedure[0].step[1].stage", "did you mean 'coating'? allowed: warm_up, foam"),
)


def faults_of(text: str) -> list[Fault]:
    shop, faults = check_text(text, "shop.toml")
    assert (shop is None) == bool(faults)
    return faults


def test_ten_planted_faults_are_all_named() -> None:
    with pytest.raises(ShopFileError) as caught:
        load_shop(SHOPS / "ten_faults.toml")
    found = [(fault.line, fault.path) for fault in caught.value.faults]
    assert found == [(line, path) for line, path, _ in PLANTED]
    for fault, (_, _, says) in zip(caught.value.faults, PLANTED, strict=True):
        assert says in fault.message


def test_planted_lines_are_the_marked_ones() -> None:
    text = (SHOPS / "ten_faults.toml").read_text("utf-8").split("\n")
    marked = [number for number, line in enumerate(text, 1) if "# fault " in line]
    assert marked == [line for line, _, _ in PLANTED]


def test_fault_lines_name_file_line_path_and_message() -> None:
    file = SHOPS / "ten_faults.toml"
    with pytest.raises(ShopFileError) as caught:
        load_shop(file)
    lines = fault_lines(caught.value)
    assert len(lines) == 10
    assert lines[3].startswith(f"{file}:16: bay[0].volume_m3: value is 3; allowed")


def test_a_secret_is_never_repeated() -> None:
    text = GOOD.replace("[broker]", '[broker]\npasword = "open-sesame"\napi_token = "abrakadabra"')
    faults = faults_of(text)
    assert [fault.path for fault in faults] == ["broker.pasword", "broker.api_token"]
    assert "open-sesame" not in repr(faults)
    assert "abrakadabra" not in repr(faults)


def test_a_secret_in_an_open_table_is_one_fault() -> None:
    text = GOOD.replace("reads = { door_open =", "reads = { password =")
    (fault,) = faults_of(text)
    assert (fault.path, fault.value) == ("point[3].reads.password", "(not shown)")
    assert "secrets never stand in the shop file" in fault.message


@pytest.mark.parametrize("name", ["one_bay_metric.toml", "three_bay_us.toml"])
def test_example_shops_have_no_fault(name: str) -> None:
    assert load_shop(SHOPS / name).bay


# old text -> new text in the good file: one fault at a path, and what its sentence says
EDITS = (
    ('id = "hall-air"', 'id = "{1}-air"', "point[0].id", "needs 1: put + into the topic"),
    ('bay = "hall"\ntopic = "fjord_lane/hall/air"', 'bay = "{2}"\ntopic = "fjord_lane/+/air"',
     "point[0].bay", "{2} needs 2"),
    ('id = "boiler"', 'id = "boiler}"', "point[4].id", "braces are allowed only as {1} to {9}"),
    ("fjord_lane/hall/door", "fjord_lane/hall+/door", "point[3].topic", "a whole level only"),
    ("fjord_lane/hall/door", "$SYS/door", "point[3].topic", "a leading $"),
    ("fjord_lane/hall/door", "a\\u0000b", "point[3].topic", "NUL"),
    ('fjord_lane/hall/door"\nformat', 'fjord_lane/hall/air"\nformat', "point[3].format",
     "point[0] reads as 'senml'; a message has one format"),
    ("reads = { door_open", "reads = { dew_point_c", "point[3].reads.dew_point_c",
     "envmon works out and no sensor sends"),
    ("reads = { door_open", "reads = { dor_open", "point[3].reads.dor_open",
     "did you mean 'door_open'?"),
    ('by_hand = ["dissolved_solids_ppm"]', 'by_hand = ["disolved_solids"]', "bay[0].by_hand[0]",
     "did you mean 'dissolved_solids_ppm'?"),
    ('by_hand = ["dissolved_solids_ppm"]', 'by_hand = ["water_temp_c", "water_temp_c"]',
     "bay[0].by_hand[1]", "each once"),
    ('{ pointer = "/open" }', "{}", "point[3].reads.door_open", "pointer is missing"),
    ('{ pointer = "/open" }', '{ pointer = "open" }', "point[3].reads.door_open.pointer",
     "every level starts with /"),
    ('{ pointer = "/open" }', '{ pointer = "/open", name = "x" }',
     "point[3].reads.door_open.name", "not allowed with format 'json'"),
    ('name = "oil", ', "", "point[4].reads.fuel_l", "name is missing"),
    ('water_temp_c = { unit = "°C" }', "water_temp_c = {}, panel_temp_c = {}", "point[2].reads",
     "reads has 2 quantities; allowed is one"),
    ('water_temp_c = { unit = "°C" }', 'water_temp_c = { pointer = "/t" }',
     "point[2].reads.water_temp_c.pointer", "not allowed with format 'number'"),
    ('unit = "l"', 'unit = "litre"', "point[4].reads.fuel_l.unit", "allowed: m3, m³, l, gal"),
    ('"/ir/object", unit = "°C"', '"/ir/object", unit = "°c"',
     "point[1].reads.panel_temp_c.unit", "did you mean '°C'?"),
    ('{ name = "on" }', '{ name = "oil" }', "point[4].reads.fuel_l", "already"),
    ("offset = -0.3", 'offset = "1 hPa"', "point[0].reads.air_temp_c.offset", "allowed: K, °C"),
    ("offset = -0.3", "gain = 7", "point[0].reads.air_temp_c.gain", "above 0.2 below 5"),
    ("[76.9, 75.5]", "[34.1, 75.5]", "point[0].reads.rel_hum_pct.two_point", "different reads"),
    ("[76.9, 75.5]", "[36.9, 75.5]", "point[0].reads.rel_hum_pct.two_point", "gain of 15.1"),
    ("[76.9, 75.5]]", "[76.9, 75.5]]\ngain = 1.1", "point[0].reads.rel_hum_pct.two_point",
     "one way"),
    ("[76.9, 75.5]", "[76.9]", "point[0].reads.rel_hum_pct.two_point[1][1]", "value 2 of the"),
    ("[76.9, 75.5]", "[76.9, 75.5, 1]", "point[0].reads.rel_hum_pct.two_point[1]", "a list of 2"),
    ('stage = "cure"\nquantity', 'stage = "curing"\nquantity', "product[0].limit[2].stage",
     "allowed: warm_up"),
    ('quantity = "rel_hum_pct"', 'quantity = "humidity"', "product[0].limit[1].quantity",
     "rel_hum_pct"),
    ('quantity = "rel_hum_pct"\nlow = 30\nhigh = 70', 'quantity = "air_temp_c"\nlow = 3',
     "product[0].limit[1].quantity", "one limit a quantity and stage"),
    ('product = "clear_wipe"', 'product = "clearwipe"', "procedure[0].step[7].product",
     "did you mean 'clear_wipe'?"),
    ('procedure = "winter_coating"', 'procedure = "winter"', "bay[0].procedure",
     "did you mean 'winter_coating'?"),
    ("sheet = 2025-09-01", 'sheet = "2025-09-01"', "product[0].sheet", "a date without quotes"),
    ("sheet = 2025-09-01", "sheet = 20250901", "product[0].sheet", "such as 2026-01-15"),
    ('margin = "1.5 K"', 'margin = "1.5 °X"', "product[0].limit[0].margin", "allowed: K, °C"),
    ('margin = "1.5 K"', "margin = 9", "product[0].limit[0].margin", "each may be at most 5"),
    ("low = 12", f"low = {'9' * 400}", "product[0].limit[2].low", "below 1e308"),
    ("low = 12", "low = nan", "product[0].limit[2].low", "a finite number"),
    ('on_delay = "2 min"', 'on_delay = "2 mins"', "product[0].limit[1].on_delay",
     "did you mean 'min'?"),
    ('on_delay = "2 min"', "on_delay = -1", "product[0].limit[1].on_delay", "a number from 0"),
    ('on_delay = "2 min"', 'on_delay = "91 d"', "product[0].limit[1].on_delay",
     "up to 7776000, or text with its unit such as '10 min'"),
    ("volume_m3 = 210", 'volume_m3 = "210"', "bay[0].volume_m3", "take the quotes"),
    ("volume_m3 = 210", "volume_m3 = true", "bay[0].volume_m3", "value is true"),
    ("altitude = 40", "altitude = 9000", "shop.altitude", "a number from -500 up to 4000"),
    ('units = "metric"', 'units = "metrical"', "shop.units", "did you mean 'metric'?"),
    ('site = "fjord_lane"', 'site = "Fjord Lane"', "shop.site", "a short name of a-z, 0-9"),
    ('site = "fjord_lane"', "site = 5", "shop.site", "put it in quotes"),
    ('name = "The hall"', 'name = ""', "bay[0].name", "write something between the quotes"),
    ('name = "The hall"', f'name = "{"x" * 41}"', "bay[0].name", "it has 41 characters"),
    ('kind = "embedded"', 'kind = "embedded"\nhost = "10.1.1.1"', "broker.host", "loopback only"),
    ('kind = "embedded"', 'kind = "embedded"\npassword_env = "pass word!"',
     "broker.password_env", "environment variable"),
    ("[store]", "[shelf]", "shelf", "allowed: shop, broker, store, alarms, notice, boards, bay"),
    ("[[bay]]", "[bay]", "bay", "double the brackets"),
    ("[broker]", "[[broker]]", "broker", "single brackets"),
)  # fmt: skip


@pytest.mark.parametrize(("old", "new", "path", "says"), EDITS)
def test_one_edit_gives_one_fault_where_it_stands(old: str, new: str, path: str, says: str) -> None:
    text = GOOD.replace(old, new, 1)
    (fault,) = faults_of(text)
    assert fault.path == path
    assert says in fault.message
    first = GOOD[: GOOD.index(old)].count("\n") + 1
    assert first <= fault.line <= first + new.count("\n")


# The same, where the fault shows at another line than the edit: that line's text is the last.
ELSEWHERE = (
    ('bay = "hall"\ntopic = "fjord_lane/hall/door"', 'topic = "fjord_lane/hall/door"',
     "point[3].reads.door_open", "the point names none; add bay", "reads = { door_open"),
    ('{ stage = "foam" }', '{ stage = "decontamination" }', "procedure[0].step[3].stage",
     "a second time", '    { stage = "decontamination" },\n    { stage = "rinse" }'),
    ("low = 12", "on_delay = 1", "product[0].limit[2]", "a limit needs low, high or both",
     '[[product.limit]]\nstage = "cure"'),
)  # fmt: skip


@pytest.mark.parametrize(("old", "new", "path", "says", "at"), ELSEWHERE)
def test_fault_that_shows_elsewhere(old: str, new: str, path: str, says: str, at: str) -> None:
    text = GOOD.replace(old, new, 1)
    (fault,) = faults_of(text)
    assert fault.path == path
    assert says in fault.message
    assert fault.line == text[: text.index(at)].count("\n") + 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("/hall/air", "/+/air"),
        ("fjord_lane/hall/panel", "fjord_lane/hall/door"),  # another pointer, same topic
        ("fjord_lane/outdoor", "fjord_lane/hall/air"),  # same record name, other quantity
        ('kind = "embedded"', 'kind = "external"\nhost = "10.1.1.1"'),
        ("low = 12", "low = 12.5"),
    ],
)
def test_edit_that_is_allowed(old: str, new: str) -> None:
    text = GOOD.replace(old, new, 1)
    assert text != GOOD
    assert faults_of(text) == []


def test_outdoor_quantities_have_no_bay() -> None:
    text = GOOD.replace('id = "outdoor"\n', 'id = "outdoor"\nbay = "hall"\n')
    found = {fault.path: fault.message for fault in faults_of(text)}
    assert set(found) == {
        "point[5].reads.outdoor_temp_c",
        "point[5].reads.outdoor_rel_hum_pct",
    }
    assert all("is outdoors, but the point has a bay" in message for message in found.values())


def test_wildcard_topic_claims_what_a_plain_one_claims() -> None:
    extra = (
        '\n[[point]]\nid = "again"\nbay = "hall"\ntopic = "fjord_lane/+/air"\n'
        'reads = { air_temp_c = { name = "t" } }\n'
    )
    (fault,) = faults_of(GOOD + extra)
    assert fault.path == "point[7].reads.air_temp_c"
    assert "point[0].reads.air_temp_c already" in fault.message


@pytest.mark.parametrize(
    ("name", "bay", "says"),
    [
        ("many", "{1}", "the same {n} in both"),
        ("{1}-x", "hall", "the same {n} in both"),
        ("{2}-x", "{1}", "the same {n} in both"),
        ("{1}-door", "{1}", "gives 'hall-door', the id of another point"),
        ("{1}-x", "{1}", ""),
    ],
)
def test_point_for_every_bay_has_an_id_for_every_bay(name: str, bay: str, says: str) -> None:
    extra = (
        f'\n[[point]]\nid = "{name}"\nbay = "{bay}"\ntopic = "x/+/+"\n'
        'reads = { air_temp_c = { name = "t" } }\n'
    )
    found = [(fault.path, fault.message) for fault in faults_of(GOOD + extra)]
    assert [path for path, _ in found] == (["point[7].id"] if says else [])
    assert all(says in message for _, message in found)


def test_misspelled_key_does_not_hide_or_invent_other_faults() -> None:
    """The value behind a misspelled key is checked as what was meant; nothing is 'missing'."""
    text = GOOD.replace("[[product]]", "[[produkt]]").replace("[[product.", "[[produkt.")
    text = text.replace("low = 16", "lwo = 300")
    assert [(fault.path, fault.line) for fault in faults_of(text)] == [
        ("produkt", line_of(text, "[[produkt]]")),
        ("produkt[0].limit[0].lwo", line_of(text, "lwo = 300")),
        ("produkt[0].limit[0].lwo", line_of(text, "lwo = 300")),
    ]


def line_of(text: str, part: str) -> int:
    return next(number for number, line in enumerate(text.split("\n"), 1) if part in line)


def test_field_fault_does_not_hide_the_fault_of_its_table() -> None:
    text = GOOD.replace("low = 16", "low = 27").replace('margin = "1.5 K"', 'margin = "1 parsec"')
    found = [(fault.path, fault.message) for fault in faults_of(text)]
    assert [path for path, _ in found] == ["product[0].limit[0].low", "product[0].limit[0].margin"]
    assert "above high" in found[0][1]
    assert "allowed: K" in found[1][1]


def test_missing_key_stands_at_its_table() -> None:
    text = GOOD.replace('timezone = "Europe/Oslo"\n', "")
    (fault,) = faults_of(text)
    assert (fault.path, fault.line, fault.value) == ("shop.timezone", line_of(text, "[shop]"), "")
    assert fault.message.startswith("timezone is missing; allowed is")


def test_file_without_sections_names_those_it_needs() -> None:
    assert [fault.message for fault in faults_of("# nothing yet\n")] == [
        "section [[bay]] is missing; add it",
        "section [shop] is missing; add it",
    ]
