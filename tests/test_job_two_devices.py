"""Two people at two devices on one job, and acts that cannot be: nobody is overruled in silence.

The whole demo runs, at five times real speed, with nobody working in it but these tests.
"""

from __future__ import annotations

import tomllib
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest
from paho.mqtt import publish

from tests.bench_hand import NEXT, BenchHand, HandDemo, hand_demo
from tests.boards_support import page_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

pytest_plugins = ["tests.boards_fixtures"]
pytestmark = [pytest.mark.broker, pytest.mark.browser]

ACTS = "/api/v1/bays/south/acts"
PHONE = {"width": 390, "height": 844}
TABLET = {"width": 1180, "height": 820}
OPEN = {"act": "open", "procedure": "short_coating", "body": "quay_motorcycle"}
COATING = 5
PEDAL = "shop/south/pedal"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[HandDemo]:
    with hand_demo(tmp_path_factory.mktemp("two") / "data", "08:30", 5) as running:
        yield running


@pytest.fixture
def job(demo: HandDemo) -> Iterator[str]:
    """A job in its coating, and closed again after the test."""
    status, said = demo.post(ACTS, {**OPEN, "by": "Ada"})
    assert status == 200, said
    for step in range(COATING):
        assert demo.post(ACTS, {"act": "skip", "step": step, "reason": "a test"})[0] == 200
    begun = demo.post(ACTS, {"act": "start", "step": COATING, "reason": "a test"})
    assert begun[0] == 200, begun
    yield str(said["job"])
    closed = demo.post(ACTS, {"act": "close", "reason": "the test is over"})
    assert closed[0] == 200, closed


def panels_of(demo: HandDemo, job: str) -> list[dict[str, Any]]:
    panels: list[dict[str, Any]] = demo.get(f"/api/v1/jobs/{job}")["panels"]
    return panels


def test_what_one_does_the_other_sees_within_a_second(
    demo: HandDemo, job: str, browser: Browser
) -> None:
    address = f"{demo.url}/bench/south"
    with page_of(browser, address, TABLET) as one, page_of(browser, address, PHONE) as other:
        tablet, phone = BenchHand(one), BenchHand(other)
        phone.wait("[data-row-panel]")
        panel = tablet.panels()[0]
        tablet.act_on(panel, "apply")
        seen = f'[data-row-panel="{panel}"]:not([data-phase="todo"])'
        one.wait_for_selector(seen, state="attached")
        other.wait_for_selector(seen, state="attached", timeout=1_000)
        assert job in other.inner_text('[data-f="job"]')


def test_of_two_at_the_same_moment_one_is_told_who_was_first(demo: HandDemo, job: str) -> None:
    panel = panels_of(demo, job)[1]["id"]
    asked = [{"act": "apply", "panel": panel, "by": name} for name in ("Ada", "Bo")]
    with ThreadPoolExecutor(2) as both:
        answers = list(both.map(lambda body: demo.post(ACTS, body), asked))
    assert sorted(status for status, _ in answers) == [200, 409]
    winner = next(body["by"] for body, (status, _) in zip(asked, answers, strict=True)
                  if status == 200)  # fmt: skip
    refusal = next(said for status, said in answers if status == 409)
    assert refusal["conflict"] is True
    assert f"already at {demo.clock()[:2]}" in refusal["error"]
    assert winner in refusal["error"]
    marks = next(p for p in panels_of(demo, job) if p["id"] == panel)["marks"]
    assert len(marks) == 1


def test_a_press_on_an_old_screen_is_said_to_be_late(
    demo: HandDemo, job: str, browser: Browser
) -> None:
    """The phone is cut off while somebody else works; what it then asks is refused in words."""
    with page_of(browser, f"{demo.url}/bench/south", PHONE) as page:
        phone = BenchHand(page)
        panel = panels_of(demo, job)[2]["id"]
        # A button that is new on the screen takes no press for a moment.
        phone.wait(f'[data-row-panel="{panel}"] [data-act="apply"]:not([aria-disabled="true"])')
        # One press, sent twice as a bouncing glove would: only the first may count.
        page.evaluate(
            """(panel) => {
              const row = document.querySelector(`[data-row-panel="${panel}"]`);
              const button = row.querySelector('[data-act="apply"]');
              button.click();
              button.click();
            }""",
            panel,
        )
        phone.wait(f'[data-row-panel="{panel}"]:not([data-phase="todo"])')
    marks = next(p for p in panels_of(demo, job) if p["id"] == panel)["marks"]
    assert len(marks) == 1


