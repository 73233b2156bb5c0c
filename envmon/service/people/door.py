"""Whether the door of the screens can be shut, before anything is served."""

from __future__ import annotations

import ssl
from typing import TYPE_CHECKING

from envmon.errors import ServiceError
from envmon.service.broker import LOOPBACK
from envmon.service.people.book import people_of
from envmon.shop.boards import is_loopback

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.service.people.book import PeopleFile
    from envmon.shop.models import Shop


def ensure_shut(shop: Shop, shop_path: Path) -> PeopleFile | None:
    """Return the people who may log in; None where the screens are for this machine only.

    Args:
        shop: The shop file, checked.
        shop_path: Where it is.

    Raises:
        ServiceError: Others can reach the screens, or shall log in, and something for that lacks.
    """
    people = people_of(shop, shop_path)
    if people is None:
        if not is_loopback(shop.shop.boards_host):  # the shop file's own check says it first
            raise ServiceError(f"boards_host is {shop.shop.boards_host}; add people_file")
        return None
    if not any(one.may("manage") for one in people.all()):
        raise ServiceError(
            f"nobody in {people.path} has the role manage, so nobody could put anything right; "
            f"do: envmon people {shop_path} add NAME --role manage"
        )
    ensure_certificate(shop, shop_path)
    return people


def boards_address(shop: Shop) -> str:
    """Return where a person opens the screens."""
    if shop.boards.behind_proxy:
        return f"https://{shop.boards.names[0] if shop.boards.names else 'the name of your proxy'}/"
    scheme = "https" if shop.boards.certificate else "http"
    outside = not is_loopback(shop.shop.boards_host)
    named = shop.boards.names[0] if shop.boards.names else shop.shop.boards_host
    name = named if outside else LOOPBACK
    return f"{scheme}://{f'[{name}]' if ':' in name else name}:{shop.shop.boards_port}/"


def ensure_certificate(shop: Shop, shop_path: Path) -> tuple[Path, Path] | None:
    """Return certificate and key; None where the screens are not encrypted by us.

    Raises:
        ServiceError: One of them cannot be used.
    """
    if shop.boards.certificate is None or shop.boards.key is None:
        return None
    folder = shop_path.resolve().parent
    certificate, key = folder / shop.boards.certificate, folder / shop.boards.key
    try:
        if key.stat().st_mode & 0o007:
            raise ServiceError(f"everybody can read the key {key}; do: chmod 600 {key}")
        certificate.stat()
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, _no_passphrase)
    except (OSError, ValueError) as error:
        raise ServiceError(
            f"certificate {certificate} and key {key} of [boards] cannot be used "
            f"({error.strerror if isinstance(error, OSError) else error}); "
            f"make them with: envmon certificates {shop_path}"
        ) from error
    return certificate, key


def _no_passphrase() -> str:
    raise ValueError("the key has a passphrase; give one without, readable by its owner only")
