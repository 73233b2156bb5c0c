"""Run the simulated shop: ``python -m envmon_sensors --port 1883 --seed 1``."""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading

from envmon.clock import HOUR_US, Clock, clock_from_text
from envmon.errors import InputError
from envmon_sensors.publisher import Publisher, Settings


def parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    options = argparse.ArgumentParser(prog="python -m envmon_sensors", description=__doc__)
    options.add_argument("--host", default="127.0.0.1", help="broker host")
    options.add_argument("--port", type=int, default=1883, help="broker port")
    options.add_argument("--seed", type=int, default=1, help="same seed, same run")
    options.add_argument("--clock", help="REAL_START:START:SPEED in µs, µs and a number")
    options.add_argument("--from-us", type=int, help="begin at this time; default: clock's now")
    end = options.add_mutually_exclusive_group()
    end.add_argument("--hours", type=float, help="end after this much simulated time")
    end.add_argument("--until-us", type=int, help="end at this time, µs since 1970 UTC")
    return options


def settings_from(options: argparse.Namespace, clock: Clock) -> Settings:
    """Return the settings of a run.

    Raises:
        InputError: The seed is below 0, or the time to run is not above 0.
    """
    if options.seed < 0:
        raise InputError(f"seed is {options.seed}; allowed is a whole number from 0")
    until_us: int | None = options.until_us
    if options.hours is not None:
        if options.hours <= 0:
            raise InputError(f"hours is {options.hours}; allowed is above 0")
        from_us = clock.now_us() if options.from_us is None else options.from_us
        until_us = from_us + round(options.hours * HOUR_US)
    return Settings(options.host, options.port, options.seed, until_us, options.from_us)


def main(arguments: list[str] | None = None) -> int:
    """Run until the end, SIGTERM or SIGINT; return 0, 1 for unsent packs, 2 for bad input."""
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(name)s: %(message)s")
    logging.getLogger("envmon.node").setLevel(logging.ERROR)  # 13 nodes would all say the same
    options = parser().parse_args(arguments)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        clock = clock_from_text(options.clock)
        publisher = Publisher(settings_from(options, clock), clock)
    except InputError as error:
        print(f"envmon_sensors: {error}", file=sys.stderr)  # noqa: T201
        return 2
    unsent = publisher.run(stop)
    if unsent:
        logging.getLogger("envmon_sensors").warning("%d packs were never acknowledged", unsent)
    return 1 if unsent else 0


if __name__ == "__main__":
    raise SystemExit(main())
