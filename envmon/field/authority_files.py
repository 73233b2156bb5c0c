"""``envmon certificates``: the folder ``tls/`` beside the shop file, made and renewed.

What is there and good is kept; an authority is never replaced, for every node and screen trusts it.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from envmon.errors import InputError
from envmon.field.authority import (
    Signed,
    certificate_pem,
    host_from_text,
    host_text,
    hosts_of,
    key_pem,
    new_authority,
    new_certificate,
    permitted,
)
from envmon.field.files import PRIVATE, give_to_owner_of, write_whole

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

FOLDER = "tls"
AUTHORITY, AUTHORITY_KEY = "ca.pem", "ca.key"
CERTIFICATE, KEY = "shop.pem", "shop.key"
RENEW_DAYS = 60
"""A certificate is renewed when it holds no longer than this."""


class Wish(NamedTuple):
    """What is asked of ``envmon certificates``.

    Attributes:
        shop: Name of the shop.
        hosts: Names and addresses by which this machine is reached, as the person gave them.
        own: Names it has by itself; those the authority may not vouch for are left out.
        days: So long a new certificate holds [d].
        renew: Make a new one even where the old one is good.
    """

    shop: str
    hosts: tuple[str, ...]
    own: tuple[str, ...] = ("localhost", "127.0.0.1", "::1")
    days: int = 820
    renew: bool = False


class Outcome(NamedTuple):
    """What was done.

    Attributes:
        changed: Whether the shop's certificate is a new one; services must read it again.
        lines: The same in words.
    """

    changed: bool
    lines: list[str]


def own_hosts(machine: str) -> tuple[str, ...]:
    """Return the names every machine has, as far as they can stand in a certificate.

    Args:
        machine: Its host name.
    """
    short = machine.partition(".")[0]
    names = ("localhost", "127.0.0.1", "::1", short, f"{short}.local", machine)
    return tuple(dict.fromkeys(name for name in names if _is_host(name)))


def ensure_certificates(folder: Path, wish: Wish, now: datetime) -> Outcome:
    """Make what is missing in the folder, and renew the certificate where it is due.

    Hosts of the present certificate are kept, new ones are added. Nothing is changed on an error.

    Args:
        folder: ``tls/`` beside the shop file.
        wish: What is asked for.
        now: Present time, UTC.

    Raises:
        InputError: A host or the days are not allowed, or what is there does not fit together.
    """
    authority = _authority(folder)
    present = _certificate(folder)
    hosts = _hosts(wish, present, authority)
    lines = [f"{folder / AUTHORITY}: this shop's own authority, kept"]
    if authority is None:
        authority = new_authority(wish.shop, hosts, now)
        lines = [f"{folder / AUTHORITY}: made; every node, phone and screen must trust this file"]
        made = new_certificate(authority, hosts, wish.days, now)
        _write_authority(folder, authority)
    elif present and not wish.renew and _good(present, authority, hosts, now):
        return Outcome(changed=False, lines=[*lines, _line(folder, present.certificate, "kept")])
    else:
        made = new_certificate(authority, hosts, wish.days, now)
    write_whole(folder / KEY, key_pem(made.key), PRIVATE)
    chain = certificate_pem(made.certificate, authority.certificate)
    write_whole(folder / CERTIFICATE, chain)
    return Outcome(changed=True, lines=[*lines, _line(folder, made.certificate, "made")])


def certificate_hosts(folder: Path) -> list[str]:
    """Return the names and addresses the shop's certificate is for; none where there is none.

    Raises:
        InputError: It cannot be read.
    """
    present = _certificate(folder)
    return [host_text(host) for host in hosts_of(present.certificate)] if present else []


def _hosts(wish: Wish, present: Signed | None, authority: Signed | None) -> list[x509.GeneralName]:
    """Return what the certificate is to be for: what it was for, and what is new."""
    before = hosts_of(present.certificate) if present else []
    own = [host_from_text(text) for text in wish.own]
    if authority is not None:
        own = [host for host in own if permitted(authority.certificate, host)]
    asked = [host_from_text(text) for text in wish.hosts]
    return list(dict.fromkeys([*before, *own, *asked]))


def _is_host(text: str) -> bool:
    try:
        host_from_text(text)
    except InputError:
        return False
    return True


def _good(present: Signed, authority: Signed, hosts: list[x509.GeneralName], now: datetime) -> bool:
    """Return whether the certificate needs no renewal."""
    certificate = present.certificate
    try:
        certificate.verify_directly_issued_by(authority.certificate)
    except (ValueError, TypeError, InvalidSignature):
        return False
    left = certificate.not_valid_after_utc - now
    fits = certificate.public_key() == present.key.public_key()
    return fits and set(hosts) == set(hosts_of(certificate)) and left > timedelta(days=RENEW_DAYS)


def _authority(folder: Path) -> Signed | None:
    """Return the authority that is there, or None where nothing of it is."""
    there = [(folder / name).exists() for name in (AUTHORITY, AUTHORITY_KEY)]
    if all(there):
        found = _read(folder / AUTHORITY, folder / AUTHORITY_KEY)
        if found.certificate.public_key() != found.key.public_key():
            raise InputError(
                f"{AUTHORITY} and {AUTHORITY_KEY} in {folder} do not belong together; bring the "
                "right ones back from a backup"
            )
        return found
    if any(there):
        missing = AUTHORITY if there[1] else AUTHORITY_KEY
        raise InputError(
            f"{folder / missing} is missing and nothing can be signed without it; bring it back "
            "from where you keep it. Gone for good: move the folder away and begin anew; every "
            "node and screen then needs the new ca.pem"
        )
    if (folder / CERTIFICATE).exists() or (folder / KEY).exists():
        raise InputError(
            f"{folder} holds a certificate that is not of this shop's own authority; it is left "
            "alone: renew it where it comes from, or move the folder away"
        )
    return None


def _certificate(folder: Path) -> Signed | None:
    if (folder / CERTIFICATE).exists() and (folder / KEY).exists():
        return _read(folder / CERTIFICATE, folder / KEY)
    return None


def _read(certificate: Path, key: Path) -> Signed:
    try:
        found = x509.load_pem_x509_certificate(certificate.read_bytes())
        private = serialization.load_pem_private_key(key.read_bytes(), None)
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f"{certificate} with {key.name} cannot be read ({error}); bring them back from a "
            "backup, or run this as the user they belong to"
        ) from error
    if not isinstance(private, ec.EllipticCurvePrivateKey):
        raise InputError(f"{key} is no key on an elliptic curve; it was not made by envmon")
    return Signed(found, private)


def _write_authority(folder: Path, authority: Signed) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    give_to_owner_of(folder.parent, folder)
    write_whole(folder / AUTHORITY_KEY, key_pem(authority.key), PRIVATE)
    write_whole(folder / AUTHORITY, certificate_pem(authority.certificate))


def _line(folder: Path, certificate: x509.Certificate, done: str) -> str:
    until = certificate.not_valid_after_utc.date().isoformat()
    names = ", ".join(host_text(host) for host in hosts_of(certificate))
    return f"{folder / CERTIFICATE}: {done}, holds until {until}, for {names}"
