"""A watch on a real broker that moves only when told, and dies where told: for test_job_kill.py.

Run as ``python -m tests.job_child FOLDER PORT``. Each line on standard input is a step: set the
clock, wait until so many messages have come, and turn once. It answers each with a line.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

import msgspec

from envmon.clock import ManualClock
from envmon.intake.link import BrokerLink
from envmon.service.broker import LOOPBACK
from envmon.service.watch import Watch
from envmon.store.sqlite import SqliteStore
from tests.guard_support import START_US, shop_from
from tests.job_support import JOB_SHOP
from tests.link_support import wait_up


def die(*_: object, **__: object) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


class DyingStore(SqliteStore):
    """A store whose process may be killed with everything written and nothing committed."""

    dies = False

    def run(self, sql: str, parameters: Any = ()) -> Any:
        if self.dies and sql == "COMMIT":
            die()
        return super().run(sql, parameters)


class Child:
    """The watch of this process."""

    def __init__(self, folder: Path, port: int) -> None:
        shop = shop_from(JOB_SHOP)
        topics = sorted({p.topic for p in shop.point} | {b.topic for b in shop.button})
        self.link = BrokerLink(LOOPBACK, port, "job-child", topics)
        wait_up(self.link)
        self.store, self.clock = DyingStore(folder), ManualClock(START_US)
        snapshot_us = self.store.snapshot_at("guard")
        self.clock.at_us = snapshot_us or START_US
        self.watch = Watch(shop, self.store, self.link, self.clock)

    def step(self, at_us: int, messages: int, dies: str) -> None:
        """Turn once at ``at_us`` [µs] with exactly so many messages."""
        self.clock.at_us = at_us
        heard = self.watch._pending
        while len(heard) < messages:
            heard += self.link.take(0.05)
        assert len(heard) == messages, [message.topic for message in heard]
        self.watch._requests_at = 0.0
        self.store.dies = dies == "before commit"
        if dies == "before acknowledging":
            self.link.acknowledge = die  # type: ignore[method-assign]
        self.watch.turn(0)

    def tell(self) -> dict[str, Any]:
        """Return all it knows."""
        publisher, state = self.watch._job_publisher, self.watch.state
        bays = {bay: publisher.state_of(bay, state) for bay in ("one", "two")}
        return {"guard": msgspec.json.encode(state).decode(), "bench": msgspec.to_builtins(bays)}


def main() -> None:
    child = Child(Path(sys.argv[1]), int(sys.argv[2]))
    print("up", flush=True)
    for line in sys.stdin:
        asked = json.loads(line)
        if asked:
            child.step(**asked)
        print(json.dumps({} if asked else child.tell()), flush=True)


if __name__ == "__main__":
    main()
