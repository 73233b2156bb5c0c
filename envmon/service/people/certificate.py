"""What a browser will say of the screens' certificate, said by ``envmon check`` beforehand.

Words only: a certificate that has run out must not keep the wall from starting.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from cryptography import x509

from envmon.clock import SECOND_US
from envmon.field.authority import host_text, hosts_of
from envmon.service.people.door import ensure_certificate

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.shop.models import Shop

SOON = timedelta(days=30)


def certificate_words(shop: Shop, shop_path: Path, now_us: int) -> Iterator[str]:
    """Yield what is not right with the screens' certificate; nothing where all is.

    Args:
        shop: The shop file.
        shop_path: Where it is.
        now_us: Time now [µs].

    Raises:
        ServiceError: It cannot be used at all.
    """
    pair = ensure_certificate(shop, shop_path)
    if pair is None:
        return
    certificate = x509.load_pem_x509_certificate(pair[0].read_bytes())
    known = [host_text(host).lower() for host in hosts_of(certificate)]
    for name in shop.boards.names:
        if not any(_covers(pattern, name) for pattern in known):
            yield (
                f"the certificate is not for {name}, so browsers will warn; do: "
                f"envmon certificates {shop_path} --host {name}"
            )
    ends, now = certificate.not_valid_after_utc, datetime.fromtimestamp(now_us / SECOND_US, UTC)
    if ends - now < SOON:
        word = "has run out" if ends <= now else "runs out soon"
        yield f"the certificate {word} ({ends:%Y-%m-%d}); do: envmon certificates {shop_path}"


def _covers(pattern: str, name: str) -> bool:
    """Return whether a certificate's name is for a host; a star is one part (from memory)."""
    if pattern.startswith("*."):
        return pattern[2:] == name.partition(".")[2]
    return pattern == name
