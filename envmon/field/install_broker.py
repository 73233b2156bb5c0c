"""Mosquitto's files: who may log in with which password, and who may say and hear what.

Source: mosquitto.conf(5) and mosquitto_passwd(1) of Mosquitto 2.0; the hash ``$7$`` is PBKDF2
(RFC 8018) with HMAC-SHA-512.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.field.files import PRIVATE, write_new
from envmon.field.install_nodes import OWN

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from envmon.field.install_nodes import Node

ROUNDS = 101
"""As mosquitto_passwd has it. More would protect short passwords; ours have 192 bits."""
_SALT_BYTES = 12
_SECRET_BYTES = 24


def ensure_password(path: Path) -> str:
    """Return the password in a file; make a random one where there is none yet.

    Raises:
        InputError: It cannot be read or written, or is no password of one line.
    """
    if not path.exists():
        write_new(path, f"{secrets.token_urlsafe(_SECRET_BYTES)}\n".encode(), PRIVATE)
    try:
        password = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"cannot read the password in {path}: {error}") from error
    if len(password) < 16 or not password.isprintable():
        raise InputError(
            f"the password in {path} is shorter than 16 characters; take the file away and a "
            "random one is made"
        )
    return password


def password_line(user: str, password: str, salt: bytes | None = None) -> str:
    """Return a line of Mosquitto's password file.

    Args:
        user: User name.
        password: Password.
        salt: 12 bytes; random without them.
    """
    salt = secrets.token_bytes(_SALT_BYTES) if salt is None else salt
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS)
    return f"{user}:$7${ROUNDS}${_base64(salt)}${_base64(digest)}"


def password_file(passwords: Mapping[str, str]) -> str:
    """Return Mosquitto's password file."""
    return "".join(f"{password_line(user, word)}\n" for user, word in passwords.items())


def access_file(nodes: Iterable[Node]) -> str:
    """Return Mosquitto's file of who may say and hear what.

    envmon hears everything, since it looks for sensors that nobody has claimed yet, and speaks
    below its own topics only. A node speaks and hears below its own place and nowhere else.
    Whoever is not named here may do nothing.
    """
    parts = [
        "# Made by `envmon install`. Nobody who is not named here may say or hear anything.\n",
        f"user {OWN}\ntopic read #\ntopic readwrite {OWN}/#\n",
    ]
    parts += [f"user {node.user}\ntopic readwrite {node.place}/#\n" for node in nodes]
    return "\n".join(parts)


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")
