"""The settings of a battery node on a microcontroller: all that this machine knows of them.

The file is the one of ``sensors/micropython``. Its Wi-Fi is left empty, and the node says so until
somebody fills it in; what was filled in stays when the file is made again.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from envmon.errors import InputError
from envmon.field.authority_files import AUTHORITY
from envmon.field.files import PRIVATE, write_whole

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.field.install_nodes import Node

FILE = "node_settings.json"
_TOPIC = re.compile(r"[a-z0-9_-]+(/[a-z0-9_-]+)*")
_TOPIC_LENGTH = 80
_OURS = ("topic", "broker")
_FIRST = {
    "every": 30,
    "wifi": {"name": "", "password": ""},
    "air": {"sda": 21, "scl": 22},
}


def write_board(folder: Path, node: Node, password: str, broker: tuple[str, int]) -> bool:
    """Write a node's settings, for its owner's eyes alone; return whether it can be such a node.

    Args:
        folder: The node's folder.
        node: The node; its place must be one that the microcontroller takes for a topic.
        password: Its password at the broker.
        broker: Name or address by which it reaches this machine, and the port for nodes.

    Raises:
        InputError: A file that is there cannot be read, or the new one not be written.
    """
    if not _TOPIC.fullmatch(node.place) or len(node.place) > _TOPIC_LENGTH:
        return False
    host, port = broker
    account = {
        "host": host, "port": port, "username": node.user, "password": password,
        "ca_file": AUTHORITY,
    }  # fmt: skip
    kept = {key: value for key, value in _there(folder / FILE).items() if key not in _OURS}
    settings = {"topic": node.place, "time_host": host, **_FIRST, **kept, "broker": account}
    text = json.dumps(settings, indent=2, ensure_ascii=False)
    write_whole(folder / FILE, f"{text}\n".encode(), PRIVATE)
    return True


def _there(file: Path) -> dict[str, Any]:
    """Return the settings as somebody left them; none where there is no file yet."""
    try:
        settings = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        raise InputError(f"cannot read {file}: {error}; mend it, or take it away") from error
    if not isinstance(settings, dict):
        raise InputError(f"{file} is no set of settings; mend it, or take it away")
    return settings
