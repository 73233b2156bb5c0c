"""The log on paper: two pages and what stands on them; drawings are sound, text stays text."""

from __future__ import annotations

import subprocess
from datetime import date
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest

from envmon.heating.calendar_chart import calendar_chart, shade_edges
from envmon.heating.charts import days_chart, expected, months_chart, signature_chart
from envmon.heating.csv_rows import days_csv
from envmon.heating.draw import PAPER, scale_of, step_of, ticks_of
from envmon.heating.page import page
from envmon.heating.report import document_of
from envmon.heating.sentences import words_of
from envmon.heating.whereto_chart import where_chart
from envmon.heating.words import Words, number
from envmon.service.heating.make import DaySpan, make_report
from envmon.service.record.pdf import pdf_from
from tests.winter_shop import kept
from tests.winter_story import TEXT, tell

if TYPE_CHECKING:
    from pathlib import Path

NASTY = "<script>alert(1)</script></style>\"'&"


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    with kept(tmp_path_factory.mktemp("paper"), text=TEXT) as made:
        tell(made.store, date(2024, 10, 1), 182, seed=3)
        tell(made.store, date(2025, 10, 1), 182, seed=8, litres=9_000.0)
        span = DaySpan(date(2025, 10, 1), date(2026, 4, 1))
        return document_of(make_report(made.past, made.shop, made.plan, span), made.shop)


def text_of(pdf: bytes, folder: Path) -> list[str]:
    """Return the text of each page, as pdftotext of Poppler reads it."""
    file = folder / "log.pdf"
    file.write_bytes(pdf)
    said = subprocess.run(
        ["pdftotext", "-layout", str(file), "-"], check=True, capture_output=True
    ).stdout.decode()
    return said.split("\f")[:-1]


def test_a_winter_is_two_pages(document: dict[str, Any], tmp_path: Path) -> None:
    pages = text_of(pdf_from(page(document)), tmp_path)
    assert len(pages) == 2
    for word in ("1 October 2025 to 31 March 2026", "Heating log", "Day by day", "March 2026",
                 "Same weather", "heat lost", "W/K", "NOK",
                 "base 18.0 °C, hour by hour"):  # fmt: skip
        assert word in pages[0], word
    for part in document["where"][0]["parts"]:
        assert " ".join(part["text"].split()) in " ".join(pages[1].split()), part["text"]
    for word in ("The winter as a calendar", "Energy against the outdoors", "Month against month",
                 "Where the heat went", "Estimates", "CO alarm", "licensed trades",
                 "2 of 2"):  # fmt: skip
        assert word in pages[1], word


def test_a_shorter_winter_before_and_a_last_day_unknown_are_two_pages_too(
    tmp_path: Path,
) -> None:
    with kept(tmp_path, text=TEXT) as made:
        tell(made.store, date(2025, 1, 1), 90, seed=3)
        tell(made.store, date(2025, 10, 1), 181, seed=8, litres=9_000.0)
        span = DaySpan(date(2025, 10, 1), date(2026, 4, 1))
        found = document_of(make_report(made.past, made.shop, made.plan, span), made.shop)
    pages = text_of(pdf_from(page(found)), tmp_path)
    assert len(pages) == 2
    assert "Each month in the same weather" in pages[0]
    assert "1 day lacks more than an hour of its data, 2026-03-31" in pages[1]
    assert "Safety data sheets" in pages[1]


def test_much_that_is_missing_does_not_make_a_third_page(
    document: dict[str, Any], tmp_path: Path
) -> None:
    lacks = [f"{number}: {'what is not known, and what would help. ' * 6}" for number in range(12)]
    pages = text_of(pdf_from(page({**document, "missing": lacks})), tmp_path)
    assert len(pages) == 2
    assert "more, in envmon heating" in pages[1]
    assert "Safety data sheets" in pages[1]


def test_what_people_wrote_is_text(document: dict[str, Any]) -> None:
    days = [{**document["days"][0], "notes": [NASTY, "=1+1"]}]
    evil = {**document, "shop": {**document["shop"], "name": NASTY}, "missing": [NASTY],
            "days": [*days, *document["days"][1:]]}  # fmt: skip
    html = page(evil)
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert html.count("</style>") == html.count("<style>")
    assert "'=1+1" not in days_csv(evil).splitlines()[1]
    formula = {**document, "days": [{**document["days"][0], "notes": ["=1+1"]}]}
    assert ",'=1+1," in days_csv(formula).splitlines()[1]


