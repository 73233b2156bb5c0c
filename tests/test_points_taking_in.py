"""A changed shop file is taken in while the shop runs, when its check passes and not otherwise."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING

import pytest

from envmon.service.points.taking_in import (
    LOOK_S,
    REQUEST_FILE,
    TakingIn,
    ask_to_take_in,
    why_refused,
)
from envmon.service.supervisor import Child, Supervisor
from envmon.shop.load import load_shop
from tests.mosquitto_support import wait_until
from tests.points_support import shop_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SLEEPER = ["-c", "import signal; signal.pause()"]
MORE = '\n[[point]]\nid = "new"\ntopic = "x"\nreads = { outdoor_temp_c = { name = "t" } }\n'


@pytest.fixture(autouse=True)
def _signals() -> Iterator[None]:
    """Give back pytest's own handlers."""
    kept = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


def asked(taking_in: TakingIn, folder: Path) -> bool:
    """Ask, and return what comes of it once it was looked at."""
    assert ask_to_take_in(folder)
    answers: list[bool] = []

    def looked_at() -> bool:
        answers.append(taking_in.due())
        return not (folder / REQUEST_FILE).exists()

    wait_until(looked_at, f"a look, one every {LOOK_S:g} s")
    return any(answers)


def test_only_a_changed_shop_file_without_faults_is_taken_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("envmon.service.points.taking_in.APART_S", 0.1)
    file, said = shop_file(tmp_path), list[str]()
    taking_in = TakingIn(load_shop(file), file, tmp_path, said.append)
    assert not taking_in.due()
    assert not asked(taking_in, tmp_path)  # it is as it was
    assert said == []
    good = file.read_text(encoding="utf-8")
    file.write_text(good + MORE.replace('"x"', '"#"'), encoding="utf-8")
    assert not asked(taking_in, tmp_path)
    assert "NOT taken in" in said[-1]
    assert "# is not allowed" in said[-1]
    assert why_refused(tmp_path) == said[-1]
    file.write_text(good.replace("port = 1883", "port = 1884"), encoding="utf-8")
    assert not asked(taking_in, tmp_path)
    assert "stop envmon and start it" in said[-1]
    file.write_text(good + MORE, encoding="utf-8")
    assert asked(taking_in, tmp_path)
    assert said[-1] == "the shop file has changed and is taken in"
    assert why_refused(tmp_path) == ""
    assert not asked(taking_in, tmp_path)


def test_claim_after_claim_starts_the_watch_anew_only_now_and_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = [100.0]
    monkeypatch.setattr("envmon.service.points.taking_in.time.monotonic", lambda: now_s[0])
    file = shop_file(tmp_path)
    taking_in = TakingIn(load_shop(file), file, tmp_path, lambda _said: None)
    starts = []
    for second in range(60):
        now_s[0] = 100.0 + second
        more = MORE.replace('"new"', f'"new-{second}"').replace('"x"', f'"x/{second}"')
        file.write_text(file.read_text(encoding="utf-8") + more, encoding="utf-8")
        assert ask_to_take_in(tmp_path)
        if taking_in.due():
            starts.append(second)
    assert starts == [0, 20, 40]
    now_s[0] = 160.0
    assert taking_in.due()  # the last ones are not forgotten


def test_a_folder_that_is_not_there_cannot_be_asked(tmp_path: Path) -> None:
    assert not ask_to_take_in(tmp_path / "none")


def test_what_reads_the_shop_file_is_started_anew_and_nothing_else() -> None:
    broker = Child("broker", SLEEPER)
    watch, boards = (Child(name, SLEEPER, reads_shop=True) for name in ("watch", "boards"))
    children, pids = [broker, watch, boards], list[list[int]]()

    def changed() -> bool:
        pids.append([child.process.pid for child in children if child.process])
        if len(pids) > 1:
            os.kill(os.getpid(), signal.SIGTERM)
        return len(pids) == 1

    assert Supervisor(children, lambda _line: None, shop_changed=changed).run("ready") == 0
    before, after = pids[:2]
    assert before[0] == after[0]
    assert not set(before[1:]) & set(after[1:])
