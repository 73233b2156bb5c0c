"""Waiting for a link to be up, for tests and what they start."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from envmon.intake.link import BrokerLink


def wait_up(link: BrokerLink, timeout_s: float = 30.0) -> None:
    """Wait until the broker has accepted a link; messages that come meanwhile are kept."""

    def is_up() -> bool:
        link._ensure_connected()
        if link._client.socket() is None:
            time.sleep(0.02)
        elif not link.up:
            link._read(0.1)
        return link.up

    wait_until(is_up, f"the broker; the link says {link.last_error!r}", timeout_s)
