"""Memory that large arrays took, given back to the system where the C library permits it.

The allocator of glibc raises by itself the size from which a block is a mapping of its own, up to
32 MB (M_MMAP_THRESHOLD, mallopt(3)). From then on the arrays of learning anew lie between small
lasting blocks, and what is freed is not given back: a process holds for good the most it ever
needed at once, and more. A size that was set stays.
"""

from __future__ import annotations

import ctypes

_MMAP_THRESHOLD = -3
"""M_MMAP_THRESHOLD in glibc's malloc.h."""
LARGE = 1 << 20
"""From this size on a block is a mapping of its own, and gone when it is freed [bytes]."""


def give_back_large_blocks() -> bool:
    """Let large blocks go back to the system when they are freed; return whether that was set.

    Another C library than glibc has no such setting, and keeps its own ways.
    """
    return bool(_call("mallopt", _MMAP_THRESHOLD, LARGE))


def give_back_free_pages() -> bool:
    """Give whole pages that are free back to the system; return whether there were any."""
    return bool(_call("malloc_trim", 0))


def _call(name: str, *given: int) -> int:
    function = getattr(ctypes.CDLL(None), name, None)
    return 0 if function is None else int(function(*given))
