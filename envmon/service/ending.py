"""How a process of ours ends: what went wrong in one place, and the exit code the others read."""

from __future__ import annotations

import argparse
import logging
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.errors import EnvmonError, ShopFileError, StoreError
from envmon.shop.load import fault_lines

if TYPE_CHECKING:
    from collections.abc import Callable

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
    except StoreError as error:
        sys.stderr.write(f"{name}: {error}\n")
        return FELL
    except EnvmonError as error:
        sys.stderr.write(f"{name}: {error}\n")
        return BAD_USE
    return 0


def shop_process(module: str) -> argparse.ArgumentParser:
    """Return the options every process of a shop has: shop file, data folder, clock.

    Args:
        module: What it is run as.
    """
    logging.basicConfig(level=logging.INFO, format="%(name)s: %(message)s", stream=sys.stderr)
    parser = argparse.ArgumentParser(prog=module)
    parser.add_argument("shop", type=Path)
    parser.add_argument("--data")
    parser.add_argument("--clock")
    return parser
