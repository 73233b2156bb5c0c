"""The supervisor starts in order, starts again what falls, and stops all of it.

Source of signals: POSIX; PR_SET_PDEATHSIG: prctl(2). Children are small Python programs.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from envmon.errors import ServiceError
from envmon.service import supervisor as supervising
from envmon.service.supervisor import (
    BACKOFF_CAP_S,
    Child,
    Supervisor,
    ensure_port_free_for_boards,
    module_argv,
)
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

SLEEPER = ["-c", "import signal; signal.pause()"]
DEAF = (
    "import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); "
    "print('deaf', flush=True); signal.pause()"
)
STUBBORN = ["-c", DEAF]
SERVER = """
import socket, sys, signal
with socket.create_server(("127.0.0.1", int(sys.argv[1]))) as server:
    signal.pause()
"""


@pytest.fixture(autouse=True)
def _signals() -> Iterator[None]:
    """Give back pytest's own handlers."""
    kept = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


def run(children: list[Child], when: Callable[[Supervisor, str], None]) -> tuple[int, list[str]]:
    """Run until ``when``, called with each line said, asks it to stop."""
    lines: list[str] = []

    def say(line: str) -> None:
        lines.append(line)
        when(supervisor, line)

    supervisor = Supervisor(children, say)
    return supervisor.run("ready"), lines


def stop(supervisor: Supervisor, _line: str) -> None:
    supervisor._stopping = True


def is_alive(pid: int) -> bool:
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    except FileNotFoundError:
        return False


def test_everything_runs_when_it_says_ready_and_nothing_after() -> None:
    port = free_port()
    children = [
        Child("server", ["-c", SERVER, str(port)], port=port),
        Child("sleeper", SLEEPER),
    ]
    codes: list[int | None] = []

    def look(supervisor: Supervisor, line: str) -> None:
        codes.extend(child.exit_code() for child in children)
        socket.create_connection(("127.0.0.1", port), 5).close()
        stop(supervisor, line)

    assert run(children, look) == (0, ["ready"])
    assert codes == [None, None]
    assert [child.exit_code() for child in children] == [-signal.SIGTERM, -signal.SIGTERM]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_all_of_it(number: signal.Signals) -> None:
    child = Child("sleeper", SLEEPER)
    code, _ = run([child], lambda _s, _line: os.kill(os.getpid(), number))
    assert code == 0
    assert child.exit_code() == -signal.SIGTERM


def test_what_has_fallen_is_started_again(tmp_path: Path) -> None:
    """It falls the first time only; the mark tells that it came up again."""
    mark = tmp_path / "mark"
    program = (
        "import pathlib, sys, signal; p = pathlib.Path(sys.argv[1])\n"
        "if p.exists(): p.with_name('again').touch(); signal.pause()\n"
        "p.touch(); sys.exit(3)"
    )
    child, other = Child("faller", ["-c", program, str(mark)]), Child("sleeper", SLEEPER)
    supervisor_lines: list[str] = []
    watcher: list[Supervisor] = []

    class Looking(Supervisor):
        def _look(self) -> None:
            super()._look()
            if mark.with_name("again").exists():
                self._stopping = True

    watcher.append(Looking([child, other], supervisor_lines.append))
    assert watcher[0].run("ready") == 0
    assert supervisor_lines == ["ready", "faller ended (exit 3); starting it again in 0.5 s"]
    assert child.falls == 1
    assert other.falls == 0


@pytest.mark.parametrize(
    ("falls", "wait_s"), [(0, 0.5), (1, 1.0), (5, 16.0), (6, BACKOFF_CAP_S), (5000, BACKOFF_CAP_S)]
)
def test_wait_before_the_next_start_doubles_up_to_a_cap(falls: int, wait_s: float) -> None:
    """A process that falls for days (5000 times) must not bring the supervisor down."""
    lines: list[str] = []
    child = Child("faller", ["-c", ""], falls=falls)
    child.start()
    assert child.process is not None
    child.process.wait(15)
    Supervisor([child], lines.append)._look()
    assert lines == [f"faller ended (exit 0); starting it again in {wait_s:g} s"]


def test_what_hangs_is_started_again_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """One that shows no turn, beside one that has none to show."""
    monkeypatch.setattr(supervising, "HUNG_S", 0.3)
    hung = Child("hung", SLEEPER, spare=True, beats=True)
    other = Child("other", SLEEPER, spare=True)
    pids: list[tuple[int, int]] = []

    def when(running: Supervisor, line: str) -> None:
        assert hung.process is not None
        assert other.process is not None
        pids.append((hung.process.pid, other.process.pid))
        running._stopping = line != "ready"

    _, lines = run([hung, other], when)
    assert lines[1].startswith(f"hung ended (exit {-signal.SIGKILL})")
    assert pids[0] == pids[1]


def test_a_child_whose_end_ends_the_run() -> None:
    sleeper = Child("sleeper", SLEEPER)
    shop = Child("simulated shop", ["-c", ""], ends_run=True)
    code, lines = run([sleeper, shop], lambda _s, _line: None)
    assert (code, lines) == (0, ["ready"])
    assert sleeper.exit_code() == -signal.SIGTERM


def test_a_child_that_cannot_start_is_an_error_and_the_others_are_stopped() -> None:
    sleeper = Child("sleeper", SLEEPER)
    broken = Child("the broker", ["-c", "raise SystemExit(2)"], port=free_port())
    with pytest.raises(ServiceError, match=r"the broker could not start \(exit 2\)"):
        run([sleeper, broken], stop)
    assert sleeper.exit_code() == -signal.SIGTERM


def test_a_child_that_does_not_heed_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("envmon.service.supervisor.STOP_TIMEOUT_S", 0.2)
    child = Child("deaf", STUBBORN)
    child.process = subprocess.Popen([sys.executable, *STUBBORN], stdout=subprocess.PIPE)
    assert child.process.stdout is not None
    with child.process.stdout as out:
        assert out.readline() == b"deaf\n"
        child.stop()
    assert child.exit_code() == -signal.SIGKILL


def test_children_go_with_a_killed_supervisor() -> None:
    program = (
        "from envmon.service.supervisor import Child, Supervisor\n"
        f"child = Child('sleeper', {SLEEPER!r})\n"
        "Supervisor([child], lambda line: print(child.process.pid, flush=True)).run('ready')"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        assert is_alive(pid)
        parent.kill()
        wait_until(lambda: not is_alive(pid), "the child to go with its parent")


def test_taken_port_is_refused_before_anything_starts() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ServiceError, match=f"port {port} for the screens is taken"):
            ensure_port_free_for_boards(port, "another")
    ensure_port_free_for_boards(free_port(), "another")


def test_arguments_of_a_module_are_texts() -> None:
    assert module_argv("envmon.x", "--port", 5, Path("a")) == ["-m", "envmon.x", "--port", "5", "a"]
