"""``envmon replay``: exit codes, one JSON document, other limits, the page.

Source of exit codes and streams: the fixed interfaces of the design (ours). The history is made
by hand, so that minutes and alarms can be told beforehand.
"""

from __future__ import annotations

import json
import subprocess
import sys
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any

import pytest

from envmon.facts import Flag, NewEvent, Reading
from envmon.store.sqlite import SqliteStore
from tests.guard_support import SHOP, us

if TYPE_CHECKING:
    from pathlib import Path

HOUR_S = 3600
OTHER = SHOP.replace("high = 26", "high = 30")


def envmon(*arguments: object) -> subprocess.CompletedProcess[str]:
    argv = [sys.executable, "-m", "envmon.cli", *map(str, arguments)]
    return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture(scope="module")
def shop_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """09:00–15:00 local: polishing, good at first, from 11:00 on 28 °C (26 allowed), then 20 °C.

    Second 0 is 08:00 UTC, 09:00 in Oslo. The air is too warm from 11:00 to 12:00.
    """
    folder = tmp_path_factory.mktemp("shop")
    store = SqliteStore(folder / "data")
    readings = []
    for at_s in range(0, 6 * HOUR_S, 20):
        warm = 2 * HOUR_S <= at_s < 3 * HOUR_S
        for point, quantity, value in (
            ("air-a", "air_temp_c", 28.0 if warm else 20.0), ("air-a", "rel_hum_pct", 45.0),
            ("air-b", "air_temp_c", 28.0 if warm else 20.0), ("panel", "panel_temp_c", 20.0),
        ):  # fmt: skip
            at_us = us(at_s)
            readings.append(Reading(point, quantity, at_us, value, Flag.GOOD, at_us))
    store.add_readings(readings)
    store.add_events([NewEvent(us(600), "stage_started", "one", {"stage": "polish"})])
    store.close()
    (folder / "shop.toml").write_text(SHOP, encoding="utf-8")
    (folder / "other.toml").write_text(OTHER, encoding="utf-8")
    return folder / "shop.toml"


