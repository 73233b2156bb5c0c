"""The outlook turned at ever longer histories, for test_outlook_memory.py; prints its memory.

``python -m tests.outlook_memory_child FOLDER SETTLED`` prints, after a night with each history,
the memory held then [MB]; with SETTLED 0 the allocator is left as it is.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from envmon.clock import DAY_US, ManualClock
from envmon.intake.link import BrokerLink
from envmon.service.broker import LOOPBACK
from envmon.service.heap import give_back_large_blocks
from envmon.service.outlook.process import Outlooks
from tests.acceptance.soak_stage import rss_kb
from tests.boards_support import NOW_US
from tests.outlook_live_support import fill, shop_of

DAYS = (4, 12)


def main() -> None:
    folder = Path(sys.argv[1])
    if sys.argv[2] == "1":
        assert give_back_large_blocks()
    fill(folder, DAYS[-1] * 24)
    clock = ManualClock(NOW_US)
    link = BrokerLink(LOOPBACK, 1, "nobody", ())  # what is said goes nowhere
    outlooks = Outlooks(shop_of(), folder, clock, link)
    for days in DAYS:
        clock.at_us = NOW_US - (DAYS[-1] - days) * DAY_US
        for _ in range(2):
            outlooks.hasten()
            assert outlooks.turn(0)
            outlooks.learner.wait()
            outlooks.mornings.wait()
        print(rss_kb(os.getpid()) / 1024, flush=True)


if __name__ == "__main__":
    main()
