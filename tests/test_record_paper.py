"""The record as page and PDF: what a customer reads, what is escaped, what still stands open."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import pytest

from envmon.errors import ServiceError
from envmon.job.record_html import Html, html_of, table, tag
from envmon.job.record_page import page
from envmon.service.record.make import Wish, record
from envmon.service.record.pdf import pdf_from
from tests.record_support import JOB, REFERENCE, SHOP, Story, told_story

if TYPE_CHECKING:
    from pathlib import Path

END = 800.0
NASTY = "<script>alert(1)</script>&amp;\"'</style></svg>"
PANELS = [f"Panel {n} with a long name" for n in range(1, 41)]


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return told_story(tmp_path_factory.mktemp("paper"))


@pytest.fixture(scope="module")
def html(story: Story) -> str:
    return story.desk(END).handed_out(JOB, "html").decode()


class Text(HTMLParser):
    """Collects what a reader sees, and every element (Python's own parser)."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.tags: list[str] = []
        self.quiet = 0
        self.feed(html)

    def handle_starttag(self, tag: str, _attrs: object) -> None:
        self.tags.append(tag)
        self.quiet += tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self.quiet -= tag == "style"

    def handle_data(self, data: str) -> None:
        if not self.quiet:
            self.seen.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.seen))


def pages_of(pdf: bytes, folder: Path) -> list[str]:
    """Return the text of each page, as pdftotext of Poppler reads it."""
    file = folder / "record.pdf"
    file.write_bytes(pdf)
    said = subprocess.run(
        ["pdftotext", "-layout", str(file), "-"], check=True, capture_output=True
    ).stdout.decode()
    return said.split("\f")[:-1]


def test_the_front_sheet_says_what_a_customer_asks(html: str) -> None:
    front = Text(html.partition('class="details"')[0]).text
    for word in (
        "Fjord Lane Surface Care", REFERENCE, JOB, "Winter coating", "Did the conditions hold?",
        "Coating", "Full cure", "Fjord Shell (invented), batch A-17", "rain-safe",
        "First wash not before Fri 6 February 2026", "10 days", "for the shop", "Proof",
        "envmon verify", "looking at the vehicle",
    ):  # fmt: skip
        assert word in front, word
    assert "still open" not in front


def test_the_details_say_the_rest(html: str) -> None:
    said = Text(html.partition('class="details"')[2]).text
    for word in (
        "Stage by stage", "Air while coating", "Cure, from the last levelled panel", "Panels",
        "2:10–5:25", "1.08", "8 % later than at 20 °C", "settle: 4 min more", "held all morning",
        "Cure interrupted: air 14.2 °C", "Mix: 1:10, 32 °C", "Timeline", "Products and sheets",
        "sheet of 2025-10-01", "air-b", "as in the shop file", "Cautions", "unsealed heater",
        "weighted by time", "head of the chain", "solvent vapour", "checked by hand",
    ):  # fmt: skip
        assert word in said, word


def test_first_wash_by_common_practice_where_no_sheet_says_it(tmp_path: Path) -> None:
    """Not before 14 days: common practice of the trade."""
    story = Story(tmp_path, reference="")
    story.coat_sheet["first_wash_days"] = None
    story.open()
    assert json.loads(story.desk(1).handed_out(JOB, "json"))["aftercare"] is None
    story.start(1, 3)
    care = json.loads(story.desk(60).handed_out(JOB, "json"))["aftercare"]
    assert (care["first_wash_days"], care["first_wash"]) == (14, "2026-02-10")
    assert care["source"] == "common practice"


def test_the_front_sheet_hides_nothing(html: str) -> None:
    front = Text(html.partition('class="details"')[0]).text
    assert "done, started against a guard (see details)" in front
    assert "1 as in the shop file, 3 never checked" in front
    assert "outside for" in front


def test_names_from_outside_are_text(tmp_path: Path) -> None:
    shop = SHOP.replace('"Fjord Lane Surface Care"', "'''" + NASTY.replace("'", "") + "'''")
    story = told_story(tmp_path, panels=[NASTY, "Roof"], reference=NASTY, text=shop)
    story.job_says(700, "job_note", text=NASTY)
    html = story.desk(END).handed_out(JOB, "html").decode()
    read = Text(html)
    assert "script" not in read.tags
    assert html.count("</style>") == html.count("<style>")
    assert "<script" not in html
    assert read.text.count("<script>alert(1)</script>") >= 3
    pages_of(story.desk(END).handed_out(JOB, "pdf"), tmp_path)


