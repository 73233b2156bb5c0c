"""Sends one message over one channel, through apprise; says what went wrong without addresses."""

from __future__ import annotations

import logging
import re
import threading
import unicodedata
from typing import TYPE_CHECKING, NamedTuple

from apprise import Apprise, AppriseAsset
from apprise.logger import logger as _service_log
from apprise.plugins.email.base import NotifyEmail

from envmon.errors import InputError
from envmon.notice.words import LINE, cut
from envmon.service.notice.channels import scrubbed

if TYPE_CHECKING:
    from apprise import NotifyBase

SHORT = 320
"""A service whose messages are no longer than this is a phone's short messages."""
OVER_BY_NOW = "OVER BY NOW: "
SECOND_COPY = " (perhaps sent before)"
_UNSURE = re.compile(r"timed? ?out|timeout|reset|aborted|disconnected|broken pipe", re.IGNORECASE)
# Of the 7-bit alphabet of GSM 03.38 what a message here may hold (from memory).
_GSM = set(
    "@£$¥èéùìòÇ\nØøÅåΔ_ÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
_GSM_FOR = {"°": "", "–": "-", "−": "-", "…": "..", "—": "-", "×": "x", "’": "'", "µ": "u"}


class Parcel(NamedTuple):
    """What is sent.

    Attributes:
        line: The message in one phone line.
        body: The same at length, for mail.
        link: Where it is acknowledged, or empty.
        second: It may have been sent before.
        weight: ``info``, ``success``, ``warning`` or ``failure``; some services show it.
        over: Everything told in it is over by now; the all-clear, with its time, comes after it.
    """

    line: str
    body: str
    link: str = ""
    second: bool = False
    weight: str = "info"
    over: bool = False


class Outcome(NamedTuple):
    """What became of a try.

    Attributes:
        error: What went wrong, without addresses; empty when it got through.
        unsure: It may have got through all the same.
    """

    error: str = ""
    unsure: bool = False


class _Said(logging.Handler):
    """Keeps what the service library says in this thread; other threads send at the same time."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.texts: list[str] = []
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self.texts.append(record.getMessage())


def _quieten() -> None:
    """Keep what libraries log, which holds addresses, out of our log."""
    logging.getLogger("urllib3").setLevel(logging.CRITICAL)
    _service_log.propagate = False
    _service_log.setLevel(logging.WARNING)
    if not _service_log.handlers:
        _service_log.addHandler(logging.NullHandler())


def send(address: str, parcel: Parcel) -> Outcome:
    """Send a message and return what became of it; waits as long as the server makes it.

    Args:
        address: The channel's address.
        parcel: What is sent.
    """
    _quieten()
    said = _Said()
    _service_log.addHandler(said)
    try:
        service = service_of(address)
        title, body = worded(service, parcel)
        done = bool(service.notify(body=body, title=title, notify_type=parcel.weight))
    except InputError as error:
        return Outcome(str(error))
    except Exception as error:  # noqa: BLE001 - whatever a service throws, the message must be kept
        return _failed([f"{type(error).__name__}: {error}"], address)
    finally:
        _service_log.removeHandler(said)
    if done:
        return Outcome()
    # One of several receivers behind an address may have it already.
    return _failed(said.texts, address, several=len(service) > 1)


def _failed(texts: list[str], address: str, *, several: bool = False) -> Outcome:
    text = "; ".join(scrubbed(text, address) for text in texts) or "the service refused it"
    return Outcome(cut(text, 200), several or bool(_UNSURE.search(text)))


def service_of(address: str) -> NotifyBase:
    """Return the service an address names.

    Raises:
        InputError: It names none; the message has no address.
    """
    asset = AppriseAsset(app_id="envmon", app_desc="envmon", app_url="", async_mode=False)
    found = Apprise.instantiate(address, asset=asset, suppress_exceptions=True)
    if found is None:
        raise InputError("the address is none that can be read; see the README for its form")
    return found


def worded(service: NotifyBase, parcel: Parcel) -> tuple[str, str]:
    """Return title and body as a service takes them.

    A phone's short message is one line; mail has the line as its subject and everything below;
    the rest gets the line, and the link under it.
    """
    line = cut(OVER_BY_NOW + parcel.line, LINE) if parcel.over else parcel.line
    if parcel.second:
        line = cut(line, LINE - len(SECOND_COPY)) + SECOND_COPY
    if service.body_maxlen <= SHORT:
        return "", gsm_text(line)[:LINE]
    if isinstance(service, NotifyEmail):
        link = f"\n\nTo acknowledge: {parcel.link}" if parcel.link else ""
        return line, f"{line}\n\n{parcel.body}{link}\n"
    return "", f"{line}\n{parcel.link}".rstrip()


def gsm_text(text: str) -> str:
    """Return a text in the 7-bit alphabet, in which 160 characters are one short message."""
    plain = "".join(_GSM_FOR.get(mark, mark) for mark in text)
    return "".join(mark if mark in _GSM else _folded(mark) for mark in plain)


def _folded(mark: str) -> str:
    base = unicodedata.normalize("NFKD", mark)
    return "".join(part for part in base if part in _GSM) or "?"
