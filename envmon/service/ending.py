"""How a process of ours ends: what went wrong in one place, and the exit code the others read."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from envmon.errors import EnvmonError, ShopFileError
from envmon.shop.load import fault_lines

if TYPE_CHECKING:
    from collections.abc import Callable

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
    except EnvmonError as error:
        sys.stderr.write(f"{name}: {error}\n")
        return BAD_USE
    return 0