def document(*arguments: object) -> dict[str, Any]:
    done = envmon("replay", *arguments, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_json_is_one_document_with_what_was_counted_by_hand(shop_file: Path) -> None:
    found = document(shop_file, "--from", "2026-01-27", "--to", "2026-01-28", "--stage", "polish")
    (day,) = [d for d in found["days"] if d["bay"] == "one"]
    # The first five minutes settle; the last reading is at 14:59:40.
    assert (day["day"], day["stage"]) == ("2026-01-27", "polish")
    assert day["unfit_min"] == pytest.approx(60, abs=0.01)
    assert day["marginal_min"] == pytest.approx(5, abs=0.01)
    assert day["fit_min"] == pytest.approx(6 * 60 - 20 / 60 - 65, abs=0.01)
    assert day["longest_fit"]["from"] == "2026-01-27T11:00:00.000Z"
    (alarm,) = found["alarms"]
    # On-delay 90 s, off-delay 45 s: sheet of the test product.
    assert alarm == {
        "alarm": "one-window", "bay": "one", "stage": "polish", "what": "window", "minutes": 59.25,
        "raised": "2026-01-27T10:01:30.000Z", "cleared": "2026-01-27T11:00:45.000Z",
    }  # fmt: skip
    assert found["readings"] == 4 * 6 * 180
    assert found["same_as_live"]["compared"] == 0
    assert {key["stage"] for key in found["longest"]} == {"polish"}


def test_other_limits_give_the_hour_back_and_no_alarm(shop_file: Path) -> None:
    other = shop_file.parent / "other.toml"
    span = ("--from", "2026-01-27T10:00", "--to", "2026-01-27T13:00")
    found = document(shop_file, *span, "--limits", other)
    change = next(c for c in found["other"]["changes"] if c["stage"] == "polish")
    assert (change["gained_min"], change["lost_min"]) == (pytest.approx(60, abs=0.01), 0)
    # The bucket's sensor never spoke; that has nothing to do with limits.
    (gone,) = [alarm for alarm in found["alarms"] if alarm["what"] != "lost"]
    assert {alarm["what"] for alarm in found["other"]["alarms"]} <= {"lost"}
    assert found["other"]["alarms_gone"] == [gone]
    assert found["other"]["alarms_new"] == []
    assert found["other_plan"] != found["plan"]


def test_the_terminal_shows_a_strip_a_day_and_the_alarm(shop_file: Path) -> None:
    done = envmon("replay", shop_file, "--from", "2026-01-27", "--to", "2026-01-28",
                  "--stage", "polish")  # fmt: skip
    assert done.returncode == 0
    strips = [line for line in done.stdout.splitlines() if line.startswith("Tue 27 Jan ")]
    assert strips[1][11:59] == " " * 18 + "█" * 4 + "·" * 2 + "█" * 6 + " " * 18
    assert "Tue 27 Jan 11:01  Polishing in Bay one outside its window, 59 min" in strips[
        -1
    ].replace("\u00a0", " ")
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_nothing_kept_of_the_span_is_a_no_and_says_what_is(shop_file: Path) -> None:
    done = envmon("replay", shop_file, "--from", "2025-01-01", "--to", "2025-02-01", "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)["kept"]["from"] == "2026-01-27T08:00:00.000Z"
    assert "kept is Tue 27 Jan 2026 09:00 to Tue 27 Jan 2026 14:59" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--from", "2026-01-28", "--to", "2026-01-27"), "is not before"),
        (("--from", "yesterday", "--to", "2026-01-27"), "'yesterday'"),
        (("--from", "2026-01-27", "--to", "2026-01-28", "--stage", "paint"), "allowed: warm_up"),
    ],
)
def test_what_cannot_be_asked_is_refused(
    shop_file: Path, arguments: tuple[str, ...], words: str
) -> None:
    done = envmon("replay", shop_file, *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('topic = "hall/panel"', 'topic = "hall/plate"', "point panel differs in it"),
        ('id = "bucket"', 'id = "pail"', "point bucket is not in it"),
        ('id = "two"\nname = "Bay two"\nair_space = "hall"', 'id = "two"\nname = "Bay two"',
         "bay two differs in it"),
    ],
)  # fmt: skip
def test_another_shops_file_is_refused_and_the_difference_named(
    shop_file: Path, tmp_path: Path, old: str, new: str, words: str
) -> None:
    other = tmp_path / "other.toml"
    other.write_text(SHOP.replace(old, new), encoding="utf-8")
    done = envmon("replay", shop_file, "--from", "2026-01-27", "--to", "2026-01-28",
                  "--limits", other)  # fmt: skip
    assert done.returncode == 2
    assert words in done.stderr


def test_no_data_folder_is_said_and_none_is_made(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(SHOP, encoding="utf-8")
    done = envmon("replay", file, "--from", "2026-01-27", "--to", "2026-01-28")
    assert done.returncode == 2
    assert "no data" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["shop.toml"]


def test_a_time_shown_twice_is_named(shop_file: Path) -> None:
    done = envmon("replay", shop_file, "--from", "2025-10-26T02:30", "--to", "2026-01-28")
    assert done.returncode == 0
    assert "comes twice" in done.stderr


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.outside: list[str] = []
        self.rects = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.rects += tag == "rect"
        self.outside += [str(value) for name, value in attrs if name in {"src", "href"}]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_whole_and_needs_nothing_from_outside(shop_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    done = envmon("replay", shop_file, "--from", "2026-01-27", "--to", "2026-01-28", "--out", out,
                  "--limits", shop_file.parent / "other.toml", "--stage", "polish")  # fmt: skip
    assert done.returncode == 0
    text = out.read_text(encoding="utf-8")
    tags = _Tags()
    tags.feed(text)
    assert (tags.open, tags.outside) == ([], [])
    assert "url(" not in text
    assert tags.rects > 4
    for words in ("Harbour Row Surface Care", "Test wax data sheet", "12:00–15:00 fit",
                  "1 alarm would not have come"):  # fmt: skip
        assert words in text


def test_a_page_that_cannot_be_written_is_said(shop_file: Path, tmp_path: Path) -> None:
    done = envmon("replay", shop_file, "--from", "2026-01-27", "--to", "2026-01-28",
                  "--out", tmp_path / "no" / "page.html")  # fmt: skip
    assert done.returncode == 2
    assert "cannot write" in done.stderr
