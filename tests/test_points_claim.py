"""Claiming writes what was asked for into the shop file, and changes nothing else in it.

What a text means is asked of Python's own tomllib (TOML 1.0), which had no part in writing it.
"""

from __future__ import annotations

import os
import resource
import tomllib
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envmon.errors import InputError, ShopFileError
from envmon.field.claim import Claim, Taken, free_id, lines_of, with_claim
from envmon.field.claim_file import claimed_text, is_writable, read_shop_text, write_claim
from tests.points_support import PANEL, SHOP, shop_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ANY = st.text(st.characters(codec="utf-8"), max_size=60)
NASTY = st.sampled_from(
    ['"""', "'''", '"]]\n[shop]\nname="x"', "\\", "\x7f\x00\r\n", "#", "\u202e", "𝕏"]
)
TEXT = st.lists(ANY | NASTY, min_size=1, max_size=3).map("".join)
TAKES = st.lists(
    st.builds(Taken, TEXT, TEXT, st.just("") | TEXT), min_size=1, max_size=3,
    unique_by=lambda taken: taken.quantity,
)  # fmt: skip
CLAIMS = st.builds(
    Claim, TEXT, st.none() | TEXT, TEXT, st.sampled_from(["senml", "json", "number"]),
    TAKES.map(tuple), st.just("") | TEXT,
)  # fmt: skip
SHOPS = [
    SHOP,
    SHOP.replace("\n", "\r\n"),
    SHOP.rstrip("\n"),
    SHOP.partition("# One entry")[0],
    SHOP.partition("# One entry")[0].rstrip("\n"),
    SHOP.partition("# Products")[0].replace('reads = { air_temp_c = { name = "temp" } }', "")
    + '[point.reads.air_temp_c]\nname = "temp"   # below\n',
    SHOP + "\n[[point]]\nid = 'late'\ntopic = '''\n[[point]] '''\nreads.outdoor_temp_c.name = 'x'",
]  # fmt: skip


@given(CLAIMS, st.sampled_from(SHOPS))
def test_a_claim_is_read_back_exactly_and_nothing_else_changes(claim: Claim, text: str) -> None:
    added = with_claim(text, claim)
    was, now = tomllib.loads(text), tomllib.loads(added)
    assert now.pop("point") == [*was.pop("point", []), claim.table()]
    assert now == was


@given(CLAIMS, st.sampled_from(SHOPS))
def test_every_line_that_was_there_is_there_in_its_order(claim: Claim, text: str) -> None:
    added = with_claim(text, claim)
    block = lines_of(claim)
    end = "\r\n" if "\r\n" in text else "\n"
    above, _, below = added.partition(block.replace("\n", end))
    kept = [line.strip() for line in (above + end + below).split("\n") if line.strip()]
    assert kept == [line.strip() for line in text.split("\n") if line.strip()]


@given(CLAIMS)
def test_no_line_hides_what_an_editor_would_obey(claim: Claim) -> None:
    assert all(letter.isprintable() or letter == "\n" for letter in lines_of(claim))


def test_it_stands_behind_the_last_point_before_the_next_comment() -> None:
    added = with_claim(SHOP, PANEL)
    begin = added.index('[[point]]\nid = "panel"')
    assert added.index("# SenML") < begin < added.index("# Products stand below.")


def test_points_written_as_a_list_are_left_to_a_person() -> None:
    text = 'point = [{ id = "a", topic = "b", reads = {} }]\n'
    with pytest.raises(InputError, match="by hand"):
        with_claim(text, PANEL)


def test_a_quantity_twice_or_none_is_refused() -> None:
    for takes in ((), (Taken("air_temp_c", "a"), Taken("air_temp_c", "b"))):
        with pytest.raises(InputError, match="each once"):
            with_claim(SHOP, PANEL._replace(takes=takes))


@given(ANY, st.none() | st.sampled_from(["north", "south"]), st.sets(ANY, max_size=3))
def test_a_free_id_is_one_the_shop_file_allows(
    topic: str, bay: str | None, taken: set[str]
) -> None:
    name = free_id(topic, bay, taken | {free_id(topic, bay, set())})
    claim = PANEL._replace(point=name)
    assert name not in taken
    assert with_claim(SHOP, claim)
    assert 0 < len(name) <= 40


