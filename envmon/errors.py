"""Every error envmon raises on purpose, by what the person does next.

::

    EnvmonError
    ├── InputError            a value handed to a function or command is out of range
    ├── ShopFileError         fix the shop file (carries all faults at once)
    ├── PayloadError          fix a sensor: what it sent cannot be read
    ├── StoreError            fix the disk or the data folder
    │   ├── StoreDamagedError     start the watch again: it renews the live file
    │   ├── StoreNewerError       install the version that wrote it, or go back to a backup
    │   └── ArchiveFileError      a file of the archive is torn: restore it from a backup
    ├── BrokerError           fix the broker or the network
    └── ServiceError          fix how envmon is started

Foreign exceptions are translated where they enter; none of them leaves envmon's rooms.
"""

from __future__ import annotations

from dataclasses import dataclass


class EnvmonError(Exception):
    """Base of all errors envmon raises on purpose."""


class InputError(EnvmonError, ValueError):
    """A value is outside what is allowed; the message says which, and what is allowed."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault in a shop file.

    Attributes:
        path: Key path, such as ``bay[1].volume_m3``.
        line: Line in the file, counted from 1; 0 when it cannot be placed.
        value: What stands there, as text.
        message: What is wrong, what is allowed and what to do.
    """

    path: str
    line: int
    value: str
    message: str


class ShopFileError(EnvmonError):
    """The shop file has faults; all of them are in ``faults``."""

    def __init__(self, file: str, faults: list[Fault]) -> None:
        self.file = file
        self.faults = faults
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__(f"{file}: {count}")


class PayloadError(EnvmonError):
    """A sensor sent something that cannot be read as what the shop file promises."""


class StoreError(EnvmonError):
    """The data folder cannot be read or written."""


class StoreDamagedError(StoreError):
    """The live file itself is damaged; trying again would not help, renewing it does."""


class StoreNewerError(StoreError):
    """The data folder was written by a newer version; trying again would not help."""


class ArchiveFileError(StoreError):
    """A file of the archive is missing or torn."""


class BrokerError(EnvmonError):
    """The MQTT broker cannot be reached or refuses us."""


class ServiceError(EnvmonError):
    """envmon cannot start or run as asked."""
