"""The proof in a record: its one text, the digest over it, and a digest for each thing it says.

The text of a record is canonical JSON (keys sorted, no spaces, UTF-8) and one line feed, so that
every byte of it counts. ``digest`` is SHA-256 over all of it but ``digest`` itself and
``reference``; the reference of the vehicle is bound by the salted digest in the event that opened
the job, so that it can be erased and the proof still holds. ``leaves`` has a short digest for
each single value; it only serves to name what was changed. Source of the digest: FIPS 180-4.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

from envmon.store.chain import canonical

if TYPE_CHECKING:
    from collections.abc import Iterator

KIND = "envmon condition record"
VERSION = 1
_OUTSIDE = ("digest", "reference")
_NO_LEAVES = (*_OUTSIDE, "chain", "leaves")
_LEAF_DIGITS = 16


def sealed(document: dict[str, Any]) -> dict[str, Any]:
    """Return a record with its digests.

    Args:
        document: Everything it says, without ``leaves``, ``digest`` and ``reference``.
    """
    whole = {**document, "leaves": leaves_of(document)}
    return {**whole, "digest": digest_of(whole), "reference": None}


def text_of(document: Any) -> str:
    """Return the one text of a record.

    Raises:
        StoreError: It holds something that is no JSON.
    """
    return canonical(document) + "\n"


def digest_of(document: dict[str, Any]) -> str:
    """Return the digest over everything in a record but the digest and the reference."""
    inside = {key: value for key, value in document.items() if key not in _OUTSIDE}
    return hashlib.sha256(canonical(inside).encode()).hexdigest()


def leaves_of(document: dict[str, Any]) -> dict[str, str]:
    """Return a short digest for every value outside the chain, by its place."""
    return {
        path: hashlib.sha256(f"{path}={text}".encode()).hexdigest()[:_LEAF_DIGITS]
        for path, text in leaf_texts(document).items()
    }


def leaf_texts(document: dict[str, Any]) -> dict[str, str]:
    """Return the text of every value outside the chain, by its place.

    Raises:
        StoreError: A value is no JSON.
    """
    inside = {key: value for key, value in document.items() if key not in _NO_LEAVES}
    return dict(_texts("", inside))


def _texts(path: str, value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            yield from _texts(f"{path}/{key}", inner)
    elif isinstance(value, list) and any(isinstance(each, dict | list) for each in value):
        for at, inner in enumerate(value):
            yield from _texts(f"{path}/{at}", inner)
    else:
        yield path, canonical(value)


def changed_leaves(document: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what was changed, as (place, what stands there); empty when nothing was.

    Args:
        document: A record.

    Raises:
        StoreError: A value is no JSON.
    """
    texts, kept = leaf_texts(document), document.get("leaves")
    known = kept if isinstance(kept, dict) else {}
    now = leaves_of(document)
    changed = [(path, texts[path]) for path, digest in now.items() if known.get(path) != digest]
    return changed + [(path, "nothing") for path in sorted(set(known) - set(now))]
