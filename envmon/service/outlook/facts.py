"""What was learned of every bay, kept in a file of its own beside the live store.

It is replaced as a whole, so that a process ended at any moment leaves the old or the new one.
What cannot be read, or has another form, gives way to learning anew: everything in it follows from
the shop's history. Only the one who learns sets a file aside; a mere reader leaves it where it is.
"""

from __future__ import annotations

import logging
import os
from hashlib import sha256
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.errors import StoreError
from envmon.outlook.constants import BELIEFS
from envmon.outlook.experts import EXPERTS, FORECAST, LEADS_MIN
from envmon.outlook.likeness import MARKS
from envmon.outlook.model import ModelFacts
from envmon.outlook.situations import SITUATIONS
from envmon.outlook.trust import paths_of

if TYPE_CHECKING:
    from pathlib import Path

log = logging.getLogger("envmon.outlook")

FACTS_FILE = "outlook_facts.json"
SET_ASIDE = "outlook_facts.unreadable"
FORM = 2
"""Raised by one whenever a number in the facts comes to mean something else under the same name: a
mark, a constant, an error."""


class KeptFacts(msgspec.Struct, frozen=True):
    """The file.

    Attributes:
        form: Digest of what facts are made of; those of another one are not used.
        bays: Bay -> what was learned of it.
        version: ``FORM`` when it was written; 1 stands for files that did not say it.
    """

    form: str
    bays: dict[str, ModelFacts]
    version: int = 1


class _Head(msgspec.Struct, frozen=True):
    """What can be read of a file of any form."""

    form: str
    version: int = 1


class Known(NamedTuple):
    """What the file holds.

    Attributes:
        bays: Bay -> what was learned of it; empty when nothing can be used.
        why: Why nothing can be, for a person; empty when the file is good or not there.
        unreadable: The file is no such file at all.
    """

    bays: dict[str, ModelFacts]
    why: str = ""
    unreadable: bool = False


def facts_form() -> str:
    """Return the digest of the names that facts of this version hang on."""
    parts = (sorted(BELIEFS), FORECAST, LEADS_MIN.tolist(), EXPERTS, MARKS, SITUATIONS)
    return sha256(repr(parts).encode()).hexdigest()[:16]


def known_facts(folder: Path) -> Known:
    """Return what the file holds; it is left as it is."""
    path = folder / FACTS_FILE
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return Known({})
    except OSError as error:
        return Known({}, f"cannot read {path} ({error})")
    try:
        head = msgspec.json.decode(text, type=_Head)
        if (head.version, head.form) != (FORM, facts_form()):
            return Known({}, f"{path} is of another version of envmon")
        kept = msgspec.json.decode(text, type=KeptFacts)
        for trust in (trust for facts in kept.bays.values() for trust in facts.trust.values()):
            paths_of(trust)
    except (msgspec.MsgspecError, ValueError, KeyError, RecursionError) as error:
        return Known({}, f"{path} is unreadable ({error})", unreadable=True)
    return Known(kept.bays)


def read_facts(folder: Path) -> dict[str, ModelFacts]:
    """Return bay -> facts as they were last kept; empty when there are none to use."""
    return known_facts(folder).bays


def facts_to_learn_on(folder: Path) -> dict[str, ModelFacts]:
    """Return bay -> facts for the one who learns on from them, and keeps them.

    What cannot be used is said; a file that is none is set aside, one of another version gives way
    when facts are kept next.
    """
    found = known_facts(folder)
    if found.why:
        log.warning("%s; learning anew from the shop's history", found.why)
    if found.unreadable:
        _set_aside(folder / FACTS_FILE)
    return found.bays


def _set_aside(path: Path) -> None:
    try:
        path.replace(path.with_name(SET_ASIDE))
    except OSError as error:
        log.warning("cannot set %s aside: %s", path, error)


def keep_facts(folder: Path, bays: dict[str, ModelFacts]) -> None:
    """Keep facts; afterwards the file holds all of them, or is as it was.

    Raises:
        StoreError: The folder cannot be written.
    """
    path = folder / FACTS_FILE
    fresh = path.with_name(f"{FACTS_FILE}.new")
    try:
        with fresh.open("wb") as handle:
            handle.write(msgspec.json.encode(KeptFacts(facts_form(), bays, FORM)))
            handle.flush()
            os.fsync(handle.fileno())
        fresh.replace(path)
    except OSError as error:
        raise StoreError(
            f"cannot keep what was learned in {path}: {error}; check the disk"
        ) from error
