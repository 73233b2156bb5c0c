"""Entry of the embedded broker's own process: ``python -m envmon.service.embedded_broker``.

Exit codes: 0 after SIGTERM or SIGINT, 1 when the broker failed while running, 2 when it cannot
start as asked; the reason goes to stderr.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading

from envmon.errors import BrokerError, ServiceError
from envmon.service.broker import LOOPBACK, serve


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m envmon.service.embedded_broker",
        description="An MQTT broker for one machine; it keeps everything in memory.",
    )
    parser.add_argument("--port", type=int, default=1883, help="MQTT 3.1.1 port")
    parser.add_argument("--mqtt5-port", type=int, default=None, help="MQTT 5 port, off if absent")
    parser.add_argument("--host", default=LOOPBACK, help="a loopback address")
    parser.add_argument(
        "--exit-with-parent",
        action="store_true",
        help="exit when stdin closes, so that no orphan keeps the port",
    )
    return parser


def _stop_when_stdin_closes() -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


def main(argv: list[str] | None = None) -> int:
    """Serve until told to stop.

    Args:
        argv: Command line without the program name; None for the process's own.

    Returns:
        The exit code.
    """
    args = _parser().parse_args(argv)
    if args.exit_with_parent:
        threading.Thread(target=_stop_when_stdin_closes, daemon=True).start()
    try:
        serve(args.port, host=args.host, mqtt5_port=args.mqtt5_port)
    except ServiceError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    except BrokerError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
