"""Faults of the work in a shop file (products, bodies, buttons, bench), each with its line."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from envmon.errors import ShopFileError
from envmon.shop.load import check_text, ensure_dated, fault_lines, load_shop

if TYPE_CHECKING:
    from envmon.shop.models import Shop

SHOPS = Path(__file__).parent.parent / "fixtures" / "shops"
WORK = """\
[shop]
name = "Tarn Road"
site = "tarn_road"
timezone = "Europe/Oslo"

[bench]
in_flight = 3
apply = "2 min"
level = "1 min"

[[bay]]
id = "hall"
name = "The hall"
procedure = "coat"

[[point]]
id = "air"
bay = "hall"
topic = "tarn/+/air"
reads = { air_temp_c = { name = "t" } }

[[product]]
id = "glaze"
name = "Glaze"
sheet = 2025-09-01
source = "Glaze sheet, edition 1 (invented)"
carrier = "ethanol"
flash = ["2 min", "5 min"]
flash_at = "68 °F"
flash_rh_at = 50
flash_per_10_rh = -0.1
rain_safe = "1 h"
full_cure = "8 h"
overnight = "12 h"
first_wash_days = 14

[[product]]
id = "thinner"
name = "Thinner"
sheet = 2025-09-01
source = "Thinner sheet, edition 1 (invented)"
flash_off = "6 min"

[[procedure]]
id = "coat"
name = "Coat"
step = [{ stage = "wipe", product = "thinner" }, { stage = "coating", product = "glaze" }]

[[body]]
id = "sidecar"
name = "Sidecar"
panels = ["Nose", "Tub"]

