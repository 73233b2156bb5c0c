"""A message in one phone line: most important first, cut between words, never longer than 160.

Source of 160: GSM 03.38 / 3GPP TS 23.038 (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US
from envmon.notice.state import Notice
from envmon.notice.words import LINE, cut, flood_line, long_text, phone_line
from tests.notice_support import AT_US, DAY_PERSON, book_of, minutes

if TYPE_CHECKING:
    from envmon.notice.state import How

BOOK = book_of(DAY_PERSON)
TEXT = "North bay, coating: rel. humidity 78 %, needs 30 to 65 %"


def notice(how: How = "raised", **more: Any) -> Notice:
    data: dict[str, Any] = {
        "alarm": "north-window", "seq": 1, "how": how, "what": "window", "bay": "north",
        "stage": "coating", "priority": "high", "text": TEXT, "do": "bring the air back",
        "since_us": AT_US, "ready_us": AT_US,
    }  # fmt: skip
    return Notice(**(data | more))


@pytest.mark.parametrize(
    ("told", "line"),
    [
        ([notice()], f"HIGH {TEXT}, since 14:00; bring the air back"),
        ([notice(priority="medium")], f"{TEXT}, since 14:00; bring the air back"),
        ([notice(priority="low", do="")], f"Low: {TEXT}, since 14:00"),
        ([notice(text="")], "HIGH North bay: outside its window, since 14:00; bring the air back"),
        ([notice(bay="", text="broker lost")], "HIGH broker lost, since 14:00; bring the air back"),
        (
            [notice(), notice("cleared", over_us=AT_US)],
            f"HIGH {TEXT}, since 14:00; bring the air back (+1 more)",
        ),
        (
            [notice("cleared", over_us=AT_US + minutes(4), why="stage ended")],
            f"Over: {TEXT}, over since 14:04 (stage ended)",
        ),
    ],
)
def test_line_says_what_where_how_bad_since_when_and_what_to_do(
    told: list[Notice], line: str
) -> None:
    assert phone_line(told, AT_US + minutes(10), BOOK) == line


def test_another_day_is_named() -> None:
    assert ", since 27 Jan 14:00;" in phone_line([notice()], AT_US + DAY_US, BOOK)


def test_what_to_do_gives_way_first_and_time_and_count_never() -> None:
    line = phone_line([notice(text="panel " * 60), notice()], AT_US, BOOK)
    assert line.endswith("…, since 14:00 (+1 more)")
    assert line.startswith("HIGH North bay: panel panel")


@settings(deadline=None)
@given(st.text(max_size=400), st.text(max_size=300), st.integers(0, 2000), st.sampled_from(
    ["raised", "again", "escalated", "repeat", "cleared"]
))  # fmt: skip
def test_no_line_is_longer(text: str, do: str, more: int, how: How) -> None:
    told = [notice(how, text=text, do=do, why=do or text * 3)] + [notice("cleared")] * more
    assert len(phone_line(told, AT_US, BOOK)) <= LINE
    assert len(flood_line(told, more, BOOK)) <= LINE
    assert len(phone_line(told, AT_US, BOOK).splitlines()) == 1


@settings(deadline=None)
@given(st.text(max_size=300), st.integers(2, 200))
def test_cut_is_a_beginning(text: str, length: int) -> None:
    short = cut(text, length)
    assert len(short) <= length
    assert text.startswith(short.rstrip("…")) or short == text


def test_long_text_has_a_paragraph_for_each() -> None:
    text = long_text([notice("escalated"), notice(alarm="b", how="again")], AT_US, BOOK)
    assert text.count("\n\n") == 1
    assert "Nobody has acknowledged it, so you are told too." in text
    assert "To do: bring the air back" in text
