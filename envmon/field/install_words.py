"""What is filled into the files of ``envmon install``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.field.authority_files import AUTHORITY

if TYPE_CHECKING:
    from envmon.field.install_places import Places
    from envmon.shop.models import Shop

NODE_USER, WALL_USER, BROKER_USER = "envmon-node", "envmon-wall", "mosquitto"


def words_of(shop: Shop, places: Places, host: str, tls_port: int) -> dict[str, str]:
    """Return the text for each word of the templates.

    Args:
        shop: The shop file.
        places: Where everything stands.
        host: Name or address by which nodes reach this machine.
        tls_port: Port for the nodes.
    """
    external = shop.broker.kind == "external"
    encrypted = shop.boards.certificate is not None
    inside = places.data.is_relative_to(places.shop.parent)
    return {
        "SHOP_NAME_PLAIN": " ".join(shop.shop.name.split()),
        "SHOP": str(places.shop),
        "SHOP_FILE": places.shop.name,
        "SHOP_FOLDER": str(places.shop.parent),
        "DATA": str(places.data),
        "EXCLUDE": f"--exclude ./{places.data.relative_to(places.shop.parent)} " if inside else "",
        "VENV": str(places.venv),
        "BIN": str(places.venv / "bin"),
        "LIB": str(places.scripts),
        "BACKUPS": str(places.backups),
        "ETC": str(places.broker),
        "RUN": str(places.below("run/mosquitto")),
        "STATE": str(places.below("var/lib/mosquitto")),
        "SYSUSERS": str(places.below("etc/sysusers.d/envmon.conf")),
        "TMPFILES": str(places.below("etc/tmpfiles.d/envmon.conf")),
        "NODE_FOLDER": str(places.node),
        "PROTECT_HOME": "no" if places.at_home() else "yes",
        "NODE_USER": NODE_USER,
        "WALL_USER": WALL_USER,
        "BROKER_USER": BROKER_USER,
        "PORT": str(shop.broker.port),
        "TLS_PORT": str(tls_port),
        "HOST": host,
        "URL": f"{'https' if encrypted else 'http'}://127.0.0.1:{shop.shop.boards_port}",
        "CA": str(places.scripts / AUTHORITY) if encrypted else "",
        "RESTART_BROKER": "systemctl restart mosquitto" if external else "",
        "PASSWORD_FILE": shop.broker.password_file or "",
        "CERTIFICATE_TIMER": "envmon-certificates.timer" if external or encrypted else "",
    }
