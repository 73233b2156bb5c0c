"""What goes wrong in the soak, drawn from a seed, and the hands that do it."""

from __future__ import annotations

import random
import threading
import time
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from tests.acceptance.soak_stage import SILENCE_S

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.acceptance.soak_stage import Stage

KILLED = ("watch", "keeper", "notice", "outlook", "boards", "supervisor", "broker")
OTHERS = ("restart broker", "cut shop", "cut nodes", "cut both", "clock forward", "clock back")
HURTS_WALL = ("restart broker", "cut shop", "cut both")
"""Faults after which the wall can know nothing, when they last longer than its silence."""
AWAY_S = (SILENCE_S + 3.0, SILENCE_S + 8.0)
STEP_REAL_S = (8.0, 20.0)
"""How far the clock is set, in real seconds; at 1500 times real speed 3 to 8 hours."""
REST_S = (5.0, 9.0)
RECOVER_S = 90.0
LEAST_S = 8.0
"""Nothing goes wrong in the last seconds, or nobody would see it mended."""
KILLS_END = 2 / 3
"""After this part of the run nothing is killed, so that memory can be watched."""


@dataclass(slots=True)
class Fault:
    """One fault; times are real [s, Unix].

    Attributes:
        what: What went wrong.
        size: Seconds away, or the step of the clock [real s].
        begin: When it began.
        over: When its cause was taken away.
        back: When all worked again; 0 when it never did.
    """

    what: str
    size: float
    begin: float
    over: float = 0.0
    back: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return it for JSON."""
        return asdict(self)


def drawn(seed: int) -> Iterator[tuple[str, float, float]]:
    """Yield faults without end: what, its size, and the rest before it [real s].

    Each kind comes once before any comes again.
    """
    luck = random.Random(f"{seed} faults")
    kinds = [*(f"kill {name}" for name in KILLED), *OTHERS]
    while True:
        for what in luck.sample(kinds, len(kinds)):
            span = STEP_REAL_S if what.startswith("clock") else AWAY_S
            yield what, luck.uniform(*span), luck.uniform(*REST_S)


class Hands:
    """Does the faults of a run and waits after each until all works again.

    Args:
        stage: Where.
        restart_shop: Starts the shop's computer again.
        works: Whether all works.
    """

    def __init__(
        self, stage: Stage, restart_shop: Callable[[], None], works: Callable[[], bool]
    ) -> None:
        self._stage, self._restart_shop, self._works = stage, restart_shop, works
        self._pause = threading.Event()
        self.faults: list[Fault] = []

    def run(self, seed: int, begin: float, end: float) -> None:
        """Do faults until a time; both are real [s, Unix]."""
        kills_end = begin + (end - begin) * KILLS_END
        for what, size, rest in drawn(seed):
            at = time.time() + rest
            if at + LEAST_S > end:
                return
            is_kill = what.startswith("kill")
            if at + (LEAST_S if is_kill else size + LEAST_S) > end:
                continue
            if is_kill and what != "kill broker" and at > kills_end:
                continue
            self._pause.wait(rest)
            fault = Fault(what, size, time.time())
            self.faults.append(fault)
            self._do(fault)
            fault.over = time.time()
            self._wait_until_back(fault)

    def _wait_until_back(self, fault: Fault) -> None:
        until = time.monotonic() + RECOVER_S
        while time.monotonic() < until:
            if "supervisor" not in self._stage.pids():
                self._restart_shop()
                self._pause.wait(1)
            if self._works():
                fault.back = time.time()
                return
            self._pause.wait(0.2)

    def _do(self, fault: Fault) -> None:
        verb, _, name = fault.what.partition(" ")
        if verb == "kill":
            self._stage.kill(name)
            if name == "broker":
                self._stage.start_broker()
            if name == "supervisor":
                self._restart_shop()
        elif verb == "restart":
            self._stage.stop("broker")
            self._pause.wait(fault.size)
            self._stage.start_broker()
        elif verb == "cut":
            self._cut(("shop", "nodes") if name == "both" else (name,), fault.size)
        else:
            self._stage.step_clock(fault.size if name == "forward" else -fault.size)
            self._pause.wait(4.0)
            self._stage.step_clock(0.0)

    def _cut(self, cables: tuple[str, ...], size: float) -> None:
        for cable in cables:
            self._stage.cut(cable, up=False)
        self._pause.wait(size)
        for cable in cables:
            self._stage.cut(cable, up=True)
