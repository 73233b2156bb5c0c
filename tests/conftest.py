"""What holds for every test: no outside network, no test that is timed, files side by side."""

from __future__ import annotations

import ipaddress
import os
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from collections.abc import Iterator

# How long an example may take depends on what else the machine does.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host in {"localhost", ""}


@pytest.fixture(autouse=True, scope="session")
def _only_loopback() -> Iterator[None]:
    """Refuse every connection that would leave this machine."""
    real = socket.socket.connect

    def connect(self: socket.socket, address: Any) -> None:
        if isinstance(address, tuple) and not _is_loopback(str(address[0])):
            raise RuntimeError(f"tests reach only loopback, not {address}")
        real(self, address)

    patch = pytest.MonkeyPatch()
    patch.setattr(socket.socket, "connect", connect)
    yield
    patch.undo()


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Run a folder on one process more than there are cores, named files in this one."""
    whole = any(Path(argument).is_dir() for argument in config.args)
    return (os.cpu_count() or 1) + 1 if whole else 0


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Start the long files first, lest all others wait for them at the end."""
    items.sort(key=lambda item: item.get_closest_marker("long") is None)