def test_markup_escapes_by_itself() -> None:
    assert tag("p", "<b>", Html("<i>x</i>"), class_='"') == (
        '<p class="&quot;">&lt;b&gt;<i>x</i></p>'
    )
    assert html_of("a & b", 7) == "a &amp; b7"
    assert "<x>" not in table(["<x>"], [["<x>"]], "<x>")


def test_a_job_still_open_says_so_on_the_paper(tmp_path: Path) -> None:
    story = Story(tmp_path)
    end = story.whole(close=False)
    story.hear((-5, end))
    front = Text(story.desk(end).handed_out(JOB, "html").decode().partition("Stage by stage")[0])
    assert "Job still open." in front.text
    assert "no record of a finished job" in front.text
    assert "received" not in front.text  # nothing to sign yet
    first, *_ = pages_of(story.desk(end).handed_out(JOB, "pdf"), tmp_path)
    assert "Job still open." in first
    said: list[str] = []
    out = tmp_path / "open.json"
    record(Wish(story.shop_file, JOB, out), story.clock(end), said.append)
    assert said == [f"{out}: record of job {JOB}, which is STILL OPEN"]
    document = json.loads(out.read_bytes())
    assert document["open"] is True
    assert document["job"]["closed"] is None


def test_a_job_just_opened_makes_a_paper(tmp_path: Path) -> None:
    story = Story(tmp_path, reference="")
    story.open()
    text = Text(story.desk(1).handed_out(JOB, "html").decode()).text
    assert "No cure yet" in text
    assert "Nothing that needs its own air was worked yet." in text
    assert len(pages_of(story.desk(1).handed_out(JOB, "pdf"), tmp_path)) >= 2


def test_the_pdf_has_one_sheet_for_the_customer(story: Story, tmp_path: Path) -> None:
    pages = pages_of(story.desk(END).handed_out(JOB, "pdf"), tmp_path)
    assert "Did the conditions hold?" in pages[0]
    assert "for the shop" in pages[0]
    assert "Stage by stage" not in pages[0]
    assert pages[1].split()[:3] == ["Stage", "by", "stage"]
    assert f"1 of {len(pages)}" in pages[0]


def test_much_to_say_leaves_the_signature_on_the_front_sheet(tmp_path: Path) -> None:
    story = Story(tmp_path, reference="a reference somebody typed at great length, " * 4)
    end = story.whole(close=False)
    for n in range(12):
        story.say(end - 200 + 10 * n, "cure_fitness", fitness=("unfit", "unknown", "fit")[n % 3])
    story.start(end, 2, against=["order: goes back"], reason="high spots everywhere")
    story.start(end + 10, 3)
    story.job_says(end + 20, "stage_skipped", step=4, stage="cure", reason="word after word " * 30)
    story.job_says(end + 60, "job_closed", reason="the owner " * 40)
    front = pages_of(story.desk(end + 61).handed_out(JOB, "pdf"), tmp_path)[0]
    assert "for the shop" in front
    assert "looking at the vehicle" in re.sub(r"\s+", " ", front)
    assert "begun anew" in re.sub(r"\s+", " ", front)


@pytest.mark.parametrize("steps", [12, 24])
def test_a_long_procedure_keeps_to_the_customer_s_sheet(
    story: Story, tmp_path: Path, steps: int
) -> None:
    """Twelve steps are a whole winter job; of twice as many the letters get smaller."""
    document = json.loads(story.desk(END).handed_out(JOB, "json"))
    against = {"against": ["water 16 °C, needs 30–45 °C: warmer water"], "reason": "no time"}
    worked = next(step for step in document["stages"] if step["runs"])
    more = worked | {"runs": [run | against for run in worked["runs"]]}
    document["stages"] += [more] * (steps - len(document["stages"]))
    pages = pages_of(pdf_from(page(document)), tmp_path)
    assert "for the shop" in pages[0]
    assert len(document["stages"]) == steps
    assert pages[1].split()[:3] == ["Stage", "by", "stage"]


def test_no_pdf_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/no/such/python")
    with pytest.raises(ServiceError, match="cannot make a PDF"):
        pdf_from("<p>")


