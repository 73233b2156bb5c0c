"""The headers every answer goes out with: what its page may load, and who may frame or keep it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from envmon_boards.door_styles import SHEETS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

HSTS_S = 30 * 86_400
"""A browser keeps to encryption for so long; not longer, as the shop's own authority may change."""
_OFF = (
    "accelerometer", "camera", "display-capture", "geolocation", "gyroscope", "hid",
    "magnetometer", "microphone", "midi", "payment", "serial", "usb",
)  # fmt: skip
_ALWAYS = {
    b"referrer-policy": b"same-origin",
    b"x-content-type-options": b"nosniff",
    b"x-frame-options": b"DENY",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": ", ".join(f"{name}=()" for name in _OFF).encode(),
}
_KEPT = ("/assets/", "/static/", "/_dash-component-suites/", "/_favicon.ico")
"""Beginnings of what is the same for everybody and may be kept by a browser."""
_PLAIN = (
    b"default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self'; "
    b"connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
)
"""Of the pages that are no board: log-in and acknowledge link."""
_PAPER = (
    b"default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; "
    b"frame-ancestors 'none'; base-uri 'none'; form-action 'none'; sandbox"
)
"""Of a record opened as a page: it brings its looks with it and runs nothing."""


class Headers(NamedTuple):
    """What to add to answers.

    Attributes:
        policy: Content policy of the boards' pages.
        encrypted: Whether browsers come encrypted.
    """

    policy: bytes
    encrypted: bool

    def added(self, path: str, there: Iterable[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
        """Return the headers of an answer with ours.

        Args:
            path: What was asked for.
            there: Headers it has already; where it says itself how long it may be kept, that holds.
        """
        own = dict(_ALWAYS)
        own[b"content-security-policy"] = self._policy(path)
        if path.startswith("/ack/"):
            own[b"referrer-policy"] = b"no-referrer"
        if self.encrypted:
            own[b"strict-transport-security"] = f"max-age={HSTS_S}".encode()
        kept = [(name, value) for name, value in there if name.lower() not in own]
        if not path.startswith(_KEPT) and not any(n.lower() == b"cache-control" for n, _ in kept):
            own[b"cache-control"] = b"no-store"
        return [*kept, *own.items()]

    def _policy(self, path: str) -> bytes:
        if path.endswith("/record.html"):
            return _PAPER
        return _PLAIN if path == "/login" or path.startswith("/ack/") else self.policy


def policy_of(scripts: Sequence[str]) -> bytes:
    """Return the content policy of the boards' pages.

    Scripts come from our own files, or are one of Dash's own lines, known by its hash; style sheets
    likewise. An element may bring a look of its own: plotly draws with that, and it can load
    nothing from elsewhere. Browsers that know no such difference go by ``style-src``.

    Args:
        scripts: Hashes of the scripts that stand in the page, as CSP writes them.
    """
    parts = {
        "default-src": "'none'",
        "script-src": " ".join(["'self'", *scripts]),
        "style-src": "'self' 'unsafe-inline'",
        "style-src-elem": f"'self' {SHEETS}",
        "style-src-attr": "'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "font-src": "'self'",
        "media-src": "'self' data: blob:",
        "connect-src": "'self'",
        "frame-ancestors": "'none'",
        "base-uri": "'none'",
        "form-action": "'self'",
    }
    return "; ".join(f"{name} {value}" for name, value in parts.items()).encode()
