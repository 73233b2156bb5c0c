"""Fixtures of the boards' tests: named as a plugin by the files that use them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import sync_playwright

from tests.boards_support import CHROMIUM, CHROMIUM_ARGS, Stand, live_state, stand_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    """Two bays, both fit for coating."""
    with stand_of(tmp_path).serving() as serving:
        serving.say(*(live_state(serving.plan, bay) for bay in ("north", "south")))
        yield serving


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, one per file: while it runs, asyncio.run cannot be used in tests."""
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM} is not installed")
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=str(CHROMIUM), args=CHROMIUM_ARGS)
        yield running
        running.close()
