"""Where the boards listen, and how they encrypt."""

from __future__ import annotations

import asyncio
import socket
import ssl
from functools import partial
from typing import TYPE_CHECKING

import uvicorn

from envmon.errors import ServiceError
from envmon.shop.boards import EVERYWHERE, is_loopback
from envmon_boards import door_patience
from envmon_boards.door_patience import PatientProtocol, ensure_files

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.types import ASGIApp

_LOOPBACK = "127.0.0.1"


class _Server(uvicorn.Server):
    """A server that waits no longer for encryption to begin than for a request."""

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen."""
        loop = asyncio.get_running_loop()
        if self.config.ssl is not None:
            # uvicorn has no setting for it. The loop's own 60 s are too long for who opens
            # thousands of connections and says nothing, as each takes a file.
            loop.create_server = partial(  # type: ignore[method-assign]
                loop.create_server, ssl_handshake_timeout=door_patience.ASKING_S
            )
        await super().startup(sockets=sockets)


def server_of(app: ASGIApp, pair: tuple[Path, Path] | None) -> uvicorn.Server:
    """Return the server of the boards.

    Args:
        app: The application.
        pair: Certificate and key; None serves without encryption.
    """
    ensure_files()
    config = uvicorn.Config(
        app,
        http=PatientProtocol,
        log_level="error",  # its warnings are of strangers' faulty requests, a line for each
        access_log=False,  # addresses of acknowledge links are secrets
        server_header=False,
        proxy_headers=False,  # the door itself believes a proxy, where the shop file says so
        timeout_graceful_shutdown=2,
        ws="none",
        ssl_certfile=pair[0] if pair else None,
        ssl_keyfile=pair[1] if pair else None,
    )
    config.load()
    if config.ssl is not None:
        config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
    return _Server(config)


def sockets_of(host: str, port: int) -> list[socket.socket]:
    """Return sockets that listen on an address, and on loopback for this machine's own screens.

    Args:
        host: Address from the shop file.
        port: Port.

    Raises:
        ServiceError: An address cannot be had.
    """
    name = _LOOPBACK if host == "localhost" else host
    alone = name in EVERYWHERE or is_loopback(name)
    return [_listening(one, port) for one in ((name,) if alone else (name, _LOOPBACK))]


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server(
            (host, port), family=family, dualstack_ipv6=host == "::", backlog=2_048
        )
    except OSError as error:
        raise ServiceError(
            f"cannot serve the screens on {host}, port {port}: {error.strerror}; boards_host must "
            "be an address of this machine, and the port free"
        ) from error
