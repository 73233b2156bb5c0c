"""A node over many outages: node and broker killed at random, and no reading may be missing.

``python tests/acceptance/node_outage.py --minutes 10 --seed 1``

A device on a pseudo-terminal counts its answers, so that every reading that got lost is a gap. The
broker is a real Mosquitto that writes every change to the disk; it is ended gently as well as with
kill -9. What the device had answered and the node had not yet kept when the node was killed was
never taken; it is told apart by the device's count at that moment.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.mosquitto_support import Mosquitto
from tests.node_process import TOPIC, CountingDevice, Listener, NodeProcess


class Outcome(NamedTuple):
    """What was found.

    Attributes:
        answered: Readings of the device.
        heard: Different readings that arrived.
        twice: Readings that arrived more than once, with the same time.
        lost: Readings that are missing where no kill excuses it.
        not_taken: Readings under way when the node was killed.
        disorder: Readings that came first behind a later one, or changed their time.
    """

    answered: int
    heard: int
    twice: int
    lost: int
    not_taken: int
    disorder: int


class Trial:
    """One run."""

    def __init__(self, folder: Path, seed: int) -> None:
        self._draw = random.Random(seed)
        self.device, self.broker = CountingDevice(), Mosquitto(folder)
        self.broker.start()
        self.node = NodeProcess(folder, self.broker.port, self.device)
        self.listener = Listener(self.broker.port)
        self.kills: list[int] = []
        self.done = {"node killed": 0, "broker stopped": 0, "broker killed": 0}

    def run(self, seconds: float) -> Outcome:
        """Disturb for so long, then let everything come in and count."""
        with self.device, self.node:
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                self._rest()
                self._disturb()
            last = self.device.answered
            self.listener.wait(
                lambda: any(heard.number > last for heard in self.listener.heard()), "the newest"
            )
            self.node.end()
            gone = f"{TOPIC}/status"
            self.listener.wait(lambda: self.listener.newest(gone) == b"offline", "its goodbye")
        self.broker.stop()
        return self._outcome()

    def _rest(self) -> None:
        until = time.monotonic() + self._draw.uniform(0.5, 6.0)
        while time.monotonic() < until:
            self.listener.take()

    def _disturb(self) -> None:
        what = self._draw.choice(list(self.done))
        self.done[what] += 1
        if what == "node killed":
            self.node.end(signal.SIGKILL)
            self.kills.append(self.device.answered)
            self._rest()
            self.node.start()
            return
        if what == "broker killed" and self.broker.process is not None:
            self.broker.process.kill()
        self.broker.stop()
        self._rest()
        self.broker.start()

    def _outcome(self) -> Outcome:
        heard = self.listener.heard()
        times: dict[int, float] = {}
        changed = sum(times.setdefault(one.number, one.at_s) != one.at_s for one in heard)
        first = list(times)
        behind = sum(a > b for a, b in pairwise(first))
        missing = set(range(1, max(times) + 1)) - set(times)
        excused = {n for n in missing if any(k - 1 <= n <= k + 1 for k in self.kills)}
        return Outcome(
            self.device.answered,
            len(times),
            len(heard) - len(times),
            len(missing - excused),
            len(excused),
            changed + behind,
        )


def main() -> int:
    """Run, print what was found; return 1 where something is missing or out of order."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder), given.seed)
        outcome = trial.run(given.minutes * 60)
    print(", ".join(f"{what} {count} times" for what, count in trial.done.items()))
    print(outcome)
    return 1 if outcome.lost or outcome.disorder else 0


if __name__ == "__main__":
    raise SystemExit(main())
