"""Where on the machine everything stands that ``envmon install`` makes files for."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError

if TYPE_CHECKING:
    from envmon.shop.models import Shop

_PLAIN = re.compile(r"/[A-Za-z0-9_./+@-]*\Z")
_SHARED = frozenset(
    Path(name)
    for name in (
        "/", "/bin", "/boot", "/dev", "/etc", "/home", "/media", "/mnt", "/opt", "/root", "/run",
        "/srv", "/tmp", "/usr", "/usr/local", "/var", "/var/lib", "/var/tmp",  # noqa: S108 - to refuse them
    )
)  # fmt: skip


class Places(NamedTuple):
    """Folders and files on the machine.

    Attributes:
        shop: The shop file.
        data: Data folder.
        venv: The Python environment envmon is installed in.
        root: All the rest stands below this; ``/`` but for a trial.
    """

    shop: Path
    data: Path
    venv: Path = Path(sys.prefix)
    root: Path = Path("/")

    def below(self, path: str) -> Path:
        """Return a place of the machine."""
        return self.root / path

    @property
    def broker(self) -> Path:
        """Folder of Mosquitto's files."""
        return self.below("etc/mosquitto")

    @property
    def scripts(self) -> Path:
        """Folder of the scripts that the units start."""
        return self.below("usr/local/lib/envmon")

    @property
    def backups(self) -> Path:
        """Folder of the backups."""
        return self.below("var/backups/envmon")

    @property
    def node(self) -> Path:
        """Folder of the node file, where sensors hang on this machine."""
        return self.below("etc/envmon-node")

    def ensure_plain(self) -> None:
        """Refuse paths that would mean something else to systemd or a shell.

        Raises:
            InputError: With the first such path.
        """
        for path in (self.shop, self.data, self.venv, self.root):
            if not is_plain(str(path)):
                raise InputError(
                    f"path is {str(path)!r}; in units of systemd only paths of a-z, 0-9 and "
                    "./+@_- are safe: move it, for instance to /etc/envmon/shop.toml"
                )

    def ensure_own_folders(self) -> None:
        """Refuse folders that others use too: these will belong to envmon.

        Raises:
            InputError: With the first such folder.
        """
        for folder in (self.shop.parent, self.data):
            if folder in _SHARED or folder.parent == Path("/home"):
                raise InputError(
                    f"folder is {str(folder)!r}, which is not envmon's alone; give shop file and "
                    "data a folder of their own, such as /etc/envmon and /var/lib/envmon"
                )

    def at_home(self) -> bool:
        """Return whether a part of it is in a person's home, which services do not see."""
        homes = (Path("/home"), Path("/root"))
        used = (self.shop, self.data, self.venv)
        return any(path.is_relative_to(home) for path in used for home in homes)


def is_plain(path: str) -> bool:
    """Return whether a path means itself, to systemd as to a shell."""
    return _PLAIN.match(path) is not None


def places_of(shop: Shop, shop_path: Path, root: Path) -> Places:
    """Return the places of a shop on this machine."""
    shop_path = shop_path.resolve()
    return Places(shop_path, (shop_path.parent / shop.store.folder).resolve(), root=root.absolute())