@pytest.mark.parametrize(
    ("act", "says", "conflict"),
    [
        ({"act": "level", "panel": "PANEL"}, "not applied yet", True),
        ({"act": "inspect", "panel": "PANEL", "result": "clean"}, "not applied yet", True),
        ({"act": "apply", "panel": "no-such"}, "there is no panel", True),
        ({"act": "start", "step": COATING}, "started already at", True),
        ({"act": "finish", "step": 6}, "not being worked", True),
        ({"act": "finish", "step": COATING}, "not levelled yet", False),
        ({"act": "skip", "step": 1, "reason": "a test"}, "skipped already", True),
        ({"act": "undo", "seq": 1}, "none of the marks", True),
        ({"act": "close"}, "reason", False),
        ({"act": "start", "step": 7}, "Not done: Early cure", False),
        (OPEN, "was opened here already", True),
    ],
)
def test_wrong_acts_are_refused_in_words(
    demo: HandDemo,
    job: str,
    act: dict[str, Any],
    says: str,
    conflict: bool,  # noqa: FBT001 - a case
) -> None:
    before = demo.get(f"/api/v1/jobs/{job}")
    sent = {**act, "panel": before["panels"][5]["id"]} if act.get("panel") == "PANEL" else act
    status, said = demo.post(ACTS, sent)
    assert status == 409, said
    assert says in said["error"]
    assert said["conflict"] is conflict
    after = demo.get(f"/api/v1/jobs/{job}")
    assert after["panels"] == before["panels"]
    assert after["steps"] == before["steps"]


@pytest.mark.parametrize(
    "act",
    [{}, {"act": "fly"}, {"act": "apply"}, {"act": "skip", "step": 1, "reason": "x"},
     {"act": "in_flight", "in_flight": 9}, {"act": "note", "text": "x", "more": 1}],
)  # fmt: skip
def test_what_is_no_act_is_malformed(demo: HandDemo, act: dict[str, Any]) -> None:
    assert demo.post(ACTS, act)[0] == 422


def test_a_plain_stage_is_refused_while_a_job_is_open(demo: HandDemo, job: str) -> None:
    status, said = demo.post("/api/v1/bays/south/stage", {"stage": "wash"})
    assert status == 409
    assert f"job {job} is open" in said["error"]
    assert "/bench/south" in said["error"]


def test_an_undo_takes_the_last_mark_back_once(demo: HandDemo, job: str) -> None:
    panel = panels_of(demo, job)[3]["id"]
    seq = demo.post(ACTS, {"act": "apply", "panel": panel})[1]["seq"]
    assert demo.post(ACTS, {"act": "undo", "seq": seq})[0] == 200
    status, said = demo.post(ACTS, {"act": "undo", "seq": seq})
    assert (status, said["conflict"]) == (409, True)
    assert next(p for p in panels_of(demo, job) if p["id"] == panel)["marks"] == []


def test_a_foot_switch_does_what_the_screen_proposes_and_takes_it_back(
    demo: HandDemo, job: str, browser: Browser
) -> None:
    """The pedal of the demo's shop file speaks on the demo's own broker, numbered presses."""
    port = tomllib.loads(demo.shop_file.read_text("utf-8"))["broker"]["port"]
    with page_of(browser, f"{demo.url}/bench/south", TABLET) as page:
        bench = BenchHand(page)
        bench.wait(f'{NEXT}[data-act="apply"]')
        panel = str(page.get_attribute(NEXT, "data-panel"))
        applied = f'[data-row-panel="{panel}"][data-phase="flashing"]'
        publish.single(PEDAL, '{"button": "press", "n": 1}', qos=1, port=port)
        bench.wait(applied)
        # Delivered again, as a broker may: heard once.
        publish.single(PEDAL, '{"button": "press", "n": 1}', qos=1, port=port)
        publish.single(PEDAL, '{"button": "hold", "n": 2}', qos=1, port=port)
        bench.wait(f'[data-row-panel="{panel}"][data-phase="todo"]')
    assert all(one["marks"] == [] for one in panels_of(demo, job))
