"""The demo's person: says which stage each bay is in, as somebody at the wall would.

The simulated shop tells on ``demo/stages`` what its script works on; this process asks the
store for it through the same door the boards use.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import time
from pathlib import Path

from envmon.clock import Clock, clock_from_text
from envmon.intake.link import BrokerLink
from envmon.store.sqlite import SqliteStore

STAGES_TOPIC = "demo/stages"


def act(store: SqliteStore, clock: Clock, told: dict[str, str | None], text: bytes) -> None:
    """Ask for every stage that has changed since the last time.

    Args:
        store: Where requests go.
        clock: What time it is.
        told: Bay -> stage last asked for; changed in place.
        text: JSON object bay -> stage or null.
    """
    for bay, stage in json.loads(text).items():
        if told.get(bay) == stage:
            continue
        kind = "stage_ended" if stage is None else "stage_started"
        store.ask(kind, bay, {} if stage is None else {"stage": stage}, clock.now_us())
        told[bay] = stage


def main(argv: list[str] | None = None) -> int:
    """Run until SIGTERM; return the exit code."""
    parser = argparse.ArgumentParser(prog="envmon.service.demo_hand")
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--clock")
    options = parser.parse_args(argv)
    stop: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: stop.append(got))
    store, clock = SqliteStore(options.data), clock_from_text(options.clock)
    link = BrokerLink("127.0.0.1", options.port, "demo-hand", [STAGES_TOPIC])
    told: dict[str, str | None] = {}
    while not stop:
        messages = link.take(0.2)
        for message in messages:
            act(store, clock, told, message.payload)
        link.acknowledge(messages)
        if not messages and not link.up:
            time.sleep(0.05)
    link.close()
    store.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
