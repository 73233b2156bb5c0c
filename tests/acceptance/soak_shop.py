"""The shop's computer in the soak: the real supervisor with the real processes.

``python soak_shop.py SHOP.toml DATA CLOCK`` is ``envmon run`` with a scaled clock.
"""

from __future__ import annotations

import sys
from pathlib import Path

from envmon.service.shop_run import children_of
from envmon.service.supervisor import Supervisor
from envmon.shop.load import load_shop


def main() -> int:
    """Run until told to end; return the exit code."""
    shop_path, data = Path(sys.argv[1]), Path(sys.argv[2])
    children = children_of(load_shop(shop_path), shop_path, data, sys.argv[3])
    return Supervisor(children, lambda line: print(line, flush=True)).run("all runs")


if __name__ == "__main__":
    sys.exit(main())
