"""No cell of a file we write is a formula: a spreadsheet that opens it runs nothing.

What begins one: =, +, -, @, tab and carriage return (OWASP CSV injection, from memory). A number
below zero begins with a minus as well, and is a number.
"""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING

import pytest

from envmon.errors import InputError
from envmon.heating.csv_rows import _cell
from envmon.service.keeping.import_known import Known
from envmon.shop.load import check_text
from envmon.shop.points import expand_points
from tests.boards_history_support import DAY_START_US, add, told_day
from tests.boards_support import NOW_US, shop_from, shop_text
from tests.door_support import HERE, Asker, door_stand

if TYPE_CHECKING:
    from pathlib import Path

FORMULAS = ("=1+1", "+1+1", "-1+1", "@SUM(1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0",
            '=HYPERLINK("http://shop.example")')  # fmt: skip


def begins_none(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return not text.startswith(("=", "+", "-", "@", "\t", "\r"))
    return True


@pytest.mark.parametrize("formula", FORMULAS, ids=ascii)
def test_no_point_and_no_bay_is_called_so(formula: str) -> None:
    """The only texts of an export of readings are ids, and an id begins with a letter or digit."""
    for old in ('id = "north"', 'id = "{1}-all"'):
        assert old in shop_text()
        text = shop_text().replace(old, f"id = {json.dumps(formula)}")
        shop, faults = check_text(text, "x.toml")
        assert shop is None
        assert faults


@pytest.mark.parametrize("formula", FORMULAS, ids=ascii)
def test_no_topic_makes_a_point_of_that_name(formula: str) -> None:
    bays = [bay.id for bay in shop_from(shop_text()).bay]
    points = expand_points(shop_from(shop_text()).point, bays)
    assert {point.id for point in points} == {"north-all", "south-all"}
    assert formula not in {point.id for point in points}


@pytest.mark.parametrize("formula", FORMULAS, ids=ascii)
def test_no_import_brings_one_in(formula: str) -> None:
    known = Known(shop_from(shop_text()), (), any_point=True)
    for point, quantity, unit in ((formula, "air_temp_c", ""), ("hall", formula, ""),
                                  ("hall", "air_temp_c", formula)):  # fmt: skip
        with pytest.raises(InputError):
            known.way(point, quantity, unit)


@pytest.mark.parametrize("formula", FORMULAS, ids=ascii)
def test_words_of_the_heating_log_are_made_text(formula: str) -> None:
    assert begins_none(_cell(formula))
    assert begins_none(_cell([formula, "x"]))
    assert _cell(-3.5) == "-3.5"
    assert _cell("12 h not known") == "12 h not known"


def test_an_export_of_what_is_shown(tmp_path: Path) -> None:
    asker = Asker(door_stand(tmp_path).boards)
    add(tmp_path, *told_day())
    query = (
        f"bay=north&from_ms={DAY_START_US // 1000}&to_ms={NOW_US // 1000}&most=50"
        "&quantities=air_temp_c,dew_margin_k&format=csv"
    )
    answer = asker.ask("GET", f"/api/v1/history/export?{query}", client=HERE)
    assert answer.status == 200, answer.body
    rows = list(csv.reader(io.StringIO(answer.body.decode())))
    assert len(rows) > 20
    assert all(begins_none(cell) for row in rows for cell in row)
    assert answer.headers["content-disposition"].startswith("attachment")
    assert answer.headers["x-content-type-options"] == "nosniff"
