"""The service says to systemd when it is ready, and that it is alive while the watch makes turns.

Protocol: sd_notify(3), sd_watchdog_enabled(3), systemd.exec(5) of systemd 252. The other end of the
real socket is the test's own; the unit file is checked by systemd-analyze itself.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from envmon.service import supervisor
from envmon.service.alive import VARIABLE, AlivePipe, Pulse
from envmon.service.supervisor import START_TIMEOUT_S, Child
from envmon.systemd import NOBODY, Asked, Notifier, Watchdog, asked_and_forgotten, asked_of
from tests.benchmarks.broker_trials import free_port
from tests.faults_support import ROOT, fill_up, small_disk
from tests.guard_support import SHOP
from tests.mosquitto_support import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

UNIT = ROOT / "fixtures" / "systemd" / "envmon.service"


@contextmanager
def manager(address: str) -> Iterator[socket.socket]:
    """Listen as the service manager does."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0" + address[1:] if address.startswith("@") else address)
        heard.settimeout(120)
        yield heard


def next_lines(heard: socket.socket) -> list[str]:
    return heard.recv(4_096).decode().split("\n")


def said_now(heard: socket.socket) -> list[str]:
    """Return what has been said already; nothing when nothing was."""
    heard.settimeout(0)
    try:
        return next_lines(heard)
    except BlockingIOError:
        return []
    finally:
        heard.settimeout(120)


