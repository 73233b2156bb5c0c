"""What the vehicle is called stands apart from the chain, which holds only a salted digest."""

from __future__ import annotations

import hashlib


def reference_digest(salt: str, text: str) -> str:
    """Return what the chain holds of a vehicle's reference.

    The salt stands beside the text and is erased with it: then nobody can try short texts such as
    number plates until one fits (SHA-256, FIPS 180-4).

    Args:
        salt: Random, as text.
        text: The reference as a person typed it.
    """
    return hashlib.sha256((salt + text).encode()).hexdigest()
