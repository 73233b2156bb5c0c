"""How a process of ours begins and ends: options, its lock, signals, the exit code others read."""

from __future__ import annotations

import argparse
import fcntl
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.errors import EnvmonError, ServiceError, ShopFileError, StoreError, StoreNewerError
from envmon.service.plain_log import log_to_stderr
from envmon.shop.load import fault_lines

if TYPE_CHECKING:
    from collections.abc import Callable
    from io import TextIOWrapper

FELL = 1
"""Exit code of a process that fell over its disk; started again it may do better."""
BAD_USE = 2
"""Exit code of a process that cannot run as asked; trying again would not help."""


def exit_code_of(name: str, work: Callable[[], None]) -> int:
    """Do the work of a process; say on stderr what stopped it and return the exit code.

    Args:
        name: What the process is called in its message.
        work: Runs until the process is told to end.
    """
    try:
        work()
    except ShopFileError as error:
        sys.stderr.write("\n".join(fault_lines(error)) + "\n")
        return BAD_USE
    except StoreNewerError as error:
        sys.stderr.write(f"{name}: {error}\n")
        return BAD_USE
    except StoreError as error:
        sys.stderr.write(f"{name}: {error}\n")
        return FELL
    except EnvmonError as error:
        sys.stderr.write(f"{name}: {error}\n")
        return BAD_USE
    return 0


def take_lock(path: Path, taken: str, way_out: str) -> TextIOWrapper:
    """Lock a file for this process until it ends, however it ends; its folder is made.

    Args:
        path: The file.
        taken: What to say when another process holds it.
        way_out: What to do when it cannot be written.

    Raises:
        ServiceError: Another process holds it, or it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = path.open("w")
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise ServiceError(taken) from error
    except OSError as error:
        raise ServiceError(f"cannot write in {path.parent}: {error}; {way_out}") from error
    return handle


def stop_signals() -> threading.Event:
    """Return an event that SIGTERM and SIGINT set from now on; call it in the main thread."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _got, _frame: stop.set())
    return stop


def shop_process(module: str) -> argparse.ArgumentParser:
    """Return the options every process of a shop has: shop file, data folder, clock.

    Args:
        module: What it is run as.
    """
    log_to_stderr()
    parser = argparse.ArgumentParser(prog=module)
    parser.add_argument("shop", type=Path)
    parser.add_argument("--data")
    parser.add_argument("--clock")
    return parser
