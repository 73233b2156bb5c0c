"""Waiting before the next attempt: full jitter between nothing and a doubling, capped span.

Full jitter: a uniform draw from zero to the exponential span (common practice).
"""

from __future__ import annotations

import random

import pytest

from envmon.intake.link import BACKOFF_CAP_S, BACKOFF_FIRST_S, BrokerLink
from envmon.service.broker import LOOPBACK


class Drawn(random.Random):
    """Notes the span asked for, and draws a chosen part of it."""

    def __init__(self, part: float) -> None:
        super().__init__(1)
        self.part = part
        self.spans: list[tuple[float, float]] = []

    def uniform(self, a: float, b: float) -> float:
        self.spans.append((a, b))
        return a + self.part * (b - a)


@pytest.fixture
def link(monkeypatch: pytest.MonkeyPatch) -> BrokerLink:
    """A link whose clock stands still at 1000 s."""
    monkeypatch.setattr("envmon.intake.link.time.monotonic", lambda: 1000.0)
    return BrokerLink(LOOPBACK, 1, "test", [])


def test_span_doubles_up_to_the_cap_and_begins_at_zero(link: BrokerLink) -> None:
    link._random = drawn = Drawn(1.0)
    for _ in range(2000):
        link._plan_retry()
    highs = [high for _, high in drawn.spans]
    assert highs[:6] == [0.5, 1.0, 2.0, 4.0, 8.0, 10.0]
    assert set(highs[5:]) == {BACKOFF_CAP_S}
    assert {low for low, _ in drawn.spans} == {0}


@pytest.mark.parametrize("part", [0.0, 0.25, 1.0])
def test_next_attempt_is_the_draw_after_now(link: BrokerLink, part: float) -> None:
    link._random = Drawn(part)
    link._plan_retry()
    assert link._retry_at == 1000.0 + part * BACKOFF_FIRST_S


def test_draws_spread_over_the_whole_span(link: BrokerLink) -> None:
    link._random = random.Random(7)
    waits = []
    for _ in range(2000):
        link._tries = 3
        link._plan_retry()
        waits.append(link._retry_at - 1000.0)
    assert min(waits) < 0.05
    assert max(waits) > 3.95
    assert max(waits) <= 4.0
    assert sum(waits) / len(waits) == pytest.approx(2.0, abs=0.1)


def test_no_attempt_before_its_time(link: BrokerLink, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[str] = []

    def refuse(*_args: object, **_more: object) -> None:
        tried.append("tried")
        raise ConnectionRefusedError("refused")

    monkeypatch.setattr(link._client, "connect", refuse)
    link._random = Drawn(1.0)
    link._ensure_connected()
    link._ensure_connected()
    assert tried == ["tried"]
    assert "cannot reach 127.0.0.1:1: refused" in link.last_error
    monkeypatch.setattr("envmon.intake.link.time.monotonic", lambda: 1000.5)
    link._ensure_connected()
    assert len(tried) == 2