def test_a_page_that_wants_something_from_outside_gets_nothing() -> None:
    """The stranger's picture is left out (WeasyPrint goes on without it); nothing is fetched."""
    assert pdf_from('<p>x<img src="http://127.0.0.1:1/x.png">').startswith(b"%PDF-")


def test_a_long_table_repeats_its_head_on_every_page(tmp_path: Path) -> None:
    story = told_story(tmp_path, panels=PANELS)
    pages = pages_of(story.desk(END).handed_out(JOB, "pdf"), tmp_path)
    with_rows = [text for text in pages if re.search(r"Panel \d+ with", text)]
    assert len(with_rows) >= 2
    assert all("levelled" in text and "factor" in text for text in with_rows)


def test_forms_have_one_digest_and_are_entered_once_each(tmp_path: Path) -> None:
    story = told_story(tmp_path)
    document = json.loads(story.desk(END).handed_out(JOB, "json"))
    for minutes in (END + 1, END + 2):
        html = story.desk(minutes).handed_out(JOB, "html").decode()
        assert document["digest"][:8] in html
        assert (
            story.desk(minutes).handed_out(JOB, "json")
            == (
                json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
                + "\n"
            ).encode()
        )
    asked = [(r.kind, r.data["form"], r.data["digest"]) for r in story.store.requests()]
    assert asked == [("job_act", form, document["digest"]) for form in ("json", "html")]
    story.enter_asked(END + 3)
    story.desk(END + 4).handed_out(JOB, "pdf")
    assert [r.data["form"] for r in story.store.requests()] == ["pdf"]


def test_something_new_in_the_job_makes_a_new_record(tmp_path: Path) -> None:
    story = told_story(tmp_path)
    first = json.loads(story.desk(END).handed_out(JOB, "json"))
    story.job_says(END + 1, "job_note", text="came back for a look")
    second = json.loads(story.desk(END + 2).handed_out(JOB, "json"))
    assert second["digest"] != first["digest"]
    assert [note["text"] for note in second["notes"]] == ["came back for a look"]


def test_a_kept_record_that_was_tampered_with_is_not_handed_out(tmp_path: Path) -> None:
    story = told_story(tmp_path)
    made = story.desk(END).handed_out(JOB, "json")
    (file,) = (story.data / "records").glob("*.json")
    file.write_bytes(file.read_bytes().replace(b"Siv", b"Bob"))
    assert b"Bob" not in story.desk(END + 1).handed_out(JOB, "json")
    assert json.loads(made)["made"] == "2026-01-27T20:20:00.000000Z"


def test_writing_a_file(story: Story, tmp_path: Path) -> None:
    said: list[str] = []
    out = tmp_path / "r.html"
    assert record(Wish(story.shop_file, JOB, out), story.clock(END), said.append) == 0
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert said == [f"{out}: record of job {JOB}"]
    assert [path.name for path in tmp_path.iterdir()] == ["r.html"]


@pytest.mark.parametrize(
    ("job", "name", "said"),
    [
        ("nope", "r.json", "the last were 260127-1"),
        (JOB, "r.docx", "allowed is a name in .json, .html, .pdf"),
        (JOB, "no/r.json", "folder that is there"),
        (JOB, "there.json", "--force replaces it"),
    ],
)
def test_what_cannot_be_written_says_why(
    story: Story, tmp_path: Path, job: str, name: str, said: str
) -> None:
    (tmp_path / "there.json").touch()
    with pytest.raises(Exception, match=re.escape(said)):
        record(Wish(story.shop_file, job, tmp_path / name), story.clock(END), print)


def test_the_commands_are_there() -> None:
    for name in ("record", "verify", "jobs"):
        command = [sys.executable, "-m", "envmon.cli", name, "--help"]
        assert subprocess.run(command, check=False, capture_output=True).returncode == 0


def test_us_units_on_the_paper(tmp_path: Path) -> None:
    shop = SHOP.replace('timezone = "Europe/Oslo"', 'timezone = "Europe/Oslo"\nunits = "us"')
    story = told_story(tmp_path, text=shop)
    said = Text(story.desk(END).handed_out(JOB, "html").decode()).text
    assert "64.4 to 75.2 °F" in said  # 18 to 24 °C
    assert "at least 5.4 °F" in said  # 3 K as a difference
    assert "°C" not in said.partition("Stage by stage")[2].partition("Panels")[0]
    document = json.loads(story.desk(END).handed_out(JOB, "json"))
    assert document["limits"]["coating"][0]["low"] == 18.0
