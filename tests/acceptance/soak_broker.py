"""The soak's broker, as ``envmon certificates`` and ``envmon install`` make it for a shop.

Only its place differs: it stands in a network of its own so that cables to it can be cut. So the
port that is for envmon itself is not on loopback there, and speaks TLS as that of the nodes does.
"""

from __future__ import annotations

import getpass
import re
import shutil
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from envmon.field.authority_files import AUTHORITY, CERTIFICATE, FOLDER, KEY, ensure_certificates
from envmon.field.authority_files import Wish as CertificateWish
from envmon.field.install import Wish, install
from envmon.shop.load import load_shop
from tests.acceptance.soak_text import BROKER_PORT, NODES_PORT

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


class BrokerFiles:
    """Makes the files and knows where they are.

    Args:
        folder: Empty folder for them.
        shop_host: Address by which the shop's computer reaches the broker.
        nodes_host: Address by which the nodes do.
    """

    def __init__(self, folder: Path, shop_host: str, nodes_host: str) -> None:
        self._folder, self._hosts = folder, (shop_host, nodes_host)
        self.authority = folder / FOLDER / AUTHORITY
        self.own_password = folder / "broker_password"
        self.config = folder / "mosquitto.conf"
        self.nodes = folder / "files" / "nodes"

    def make(self, text_of: Callable[[dict[str, str]], str], state: Path) -> Path:
        """Make all of it and return the shop file of the soak.

        Args:
            text_of: Returns a shop file for a broker.
            state: Folder the broker keeps its file in.
        """
        shop_path = self._folder / "shop.toml"
        local = {"host": "127.0.0.1", "password": str(self.own_password), "authority": ""}
        shop_path.write_text(text_of(local), encoding="utf-8")
        shop = load_shop(shop_path)
        ensure_certificates(
            self._folder / FOLDER, CertificateWish(shop.shop.name, self._hosts), datetime.now(UTC)
        )
        wish = Wish(
            shop_path, self._folder / "files", self._hosts[1], (), NODES_PORT,
            root=self._folder / "machine", user=getpass.getuser(),
        )  # fmt: skip
        install(shop, wish)
        self._put(state)
        away = {"host": self._hosts[0], "authority": f'ca_file = "{self.authority}"'}
        shop_path.write_text(text_of(local | away), encoding="utf-8")
        return shop_path

    def _put(self, state: Path) -> None:
        """Bring the broker's files to their places, and the broker into its own network."""
        made = self._folder / "files" / "root"
        place = self._folder / "machine/etc/mosquitto"
        shutil.copytree(made / place.relative_to("/"), place)
        shutil.copy(made / self.own_password.relative_to("/"), self.own_password)
        certs = place / "certs"
        certs.mkdir()
        shutil.copy(self._folder / FOLDER / CERTIFICATE, certs / "envmon.pem")
        shutil.copy(self._folder / FOLDER / KEY, certs / "envmon.key")
        tls = f"certfile {certs}/envmon.pem\nkeyfile {certs}/envmon.key\ntls_version tlsv1.2"
        text = (place / "mosquitto.conf").read_text(encoding="utf-8")
        for was, now in (
            (r"(?m)^pid_file .*$", f"pid_file {state}/mosquitto.pid\nuser root"),
            (r"(?m)^log_dest .*$", "log_dest stderr"),
            (
                rf"(?m)^listener {BROKER_PORT} .*$",
                f"listener {BROKER_PORT} {self._hosts[0]}\n{tls}",
            ),
            (r"(?m)^persistence_location .*$", f"persistence_location {state}/"),
        ):
            text, count = re.subn(was, now, text)
            assert count == 1, was
        self.config.write_text(text, encoding="utf-8")

    def password_of(self, node: str) -> str:
        """Return the password of a node."""
        return (self.nodes / node / "password").read_text(encoding="utf-8").strip()