@pytest.fixture(params=["path", "abstract"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return str(tmp_path / "s") if request.param == "path" else f"@envmon-test-{os.getpid()}"


def test_messages_reach_both_kinds_of_socket(address: str) -> None:
    with manager(address) as heard:
        notifier = Notifier(address)
        notifier.say("READY=1", "STATUS=two bays, °C")
        assert next_lines(heard) == ["READY=1", "STATUS=two bays, °C"]
        notifier.close()


def test_nobody_listening_stops_nothing_and_is_said_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    Notifier().say("READY=1")
    notifier = Notifier(str(tmp_path / "gone"))
    notifier.say("READY=1")
    notifier.say("WATCHDOG=1")
    notifier.close()
    assert len(caplog.records) == 1
    assert "READY=1" in caplog.text


@pytest.mark.parametrize(
    ("environment", "asked"),
    [
        ({}, NOBODY),
        ({"WATCHDOG_USEC": "1000000"}, NOBODY),
        ({"NOTIFY_SOCKET": "vsock:2:1234"}, NOBODY),
        ({"NOTIFY_SOCKET": "/run/x"}, Asked("/run/x", None)),
        ({"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "30000000"}, Asked("@x", 30.0)),
        ({"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "500000", "WATCHDOG_PID": "7"}, Asked("@x", 0.5)),
        ({"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "500000", "WATCHDOG_PID": "8"}, Asked("@x")),
        ({"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "0"}, Asked("@x")),
        ({"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "soon"}, Asked("@x")),
    ],
)
def test_what_the_environment_asks_for(environment: dict[str, str], asked: Asked) -> None:
    assert asked_of(environment, 7) == asked


def test_children_do_not_inherit_what_was_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", "@x")
    monkeypatch.setenv("WATCHDOG_USEC", "4000000")
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    assert asked_and_forgotten() == Asked("@x", 4.0)
    assert not {"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"} & os.environ.keys()


def test_alive_is_said_at_half_of_the_time_while_all_is_well(address: str) -> None:
    now, wrong = [100.0], [""]
    with manager(address) as heard:
        dog = Watchdog(Asked(address, 10.0), [lambda: "", lambda: wrong[0]], lambda: now[0])
        dog.ready("watching")
        assert next_lines(heard) == ["READY=1", "STATUS=watching"]
        said: dict[float, list[str]] = {}
        for now[0] in range(100, 120):
            wrong[0] = "no turn for 5 s" if 107 <= now[0] < 113 else ""
            dog.look()
            said[now[0]] = said_now(heard)
        well, ill = ["WATCHDOG=1", "STATUS=watching"], ["STATUS=no turn for 5 s"]
        assert {at: lines for at, lines in said.items() if lines} == {
            100: well, 105: well, 110: ill, 111: ill, 112: ill, 113: well, 118: well,
        }  # fmt: skip
        dog.stopping()
        assert next_lines(heard) == ["STOPPING=1"]


def test_no_watchdog_asked_for_is_none_kept(address: str) -> None:
    with manager(address) as heard:
        dog = Watchdog(Asked(address))
        dog.look()
        assert said_now(heard) == []
        dog.stopping()
        assert next_lines(heard) == ["STOPPING=1"]


def test_pulse_tells_when_it_beat_however_late_it_is_heard() -> None:
    pipe = AlivePipe()
    before = time.monotonic()
    Pulse({VARIABLE: str(pipe.write)}).beat()
    after = time.monotonic()
    wait_until(lambda: time.monotonic() > after + 0.3, "some time to pass")
    silent_s, now = pipe.silent_s(), time.monotonic()
    assert 0.3 <= silent_s <= now - before
    pipe.close()


def test_pulse_never_stops_the_work() -> None:
    """A pipe holds 65 536 bytes (pipe(7)), which is 8192 beats; and the parent may be gone."""
    pipe = AlivePipe()
    for _ in range(10_000):
        Pulse({VARIABLE: str(pipe.write)}).beat()
    assert pipe.silent_s() < 60
    pulse = Pulse({VARIABLE: str(os.dup(pipe.write))})
    pipe.close()
    pulse.beat()
    assert pulse._write is not None
    os.close(pulse._write)
    Pulse({}).beat()


def test_screens_that_hang_are_ended_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A server that takes connections and never answers, in the place of the boards.

    Strangers can bring the screens there, so it must not be held against the watch.
    """
    monkeypatch.setattr(supervisor, "ANSWER_TIMEOUT_S", 0.2)
    hung = (
        "import socket, signal, sys; s = socket.create_server(('127.0.0.1', int(sys.argv[1])))\n"
        "print('up', flush=True); signal.pause()"
    )
    child = Child("the boards", ["-c", hung, str(free_port())], answers=True)
    child.port = int(child.argv[-1])
    child.process = subprocess.Popen([sys.executable, *child.argv], stdout=subprocess.PIPE)
    assert child.process.stdout is not None
    assert child.process.stdout.readline() == b"up\n"
    child.started_at = time.monotonic()
    assert child.wrong(1) == ""
    child.started_at -= START_TIMEOUT_S + 1
    assert child.wrong(30) == ""
    assert child.exit_code() is None
    assert child.wrong(1) == ""
    assert child.process.wait(10) == -signal.SIGKILL
    child.process.stdout.close()
    assert child.wrong(1) == ""


@contextmanager
def running(
    folder: Path, data: Path, watchdog_s: float
) -> Iterator[tuple[socket.socket, subprocess.Popen[bytes]]]:
    """Run a whole shop under a service manager that wants signs of life."""
    path, address = folder / "shop.toml", str(folder / "notify")
    shop = SHOP.replace("[broker]\n", f"[broker]\nport = {free_port()}\n")
    shop = shop.replace("[shop]\n", f"[shop]\nboards_port = {free_port()}\n")
    path.write_text(f'{shop}\n[store]\nfolder = "{data}"\n', encoding="utf-8")
    told = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": str(round(watchdog_s * 1e6))}
    command = [sys.executable, "-m", "envmon.cli", "run", str(path)]
    with manager(address) as heard, (folder / "said").open("wb") as said:
        process = subprocess.Popen(command, env={**os.environ, **told}, cwd=ROOT, stderr=said)
        try:
            assert next_lines(heard)[0] == "READY=1"
            yield heard, process
            process.send_signal(signal.SIGTERM)
            while next_lines(heard) != ["STOPPING=1"]:
                pass
            assert process.wait(60) == 0
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()


def pid_of(parent: int, module: str) -> int:
    """Return the number of the child that runs a module."""
    children = Path(f"/proc/{parent}/task/{parent}/children").read_text(encoding="ascii").split()
    found = [c for c in children if module in Path(f"/proc/{c}/cmdline").read_text("utf-8")]
    return int(found[0])


@pytest.mark.broker
def test_watch_that_hangs_is_no_longer_said_to_be_alive(tmp_path: Path) -> None:
    """Hung is really hung: SIGSTOP (signal(7)). Afterwards it goes on, and so do the signs."""
    with running(tmp_path, tmp_path / "data", 2.0) as (heard, process):
        while next_lines(heard)[0] != "WATCHDOG=1":
            pass
        watch = pid_of(process.pid, "watch_process")
        os.kill(watch, signal.SIGSTOP)
        while said_now(heard):
            pass
        late = 0
        while "no turn" not in (lines := next_lines(heard))[0]:
            assert lines[0] == "WATCHDOG=1"
            late += 1
        assert lines[0].startswith("STATUS=the watch: no turn for ")
        # The newest beat is at most half the time old when alive is said, and it was beaten
        # before the stop; and alive is said at half of the time: within that half once, beside
        # one that was under way.
        assert late <= 2
        for _ in range(3):
            assert next_lines(heard)[0].startswith("STATUS=the watch: no turn for ")
        os.kill(watch, signal.SIGCONT)
        while next_lines(heard)[0] != "WATCHDOG=1":
            pass


@pytest.mark.broker
def test_watch_on_a_full_disk_is_alive(tmp_path: Path) -> None:
    """It says itself what is wrong, and a new start would not make room."""
    with small_disk(tmp_path / "data", "8m") as data, running(tmp_path, data, 6.0) as (heard, _):
        filler = fill_up(data)
        # Every three seconds, and the guard's snapshot is due every ten.
        assert [next_lines(heard)[0] for _ in range(6)] == ["WATCHDOG=1"] * 6
        assert "disk is full" in (tmp_path / "said").read_text("utf-8")
        filler.unlink()


def test_unit_file_is_sound(tmp_path: Path) -> None:
    tool = shutil.which("systemd-analyze")
    if tool is None:
        pytest.skip("systemd-analyze is not installed")
    there = tmp_path / UNIT.name
    text = UNIT.read_text(encoding="utf-8")
    assert "ExecStart=/opt/envmon/bin/envmon run " in text
    # What it runs must exist for the check; where envmon is installed is up to the shop.
    there.write_text(text.replace("/opt/envmon/bin/envmon", sys.executable), encoding="utf-8")
    command = [tool, "verify", "--man=no", "--recursive-errors=no", str(there)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_unit_file_and_watchdog_fit_each_other() -> None:
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    given = dict(line.split("=", 1) for line in lines if "=" in line and line[0] not in "# ")
    assert given["Type"] == "notify"
    assert given["Restart"] == "always"
    # A watch that fell is started again after 30 s at most, and needs half the time to be heard.
    assert float(given["WatchdogSec"]) >= 2 * supervisor.BACKOFF_CAP_S
