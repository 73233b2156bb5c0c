"""Starts the processes of a shop, restarts one that falls, and stops them all cleanly."""

from __future__ import annotations

import ctypes
import http.client
import logging
import signal
import ssl
import subprocess
import sys
import time
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from envmon.errors import BrokerError, ServiceError
from envmon.service.alive import AlivePipe
from envmon.service.broker import LOOPBACK, ensure_port_free, wait_until_listening
from envmon.service.ending import BAD_USE
from envmon.systemd import NOBODY, Asked, Watchdog

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

log = logging.getLogger("envmon.supervisor")

START_TIMEOUT_S = 30.0
STOP_TIMEOUT_S = 10.0
BACKOFF_FIRST_S = 0.5
BACKOFF_CAP_S = 30.0
SLOW_FIRST_S = 5.0
SLOW_CAP_S = 60.0
"""What cannot run as asked waits longer: until a person has put right what it said."""
ANSWER_TIMEOUT_S = 2.0
HUNG_S = 300.0
"""A process the shop is watched without may make no turn for so long: its longest turns read weeks
from the archive, on a slow machine beside others."""
STEADY_S = 60.0
"""A process that ran so long has started well; its next fall counts as the first."""
_PR_SET_PDEATHSIG = 1


@dataclass
class Child:
    """One process of the shop.

    Attributes:
        name: What it is called in messages.
        argv: Arguments behind the Python interpreter.
        port: It is ready when this loopback port answers.
        ready_file: It is ready when this file has come; with neither it is ready at once.
        ends_run: When it exits by itself, the whole run is over.
        spare: The shop is watched without it too: though it cannot run as asked, that goes on.
        beats: It shows its turns through a pipe; one that is ``spare`` as well is ended when it
            makes none, and started again alone.
        answers: It answers HTTP on its port as long as it does its work.
        encrypted: It answers encrypted.
        reads_shop: It is started anew when the shop file has changed.
    """

    name: str
    argv: Sequence[str]
    port: int | None = None
    ready_file: Path | None = None
    ends_run: bool = False
    spare: bool = False
    beats: bool = False
    answers: bool = False
    encrypted: bool = False
    reads_shop: bool = False
    alive: AlivePipe | None = None
    process: subprocess.Popen[bytes] | None = None
    started_at: float = 0.0
    heard_at: float = 0.0
    falls: int = 0
    restart_at: float = field(default=0.0)

    def start(self) -> None:
        """Start the process; it gets SIGTERM by itself should its parent be killed."""
        if self.ready_file is not None:
            self.ready_file.unlink(missing_ok=True)
        if self.beats and self.alive is None:
            self.alive = AlivePipe()
        self.process = subprocess.Popen(  # noqa: S603 - our own interpreter and modules
            [sys.executable, *self.argv],
            stdin=subprocess.DEVNULL,
            preexec_fn=_die_with_parent,  # noqa: PLW1509 - no threads run in the supervisor
            start_new_session=True,  # Ctrl-C reaches the supervisor, which stops all in order
            pass_fds=[self.alive.write] if self.alive else [],
            env=self.alive.environment() if self.alive else None,
        )
        self.started_at = time.monotonic()

    def is_ready(self) -> bool:
        """Return whether it does its work; waits a moment for its port."""
        if self.port is not None:
            try:
                wait_until_listening("127.0.0.1", self.port, 0.2)
            except BrokerError:
                return False
        return self.ready_file is None or self.ready_file.exists()

    def exit_code(self) -> int | None:
        """Return the exit code, or None while it runs."""
        return self.process.poll() if self.process else None

    def wrong(self, longest_s: float) -> str:
        """Return why it does not do its work, or nothing.

        One that only has to answer is ended by this when it is mute for so long, and started again
        alone: whoever keeps the screens busy must not have the watch ended with them.

        Args:
            longest_s: It may be silent for so long [s].
        """
        if not self.spare and (silent_s := self.silent_s()) > longest_s:
            return f"{self.name}: no turn for {silent_s:.0f} s"
        grown = time.monotonic() - self.started_at > START_TIMEOUT_S
        asked = self.answers and self.exit_code() is None and grown
        if asked:
            self._end_when_mute(longest_s)
        return ""

    def silent_s(self) -> float:
        """Return for how long it has made no turn [s]; 0 where it shows none."""
        return 0.0 if self.alive is None else self.alive.silent_s()

    def end_when_hung(self, longest_s: float) -> None:
        """End one that the shop is watched without when it makes no turn any more.

        What the one before has shown does not count.

        Args:
            longest_s: It may make none for so long [s].
        """
        run_s = time.monotonic() - self.started_at
        if self.spare and min(self.silent_s(), run_s) > longest_s:
            log.error("%s: no turn for %.0f s; ending it", self.name, longest_s)
            assert self.process is not None
            self.process.kill()

    def _end_when_mute(self, longest_s: float) -> None:
        now = time.monotonic()
        if _answers(self.port, encrypted=self.encrypted):
            self.heard_at = now
        elif now - max(self.heard_at, self.started_at + START_TIMEOUT_S) > longest_s:
            log.error("%s: no answer on port %s; ending it", self.name, self.port)
            assert self.process is not None
            self.process.kill()

    def stop(self) -> None:
        """Ask it to end, and end it when it does not."""
        if self.alive is not None:
            self.alive.close()
            self.alive = None
        if self.process is None or self.process.poll() is not None:
            return
        self.process.terminate()
        try:
            self.process.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            log.warning("%s does not stop; ending it", self.name)
            self.process.kill()
            self.process.wait()