def test_drawings_are_sound_xml_and_hold_every_day(document: dict[str, Any]) -> None:
    words = words_of(document)
    space = "{http://www.w3.org/2000/svg}"
    calendar = ET.fromstring(calendar_chart(document, words, PAPER))
    assert sum(1 for rect in calendar.iter(f"{space}rect") if rect.find(f"{space}title") is not None
               ) == 182  # fmt: skip
    days = ET.fromstring(days_chart(document, words, PAPER))
    bars = [r for r in days.iter(f"{space}rect") if r.get("class") == "bar"]
    assert len(bars) == 182
    dots = ET.fromstring(signature_chart(document, words, PAPER))
    kinds = [dot.get("class") for dot in dots.iter(f"{space}circle")]
    # The seal goes on 12 January: 103 days before, 79 from then on, a line through each.
    assert kinds.count("dot-side") == pytest.approx(103, abs=3)
    assert kinds.count("dot-side") + kinds.count("dot") == 182
    assert kinds.count("dot-was") == 182
    lines = [line.get("class") for line in dots.iter(f"{space}path")]
    assert [lines.count(kind) for kind in ("fit-side", "fit", "fit-was")] == [1, 1, 1]
    said = [str(text.text) for text in dots.iter(f"{space}text")]
    assert sum(one.startswith(("to ", "from ")) and "Jan" in one for one in said) == 2
    months = ET.fromstring(months_chart(document, PAPER))
    assert len([r for r in months.iter(f"{space}rect") if r.get("class") == "bar"]) == 6
    for where in document["where"]:
        ET.fromstring(where_chart(where, PAPER))
    for drawing in (calendar, days, dots, months):
        width, height = (float(v) for v in str(drawing.get("viewBox")).split()[2:])
        for rect in drawing.iter(f"{space}rect"):
            x, y, w, h = (float(rect.get(k, 0)) for k in ("x", "y", "width", "height"))
            assert -0.2 <= x <= x + w <= width + 0.2
            assert -0.2 <= y <= y + h <= height + 0.2


def test_a_day_that_is_not_known_is_drawn_as_such(document: dict[str, Any]) -> None:
    gone = {**document["days"][3], "energy_kwh": None, "outdoor_mean_c": None, "cost": None}
    holed = {**document, "days": [*document["days"][:3], gone, *document["days"][4:]]}
    words = words_of(document)
    assert calendar_chart(holed, words, PAPER).count('class="unknown"') == 2  # it and the legend
    assert "energy not known" in days_chart(holed, words, PAPER)
    nothing = {**document, "days": [gone], "before": None, "signature": None, "months": []}
    for draw in (calendar_chart, days_chart, signature_chart):
        ET.fromstring(draw(nothing, words, PAPER))
    ET.fromstring(months_chart(nothing, PAPER))


def test_scales_have_round_ticks_and_shades_even_steps() -> None:
    assert [step_of(span, 5) for span in (1, 9, 23, 48, 51, 260)] == [0.2, 2, 5, 10, 20, 100]
    scale = scale_of([3, 47], (100, 0), zero=True)
    assert (scale.low, scale.high) == (0, 50)
    assert ticks_of(scale) == [0, 10, 20, 30, 40, 50]
    assert scale.at(25) == 50
    assert scale_of([], (0, 1)).high == 1
    assert shade_edges([None, 60.0, 12.0]) == [10, 20, 30, 40, 50]
    line = {"change_point_c": 12.0, "base_load": 5.0, "slope": -2.0, "intercept": 29.0}
    assert [expected(line, x) for x in (0.0, 12.0, 20.0)] == [29.0, 5.0, 5.0]


def test_a_shop_with_us_units_reads_its_own() -> None:
    """1 W/K is 3.41214163 BTU/h over 1.8 °F (NIST SP 811, from memory)."""
    us = Words("us", "USD")
    assert us.temp(0.0) == "32.0"
    assert us.degree_days(100.0) == "180.0"
    assert us.loss(1_000.0) == number(1_000 * 3.41214163 / 1.8)
    assert us.fuel(3.785411784, "l") == "1.0"
    assert us.fuel_unit("l") == "gal"
    assert us.per_degree_day(1.8) == "1.00"
    assert us.money(-1234.5) == "USD −1\u202f234.50"
    assert us.celsius(us.temp_value(21.5)) == pytest.approx(21.5)
