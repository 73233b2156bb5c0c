"""PINs and passwords: which are good enough, and how they are kept.

Kept as argon2id (RFC 9106) with 32 MiB and three passes: below the RFC's second choice (64 MiB,
four lanes), so that a machine with 512 MB stays at work while somebody logs in, and above the
least that OWASP's password storage notes allow (19 MiB, two passes; from memory).
"""

from __future__ import annotations

import unicodedata
from itertools import pairwise
from threading import BoundedSemaphore

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from envmon.errors import InputError

LEAST_PIN, LEAST_PASSWORD, LONGEST = 6, 10, 128
MEMORY_KIB, PASSES = 32 * 1024, 3
_HASHER = PasswordHasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=1)
_ONE_AT_A_TIME = BoundedSemaphore(1)
"""Memory for one is spent at a time, however many try."""
_TRIED_FIRST = ("147258", "159753", "112233", "789456", "246810", "135790", "696969", "314159")
"""Shapes on the keys and the like (common practice; from memory)."""
_WORDS = ("password", "passwort", "qwerty", "qwertz", "letmein", "welcome", "envmon", "admin")


def ensure_strong(secret: str, name: str) -> str:
    """Return a PIN or password in the form it is kept in.

    Args:
        secret: Digits only: a PIN; else a password.
        name: Name of the person.

    Raises:
        InputError: It would be guessed soon; the message does not show it.
    """
    plain = plain_of(secret)
    if len(plain) > LONGEST:
        raise InputError(f"the PIN or password is longer than {LONGEST} characters; shorten it")
    if plain.isascii() and plain.isdigit():
        _ensure_pin(plain)
    else:
        _ensure_password(plain, name)
    return plain


def plain_of(secret: str) -> str:
    """Return a text in one spelling, as keyboards differ (NFC, RFC 8265)."""
    return unicodedata.normalize("NFC", secret)


def _ensure_pin(pin: str) -> None:
    if len(pin) < LEAST_PIN:
        raise InputError(f"the PIN has {len(pin)} digits; allowed are {LEAST_PIN} or more")
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    known = any(pin in one or one in pin for one in _TRIED_FIRST)
    if len(steps) == 1 or len(set(pin)) < 3 or _repeats(pin) or known:
        raise InputError(
            "the PIN is among the first anybody tries (a row, few digits, a repeat); choose digits "
            "at random"
        )


def _ensure_password(password: str, name: str) -> None:
    if len(password) < LEAST_PASSWORD:
        raise InputError(
            f"the password has {len(password)} characters; allowed are {LEAST_PASSWORD} or more, "
            f"or a PIN of {LEAST_PIN} digits or more"
        )
    if not password.isprintable():
        raise InputError("the password has a character that cannot be typed; leave it out")
    folded = password.casefold()
    words = [*_WORDS, *([name.casefold()] if len(name) > 2 else [])]
    left = folded
    for word in words:
        left = left.replace(word, "")
    if len(set(folded)) < 5 or _repeats(folded) or (left != folded and len(left) < 7):
        raise InputError(
            "the password is among the first anybody tries (a repeat, a usual word, the name); "
            "four words that have nothing to do with one another are good"
        )


def _repeats(text: str) -> bool:
    """Return whether a text is one part again and again."""
    return text in (text + text)[1:-1]


def kept_form(secret: str) -> str:
    """Return what is kept of a PIN or password."""
    with _ONE_AT_A_TIME:
        return _HASHER.hash(plain_of(secret))


NOBODY = kept_form("nobody has this")
"""What a name nobody has is held against, so that it takes as long."""


def fits(kept: str, secret: str) -> bool:
    """Return whether a PIN or password is the one that is kept."""
    with _ONE_AT_A_TIME:
        try:
            return _HASHER.verify(kept, plain_of(secret))
        except (VerificationError, InvalidHashError):
            return False