def _answers(port: int | None, *, encrypted: bool) -> bool:
    """Return whether something speaks HTTP there; what it says is not its life but its health."""
    connection = http.client.HTTPConnection(LOOPBACK, port, timeout=ANSWER_TIMEOUT_S)
    if encrypted:  # nothing secret is asked, so it does not matter whose certificate it is
        unchecked = ssl._create_unverified_context()  # noqa: S323, SLF001
        connection = http.client.HTTPSConnection(
            LOOPBACK, port, timeout=ANSWER_TIMEOUT_S, context=unchecked
        )
    try:
        connection.request("GET", "/healthz")
        connection.getresponse()
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()
    return True


def _die_with_parent() -> None:
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


class Supervisor:
    """Keeps the processes of a shop running until told to stop.

    Args:
        children: In the order of starting; stopped in the opposite order.
        say: Called with each line meant for the person.
        asked: What a service manager above wants to hear.
        shop_changed: Tells, once, that what reads the shop file is to be started anew.
    """

    def __init__(
        self,
        children: Sequence[Child],
        say: Callable[[str], None],
        asked: Asked = NOBODY,
        shop_changed: Callable[[], bool] = lambda: False,
    ) -> None:
        self._children = list(children)
        self._say = say
        self._shop_changed = shop_changed
        self._stopping = False
        self._watchdog = Watchdog(asked, [partial(child.wrong, asked.half_s) for child in children])

    def run(self, ready: str) -> int:
        """Start everything, say ``ready``, and return the exit code when all has ended.

        Raises:
            ServiceError: A process could not start.
        """
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._on_signal)
        try:
            for child in self._children:
                self._start(child)
            if not self._stopping:
                self._say(ready)
                self._watchdog.ready(ready)
            while not self._stopping:
                if self._shop_changed():
                    self._start_anew()
                self._look()
                self._watchdog.look()
                time.sleep(0.1)
        finally:
            self._watchdog.stopping()
            for child in reversed(self._children):
                child.stop()
        return 0

    def _on_signal(self, _number: int, _frame: object) -> None:
        self._stopping = True

    def _start(self, child: Child) -> None:
        if self._stopping:
            return
        child.start()
        deadline = time.monotonic() + START_TIMEOUT_S
        while not self._stopping and not child.is_ready():
            if child.exit_code() is not None:
                raise ServiceError(f"{child.name} could not start (exit {child.exit_code()})")
            if time.monotonic() > deadline:
                raise ServiceError(
                    f"{child.name} is not ready after {START_TIMEOUT_S:g} s; what it said is above"
                )
            time.sleep(0.02)

    def _start_anew(self) -> None:
        """Start what reads the shop file again, one after the other; the broker stands."""
        for child in self._children:
            if child.reads_shop and not self._stopping:
                child.stop()
                child.start()
                child.falls = 0
                self._watchdog.look()

    def _look(self) -> None:
        """Restart what has fallen, waiting longer each time."""
        now = time.monotonic()
        for child in self._children:
            code = child.exit_code()
            if code is None:
                if child.falls and now - child.started_at > STEADY_S:
                    child.falls = 0
                child.end_when_hung(HUNG_S)
                continue
            if child.ends_run:
                self._stopping = True
                return
            if code == BAD_USE and not child.spare:
                raise ServiceError(f"{child.name} cannot run as asked; what it said is above")
            if child.restart_at <= child.started_at:
                self._put_off(child, code, now)
            elif now >= child.restart_at:
                child.start()

    def _put_off(self, child: Child, code: int, now: float) -> None:
        """Say that a process has ended, and when it is started again."""
        bad = code == BAD_USE
        first_s, cap_s = (SLOW_FIRST_S, SLOW_CAP_S) if bad else (BACKOFF_FIRST_S, BACKOFF_CAP_S)
        wait_s = min(cap_s, first_s * 2 ** min(child.falls, 10))
        child.falls += 1
        child.restart_at = now + wait_s
        if bad:
            log.error("%s: cannot run as asked and does NOT do its work; put right what it said "
                      "above", child.name)  # fmt: skip
        self._say(f"{child.name} ended (exit {code}); starting it again in {wait_s:g} s")


def module_argv(module: str, *arguments: object) -> list[str]:
    """Return the arguments that run a module of ours."""
    return ["-m", module, *(str(argument) for argument in arguments)]


def ensure_port_free_for_boards(port: int, instead: str) -> None:
    """Refuse a boards port that is taken, before anything is started.

    Args:
        port: Port of the screens.
        instead: How to choose another, in words.

    Raises:
        ServiceError: Something listens there.
    """
    try:
        ensure_port_free(LOOPBACK, port)
    except ServiceError as error:
        raise ServiceError(
            f"port {port} for the screens is taken, perhaps this shop is being watched already; "
            f"stop what listens there, or choose {instead}"
        ) from error