[[button]]
id = "pedal"
bay = "hall"
topic = "tarn/pedal"
press = "next"
double = "nothing"
hold = "undo"
"""

# old text -> new text: one fault on that line, its path, what its sentence says
EDITS = (
    ("in_flight = 3", "in_flight = 5", "bench.in_flight", "a whole number from 1 up to 4"),
    ('level = "1 min"', 'level = "1 minute"', "bench.level", "did you mean 'min'?"),
    ('apply = "2 min"', "apply = 2", "bench.apply", "a number from 5 up to 1800"),
    ('carrier = "ethanol"', 'carrier = "etanol"', "product[0].carrier", "did you mean 'ethanol'?"),
    ('["2 min", "5 min"]', '["5 min", "2 min"]', "product[0].flash", "300 to 120 s; allowed is"),
    ('["2 min", "5 min"]', '[0, "2 min"]', "product[0].flash", "both above 0"),
    ('["2 min", "5 min"]', '["5 min"]', "product[0].flash[1]", 'such as ["2 min", "5 min"]'),
    ('["2 min", "5 min"]', '"5 min"', "product[0].flash", "a list of 2, such as"),
    ('flash_at = "68 °F"', 'flash_at = "150 °F"', "product[0].flash_at", "from 0 up to 45"),
    ("flash_rh_at = 50", "flash_rh_at = 0.5", "product[0].flash_rh_at", "from 5 up to 95"),
    ("flash_per_10_rh = -0.1", "flash_per_10_rh = -10", "product[0].flash_per_10_rh", "-0.5"),
    ('rain_safe = "1 h"', 'rain_safe = "9 h"', "product[0].rain_safe",
     "rain_safe is 32400 s, above full_cure of 28800 s"),
    ('full_cure = "8 h"', 'full_cure = "-8 h"', "product[0].full_cure", "such as '10 min'"),
    ("first_wash_days = 14", "first_wash_days = 14.5", "product[0].first_wash_days", "whole"),
    ('flash_off = "6 min"', "flash_rh_at = 40", "product[1].flash_rh_at", "stands without flash"),
    ('flash_off = "6 min"', 'flash = ["1 min", "2 min"]', "product[1].flash",
     "use this one in wipe only"),
    ('flash_off = "6 min"', 'rain_safe = "1 h"', "product[1].rain_safe", "is flash_off"),
    ('id = "sidecar"', 'id = "Side Car"', "body[0].id", "a short name of a-z"),
    ('["Nose", "Tub"]', '["Nose", "nose "]', "body[0].panels[1]", "panel is 'nose ' twice"),
    ('["Nose", "Tub"]', '["Nose", " "]', "body[0].panels[1]", "a name a person can read"),
    ('["Nose", "Tub"]', "[]", "body[0].panels", 'such as ["Bonnet", "Roof"]'),
    ('["Nose", "Tub"]', f'["{"x" * 31}"]', "body[0].panels[0]", "shorten it"),
    ('bay = "hall"\ntopic = "tarn/pedal"', 'bay = "hal"\ntopic = "tarn/pedal"', "button[0].bay",
     "did you mean 'hall'?"),
    ("tarn/pedal", "tarn/+/pedal", "button[0].topic", "wildcards (+ and #) are not allowed"),
    ("tarn/pedal", "tarn/#", "button[0].topic", "wildcards"),
    ("tarn/pedal", "tarn/hall/air", "button[0].topic", "which point[0].topic takes already"),
    ("tarn/pedal", "envmon/hall/job", "button[0].topic", "envmon speaks under envmon/ itself"),
    ("tarn/pedal", "$SYS/x", "button[0].topic", "belong to the broker"),
    ("tarn/pedal", "a\\u0000", "button[0].topic", "NUL"),
    ('press = "next"', 'press = "nxt"', "button[0].press", "did you mean 'next'?"),
    ('hold = "undo"', 'hold = "skip"', "button[0].hold", "allowed: next, undo, nothing"),
    ("[[button]]", "[button]", "button", "double the brackets"),
    ("[bench]", "[[bench]]", "bench", "single brackets"),
)  # fmt: skip


def found_in(text: str) -> list[tuple[str, int, str]]:
    shop, faults = check_text(text, "work.toml")
    assert (shop is None) == bool(faults)
    return [(fault.path, fault.line, fault.message) for fault in faults]


def work() -> Shop:
    shop, _ = check_text(WORK, "work.toml")
    assert shop is not None
    return shop


@pytest.mark.parametrize(("old", "new", "path", "says"), EDITS)
def test_one_edit_gives_one_fault_at_its_line(old: str, new: str, path: str, says: str) -> None:
    assert WORK.count(old) == 1
    (fault,) = found_in(WORK.replace(old, new))
    first = WORK[: WORK.index(old)].count("\n") + 1
    assert fault[0] == path
    assert first <= fault[1] <= first + new.count("\n")
    assert says in fault[2]


def test_spans_and_temperatures_are_in_si() -> None:
    """68 °F is 20 °C, by definition of the scales."""
    glaze = work().product[0]
    assert glaze.flash == (120.0, 300.0)
    assert glaze.flash_at == pytest.approx(20.0)
    assert (glaze.rain_safe, glaze.full_cure, glaze.overnight) == (3_600, 28_800, 43_200)
    assert (work().bench.apply, work().bench.level) == (120.0, 60.0)


def test_what_is_not_said_is_none_or_the_usual() -> None:
    thinner = work().product[1]
    assert (thinner.flash, thinner.rain_safe, thinner.first_wash_days) == (None, None, None)
    assert (thinner.carrier, thinner.flash_off) == ("2-propanol", 360.0)


@pytest.mark.parametrize("section", ["body", "button", "product", "procedure"])
def test_each_id_stands_once(section: str) -> None:
    at = WORK.index(f"[[{section}]]")
    end = WORK.find("\n\n", at)
    again = WORK[at : end if end > 0 else len(WORK)].replace("tarn/pedal", "tarn/pedal2")
    line = WORK.count("\n") + 3
    faults = [fault for fault in found_in(f"{WORK}\n{again}\n") if fault[0].endswith(".id")]
    assert [fault[1] for fault in faults] == [line]
    assert f"each {section} needs an id of its own" in faults[0][2]


def test_two_buttons_on_one_topic_are_named_at_the_second() -> None:
    more = '\n[[button]]\nid = "knob"\nbay = "hall"\ntopic = "tarn/pedal"\n'
    (fault,) = found_in(WORK + more)
    assert fault[:2] == ("button[1].topic", WORK.count("\n") + 5)
    assert "which button[0].topic takes already" in fault[2]


def test_a_full_cure_left_out_hides_no_wrong_order() -> None:
    text = WORK.replace('full_cure = "8 h"\n', "").replace('"12 h"', '"30 min"')
    (fault,) = found_in(text)
    assert fault[0] == "product[0].rain_safe"
    assert "above overnight of 1800 s" in fault[2]


def test_a_product_no_procedure_uses_may_have_any_fact() -> None:
    assert found_in(WORK.replace(', { stage = "coating", product = "glaze" }', "")) == []


@pytest.mark.parametrize("name", ["one_bay_metric.toml", "three_bay_us.toml"])
def test_example_shops_show_the_work(name: str) -> None:
    shop, faults = check_text((SHOPS / name).read_text("utf-8"), name)
    assert shop is not None, faults
    assert shop.body
    assert shop.button
    assert any(product.flash for product in shop.product)
    assert "bench" in shop.model_fields_set


def test_a_sheet_of_a_day_to_come_is_named_by_a_persons_check_only(tmp_path: Path) -> None:
    """A machine whose clock is not set yet must run the shop all the same."""
    file = tmp_path / "shop.toml"
    file.write_text(WORK, encoding="utf-8")
    ensure_dated(file, date(2025, 9, 1))
    assert load_shop(file).product[0].sheet == date(2025, 9, 1)
    with pytest.raises(ShopFileError) as refused:
        ensure_dated(file, date(2025, 8, 31))
    first, second = fault_lines(refused.value)
    line = WORK[: WORK.index("sheet = 2025-09-01")].count("\n") + 1
    assert first.startswith(f"{file}:{line}: product[0].sheet: sheet is 2025-09-01, and today is ")
    assert "today at the latest; correct it" in first
    assert "product[1].sheet" in second
