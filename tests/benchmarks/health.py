"""What sensor health costs a reading, beside decoding it.

Run as ``python tests/benchmarks/health.py``. Best of several rounds; a stream of 20 series that
send every 10 s, in turns of 200 readings, as the watch hands them over.
"""

from __future__ import annotations

import random
import timeit

from envmon.facts import Flag, Reading, kept_value
from envmon.intake.decode import Decoder
from envmon.intake.health import HealthBook
from envmon.intake.health_rules import rule_from_limits
from envmon.shop.models import Point
from envmon.shop.sensor_health import LIMITS

START_US = 1_768_374_000_000_000
QUANTITIES = tuple(LIMITS)[:4]
SERIES = [(f"point-{n}", QUANTITIES[n % 4]) for n in range(20)]
TURN = 200


def stream(count: int, *, still: bool) -> list[Reading]:
    """Return readings of all series, wandering, or every one of them stuck."""
    chance = random.Random(4)
    values = dict.fromkeys(SERIES, 20.0)
    readings = []
    for n in range(count):
        name = SERIES[n % len(SERIES)]
        t_us = START_US + n // len(SERIES) * 10_000_000
        if not still:
            values[name] = kept_value(values[name] + chance.uniform(-0.1, 0.1))
        readings.append(Reading(*name, t_us, values[name], Flag.GOOD, t_us))
    return readings


def micros(readings: list[Reading]) -> float:
    """Return the time of one reading, best of five rounds [µs]."""
    rules = {name: rule_from_limits(LIMITS[name[1]], name[1], 60) for name in SERIES}
    turns = [readings[at : at + TURN] for at in range(0, len(readings), TURN)]

    def once() -> None:
        book = HealthBook(rules)
        for turn in turns:
            book.judge(turn)

    return min(timeit.repeat(once, number=1, repeat=5)) / len(readings) * 1e6


def decode_micros() -> float:
    """Return the time to decode one reading of a SenML pack of two [µs]."""
    reads = {"air_temp_c": {"name": "t"}, "rel_hum_pct": {"name": "h"}}
    decoder = Decoder([Point.model_validate({"id": "a", "topic": "a", "reads": reads})], {}, [])
    pack = b'[{"n":"t","u":"Cel","v":20.5},{"n":"h","u":"%RH","v":45}]'
    calls = timeit.repeat(lambda: decoder.decode("a", pack, START_US), number=5_000, repeat=5)
    return min(calls) / 10_000 * 1e6


if __name__ == "__main__":
    print(f"decode, a reading of a pack of two  {decode_micros():6.2f} µs")
    print(f"health, a good reading              {micros(stream(100_000, still=False)):6.2f} µs")
    print(f"health, nearly all of them stuck    {micros(stream(100_000, still=True)):6.2f} µs")
