"""What was learned survives being killed, and gives way when it cannot be read.

Source of kill -9: POSIX, SIGKILL cannot be caught; rename(2) replaces a name as a whole.
"""

from __future__ import annotations

import logging
import signal
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import msgspec
import pytest

from envmon.errors import StoreError
from envmon.outlook.constants import Priors
from envmon.outlook.learning import fresh_facts
from envmon.service.outlook.facts import (
    FACTS_FILE,
    FORM,
    SET_ASIDE,
    KeptFacts,
    facts_form,
    facts_to_learn_on,
    keep_facts,
    known_facts,
    read_facts,
)
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from pathlib import Path

BAYS = {"north": fresh_facts(Priors(260.0), 5), "south": fresh_facts(Priors(190.0), 7)}
NO_BAY = msgspec.json.encode({"form": facts_form(), "version": FORM, "bays": {"n": {}}})
KEEPS = """
import sys
from pathlib import Path
from envmon.outlook.constants import Priors
from envmon.outlook.learning import fresh_facts
from envmon.service.outlook.facts import keep_facts
folder, at_us = Path(sys.argv[1]), 0
while True:
    at_us += 1
    keep_facts(folder, {"north": fresh_facts(Priors(260.0), at_us)})
"""


def test_what_is_kept_comes_back_without_loss(tmp_path: Path) -> None:
    assert read_facts(tmp_path) == {}
    keep_facts(tmp_path, BAYS)
    assert read_facts(tmp_path) == BAYS


def test_killed_while_keeping_the_old_or_the_new_is_there(tmp_path: Path) -> None:
    last = 0
    for _ in range(5):
        process = subprocess.Popen([sys.executable, "-c", KEEPS, str(tmp_path)])
        wait_until((tmp_path / FACTS_FILE).exists, "the first facts", 60)
        threading.Event().wait(0.05)
        process.send_signal(signal.SIGKILL)
        process.wait(30)
        last = read_facts(tmp_path)["north"].made_us
        assert last > 0
    assert not (tmp_path / SET_ASIDE).exists()


@pytest.mark.parametrize("text", [b"", b"{", b'{"form": 1}', NO_BAY])
def test_an_unreadable_file_is_set_aside_and_said_by_the_one_who_learns(
    tmp_path: Path, text: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FACTS_FILE).write_bytes(text)
    with caplog.at_level(logging.WARNING):
        assert facts_to_learn_on(tmp_path) == {}
    assert "learning anew" in caplog.text
    assert (tmp_path / SET_ASIDE).read_bytes() == text
    assert not (tmp_path / FACTS_FILE).exists()


@pytest.mark.parametrize("text", [b"{", NO_BAY])
def test_a_mere_reader_leaves_an_unreadable_file_where_it_is(
    tmp_path: Path, text: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FACTS_FILE).write_bytes(text)
    assert read_facts(tmp_path) == {}
    assert "is unreadable" in known_facts(tmp_path).why
    assert (tmp_path / FACTS_FILE).read_bytes() == text
    assert not (tmp_path / SET_ASIDE).exists()
    assert not caplog.text


def test_half_a_path_of_errors_is_unreadable(tmp_path: Path) -> None:
    keep_facts(tmp_path, BAYS)
    kept = msgspec.json.decode((tmp_path / FACTS_FILE).read_bytes(), type=KeptFacts)
    trust = kept.bays["north"].trust
    cut = {name: msgspec.structs.replace(one, paths=one.paths[:-6]) for name, one in trust.items()}
    bays = {"north": msgspec.structs.replace(kept.bays["north"], trust=cut)}
    (tmp_path / FACTS_FILE).write_bytes(msgspec.json.encode(KeptFacts(kept.form, bays, FORM)))
    assert facts_to_learn_on(tmp_path) == {}
    assert (tmp_path / SET_ASIDE).exists()


@pytest.mark.parametrize(
    "kept",
    [
        KeptFacts("of before", BAYS, FORM),
        KeptFacts(facts_form(), BAYS, FORM - 1),
        KeptFacts(facts_form(), BAYS, FORM + 1),
    ],
)
def test_facts_of_another_version_are_not_used_and_this_is_said(
    tmp_path: Path, kept: KeptFacts, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FACTS_FILE).write_bytes(msgspec.json.encode(kept))
    assert read_facts(tmp_path) == {}
    with caplog.at_level(logging.WARNING):
        assert facts_to_learn_on(tmp_path) == {}
    assert "of another version" in caplog.text
    assert "learning anew" in caplog.text
    assert not (tmp_path / SET_ASIDE).exists(), "it gives way when facts are kept next"


def test_a_file_that_does_not_say_its_version_is_an_old_one(tmp_path: Path) -> None:
    old = {"form": facts_form(), "bays": {"north": {"what": "facts were once"}}}
    (tmp_path / FACTS_FILE).write_bytes(msgspec.json.encode(old))
    found = known_facts(tmp_path)
    assert found.bays == {}
    assert "of another version" in found.why
    assert not found.unreadable


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot keep what was learned"):
        keep_facts(tmp_path / "gone", BAYS)