def test_ids_follow_bay_and_topic() -> None:
    assert free_id("fjord/north/air", "north", set()) == "north-air"
    assert free_id("fjord/north/air", "north", {"north-air"}) == "north-air-2"
    assert free_id("///", None, set()) == "point"


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"topic": "fjord/#"}, "#"),
        ({"topic": "$SYS/x"}, r"\$"),
        ({"topic": "a\0b"}, "NUL"),
        ({"topic": "x" * 201}, "200"),
        ({"bay": "west"}, "bay"),
        ({"point": "Pänel"}, "id"),
        ({"takes": (Taken("dew_point_c"),)}, "no sensor sends"),
        ({"takes": (Taken("panel_temp_c", unit="furlong"),)}, "unit"),
        ({"takes": (Taken("outdoor_temp_c"),)}, "outdoors"),
        ({"topic": "fjord/north/air", "format": "senml",
          "takes": (Taken("air_temp_c", "temp"),)}, "already"),
    ],
)  # fmt: skip
def test_the_check_of_the_shop_file_refuses_it_before_it_is_written(
    tmp_path: Path, change: dict[str, object], word: str
) -> None:
    read = read_shop_text(shop_file(tmp_path))
    with pytest.raises(InputError, match=word):
        claimed_text(read, PANEL._replace(**change))  # type: ignore[arg-type]
    assert [file.name for file in tmp_path.iterdir()] == ["shop.toml"]


def test_it_is_written_and_the_old_one_is_kept(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    file.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(file)
    read = read_shop_text(link)
    before = write_claim(read, claimed_text(read, PANEL), "20260127-140500")
    assert before.name == "shop.toml.before-20260127-140500"
    assert before.read_text(encoding="utf-8") == SHOP
    assert link.is_symlink()
    assert file.stat().st_mode & 0o777 == before.stat().st_mode & 0o777 == 0o640
    assert [point.id for point in read_shop_text(file).shop.point] == ["{1}-air", "panel"]


def test_two_claims_in_one_second_keep_two_copies(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    for topic in ("fjord/a", "fjord/b"):
        read = read_shop_text(file)
        claim = PANEL._replace(point=topic[-1], topic=topic)
        write_claim(read, claimed_text(read, claim), "20260127-140500")
    assert len(list(tmp_path.glob("shop.toml.before-*"))) == 2
    assert [point.id for point in read_shop_text(file).shop.point][1:] == ["a", "b"]


def test_a_change_by_a_person_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    read = read_shop_text(file)
    text = claimed_text(read, PANEL)
    person = SHOP.replace("as on the door", "as on the sign")
    file.write_text(person, encoding="utf-8")
    with pytest.raises(InputError, match="changed by somebody meanwhile"):
        write_claim(read, text, "20260127-140500")
    assert file.read_text(encoding="utf-8") == person
    assert [each.name for each in tmp_path.iterdir()] == ["shop.toml"]


def test_a_read_only_file_stays_as_it_is(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    read = read_shop_text(file)
    file.chmod(0o444)
    assert not is_writable(file)
    with pytest.raises(InputError, match="read-only"):
        write_claim(read, claimed_text(read, PANEL), "20260127-140500")
    assert file.read_text(encoding="utf-8") == SHOP


@contextmanager
def no_room(size: int) -> Iterator[None]:
    """Let the kernel refuse to let any file grow beyond a size (setrlimit(2))."""
    kept = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, kept[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, kept)


@pytest.mark.parametrize("size", [100, len(SHOP.encode()) + 10])
def test_without_room_nothing_is_lost_and_nothing_is_left(tmp_path: Path, size: int) -> None:
    file = shop_file(tmp_path)
    read = read_shop_text(file)
    text = claimed_text(read, PANEL)
    with no_room(size), pytest.raises(InputError, match="cannot write"):
        write_claim(read, text, "20260127-140500")
    assert file.read_text(encoding="utf-8") == SHOP
    left = {each.name for each in tmp_path.iterdir()}
    assert left <= {"shop.toml", "shop.toml.before-20260127-140500"}


def test_a_shop_file_with_faults_is_not_claimed_into(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_bytes(b"[shop]\nname = 'x\xff'\n")
    with pytest.raises(ShopFileError):
        read_shop_text(file)
    file.write_text("[shop]\nname = 'x'\n", encoding="utf-8")
    with pytest.raises(ShopFileError):
        read_shop_text(file)
    assert os.listdir(tmp_path) == ["shop.toml"]  # noqa: PTH208 - names are enough
