"""What the live outlook costs: rows read, every bay foreseen with its day, and the wire form.

Run as ``python tests/benchmarks/outlook_live.py [--bays 8] [--rounds 12] [--apart]``. Readings of
fourteen hours, every ten seconds, five series a bay, all of one air, or each of its own. Facts
that are still a guess cost as much as learned ones. The share is of one core, at an outlook every
30 s.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from pathlib import Path
from statistics import fmean

from envmon.clock import SECOND_US
from envmon.facts import Flag, NewEvent, Reading, kept_value
from envmon.guard.plan import plan_from_shop
from envmon.service.outlook.process import EVERY_S
from envmon.service.outlook.think import Thinker, encoded
from envmon.shop.load import check_text
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

NOW_US = 1_769_551_500_000_000
HOURS, STEP_S = 14, 10
BAY = """
[[bay]]
id = "b{n}"
name = "Bay {n}"
air_space = "hall"
volume_m3 = 200

[[point]]
id = "p{n}"
bay = "b{n}"
topic = "shop/b{n}"
stale_after = "3 min"
reads = {{ air_temp_c = {{ name = "t" }}, rel_hum_pct = {{ name = "h" }}, \
panel_temp_c = {{ name = "p" }}, heater_on = {{ name = "o" }}, door_open = {{ name = "d" }} }}
"""
HEAD = """
[shop]
name = "Harbour Row Surface Care"
site = "harbour_row"
timezone = "Europe/Oslo"
"""


def fill(folder: Path, bays: int) -> None:
    """Keep fourteen hours of readings and a wash in every bay."""
    store = SqliteStore(folder)
    for n in range(bays):
        readings = []
        for back_s in range(0, HOURS * 3600, STEP_S):
            at_us, phase = NOW_US - back_s * SECOND_US, back_s / 600 + n
            said = {
                "air_temp_c": 20 + 0.4 * math.sin(phase),
                "rel_hum_pct": 60 + 8 * math.sin(phase / 9),
                "panel_temp_c": 17.0,
                "heater_on": float(math.cos(phase) > 0),
                "door_open": 0.0,
            }
            readings += [
                Reading(f"p{n}", name, at_us, kept_value(value), Flag.GOOD, at_us)
                for name, value in said.items()
            ]
        store.add_readings(readings)
        for stage, back_s in (("wash", 5400), ("drying", 3600)):
            at_us = NOW_US - back_s * SECOND_US
            store.add_events([NewEvent(at_us, "stage_started", f"b{n}", {"stage": stage})])
    store.close()


def main() -> None:
    """Print the times."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bays", type=int, default=8)
    parser.add_argument("--rounds", type=int, default=12)
    parser.add_argument("--apart", action="store_true", help="no bay shares its air")
    options = parser.parse_args()
    bay = BAY.replace('air_space = "hall"\n', "") if options.apart else BAY
    text = HEAD + "".join(bay.format(n=n) for n in range(options.bays))
    shop, _ = check_text(text, "bench.toml")
    assert shop is not None
    thinker = Thinker(shop, plan_from_shop(shop), {})
    took: list[tuple[float, float, float]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder, options.bays)
        store = SqliteStore(folder)
        past = Past(store, folder)
        for turn in range(options.rounds + 1):
            now_us = NOW_US + turn * round(EVERY_S) * SECOND_US
            store.add_readings([Reading("p0", "air_temp_c", now_us, 20.0, Flag.GOOD, now_us)])
            start = time.process_time()
            frames = thinker.look(past, now_us)
            read = time.process_time()
            states = thinker.foresee(past, frames, now_us)
            foreseen = time.process_time()
            size = sum(len(encoded(state)) for state in states.values())
            took.append((read - start, foreseen - read, time.process_time() - foreseen))
        past.close()
        store.close()
    assert all(state.known for state in states.values())
    read_s, foreseen_s, encode_s = (fmean(part) for part in zip(*took[1:], strict=True))
    whole = read_s + foreseen_s + encode_s
    print(
        f"{options.bays} bays, {'each its own air' if options.apart else 'one air'}: "
        f"rows {1e3 * read_s:.0f} ms, foreseen {1e3 * foreseen_s:.0f} ms, wire form "
        f"{1e3 * encode_s:.1f} ms ({size / 1e3:.0f} kB); {100 * whole / EVERY_S:.1f} % of a core "
        f"(first turn {1e3 * sum(took[0]):.0f} ms)"
    )


if __name__ == "__main__":
    main()
