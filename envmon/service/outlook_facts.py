"""What was learned of every bay, kept in a file of its own beside the live store.

It is replaced as a whole, so that a process ended at any moment leaves the old or the new one.
One that cannot be read is set aside and learning begins anew: everything in it follows from the
shop's history.
"""

from __future__ import annotations

import logging
import os
from hashlib import sha256
from typing import TYPE_CHECKING

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


class KeptFacts(msgspec.Struct, frozen=True):
    """The file.

    Attributes:
        form: Digest of what facts are made of; those of another version are not read.
        bays: Bay -> what was learned of it.
    """

    form: str
    bays: dict[str, ModelFacts]


def facts_form() -> str:
    """Return the digest of the names that facts of this version hang on."""
    parts = (sorted(BELIEFS), FORECAST, LEADS_MIN.tolist(), EXPERTS, MARKS, SITUATIONS)
    return sha256(repr(parts).encode()).hexdigest()[:16]


def read_facts(folder: Path) -> dict[str, ModelFacts]:
    """Return bay -> facts as they were last kept; empty when there are none to read."""
    path = folder / FACTS_FILE
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return {}
    except OSError as error:
        log.warning("cannot read %s (%s); learning anew from the shop's history", path, error)
        return {}
    try:
        kept = msgspec.json.decode(text, type=KeptFacts)
        for trust in (trust for facts in kept.bays.values() for trust in facts.trust.values()):
            paths_of(trust)
    except (msgspec.MsgspecError, ValueError, KeyError, RecursionError) as error:
        log.warning("%s is unreadable (%s); learning anew from the shop's history", path, error)
        _set_aside(path)
        return {}
    if kept.form != facts_form():
        log.warning("%s is of another version; learning anew from the shop's history", path)
        return {}
    return kept.bays


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
            handle.write(msgspec.json.encode(KeptFacts(facts_form(), bays)))
            handle.flush()
            os.fsync(handle.fileno())
        fresh.replace(path)
    except OSError as error:
        raise StoreError(
            f"cannot keep what was learned in {path}: {error}; check the disk"
        ) from error
