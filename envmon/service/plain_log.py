"""Log lines in which text from outside stays text: one line each, nothing a terminal obeys."""

from __future__ import annotations

import logging
import re

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""Ends of lines, escapes of terminals, and what turns the direction of the text around it."""
_CONTROL_IN_TRACE = re.compile(
    r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]"
)
_LINK = re.compile(r"/ack/[^\s\"'<>]+")


class PlainFormatter(logging.Formatter):
    """Formats as usual, then shows control characters instead of sending them.

    The token of an acknowledge link is left out: who reads logs shall not acknowledge.
    """

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - its name there
        """Return the line of a record."""
        return plain(super().formatMessage(record))

    def format(self, record: logging.LogRecord) -> str:
        """Return the line and, of an error, where it happened."""
        return _LINK.sub("/ack/…", _CONTROL_IN_TRACE.sub(_shown, super().format(record)))


def plain(text: str) -> str:
    """Return a text as one line with nothing a terminal or a reader of lines would obey."""
    return _CONTROL.sub(_shown, text)


def _shown(found: re.Match[str]) -> str:
    return found[0].encode("unicode_escape").decode("ascii")


def log_to_stderr(level: int = logging.INFO) -> None:
    """Send this process's log to stderr."""
    handler = logging.StreamHandler()
    handler.setFormatter(PlainFormatter("%(name)s: %(message)s"))
    logging.basicConfig(level=level, handlers=[handler])
