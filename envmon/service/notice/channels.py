"""Addresses of channels: from the environment, else a file only its owner can read."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from typing import TYPE_CHECKING
from urllib.parse import unquote

from envmon.errors import InputError
from envmon.service.plain_log import plain

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.shop.models import Shop

PREFIX = "ENVMON_CHANNEL_"
_LEAST_SECRET = 3


class Channels:
    """Looks addresses up, each time anew, so that a corrected one counts at once.

    Args:
        shop: The shop file, checked.
        shop_path: Where it is; a relative channels file is beside it.
    """

    def __init__(self, shop: Shop, shop_path: Path) -> None:
        name = shop.notice.channels_file
        self._file = shop_path.resolve().parent / name if name else None

    def address(self, channel: str) -> str:
        """Return the address of a channel; it holds secrets and is never shown.

        Raises:
            InputError: There is none, or the file cannot be used; the message has no address.
        """
        variable = PREFIX + channel.upper().replace("-", "_")
        found: object = os.environ.get(variable)
        if found is None and self._file is not None:
            found = _read(self._file).get(channel)
        if found is None:
            where = f" or {channel} in {self._file}" if self._file else ""
            raise InputError(f"channel {channel} has no address; set {variable}{where}")
        if not isinstance(found, str):
            raise InputError(f'{self._file}: {channel} is no text; write {channel} = "address"')
        return found


def _read(file: Path) -> dict[str, object]:
    try:
        with file.open("rb") as handle:
            mode = stat.S_IMODE(os.fstat(handle.fileno()).st_mode)
            if mode & 0o007:
                raise InputError(
                    f"{file} can be read by everybody (mode {mode:o}), and holds secrets; "
                    f"do: chmod 600 {file}"
                )
            return tomllib.load(handle)
    except OSError as error:
        raise InputError(f"cannot read the channels file {file}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        # The parser's own words may quote what stands there.
        raise InputError(f'{file} is no TOML; write name = "address" for each channel') from error


def scrubbed(text: str, address: str) -> str:
    """Return a text without anything of an address in it: no host, user, password, token.

    Args:
        text: What a service said.
        address: The channel's address.
    """
    scheme, _, rest = address.partition("://")
    parts = {part for part in re.split(r"[/:@?&=,+#]+", f"{rest}") if len(part) >= _LEAST_SECRET}
    parts |= {rest, address} | {unquote(part) for part in parts}
    for part in sorted(parts, key=len, reverse=True):
        if part and part != scheme:
            text = re.sub(re.escape(part), "…", text, flags=re.IGNORECASE)
    text = re.sub(r"\b[\w+.-]+://\S+", "…", text)
    text = re.sub(r"[^\s@]+@[^\s@]+", "…", text)
    return plain(" ".join(re.sub(r"\b[A-Za-z0-9_-]{24,}\b", "…", text).split()))
