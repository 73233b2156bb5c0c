"""Fixtures of the tests about messages: named as a plugin by the files that use them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.notice_servers import HttpReceiver, MailServer
from tests.notice_support import Stand, people_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ALONE = '[[contact]]\nid = "ola"\nname = "Ola"\nchannels = ["phone"]\nleast = "low"\n'


@pytest.fixture
def phone(monkeypatch: pytest.MonkeyPatch) -> Iterator[HttpReceiver]:
    """A real HTTP server behind the channel ``phone``."""
    receiver = HttpReceiver().start()
    monkeypatch.setenv("ENVMON_CHANNEL_PHONE", receiver.address)
    yield receiver
    receiver.go.set()
    receiver.stop()


@pytest.fixture
def mail() -> Iterator[MailServer]:
    """A real SMTP server."""
    server = MailServer().start()
    yield server
    server.stop()


@pytest.fixture
def people() -> str:
    """The ``[[contact]]`` tables of ``scene``; a file with others has a fixture of its own."""
    return ALONE


@pytest.fixture
def scene(tmp_path: Path, phone: HttpReceiver, people: str) -> Iterator[Stand]:
    """A shop with people whose phone is there."""
    assert phone.go.is_set()
    made = Stand(tmp_path, people_text(people))
    yield made
    made.close()
