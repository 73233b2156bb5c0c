"""A small certificate authority of the shop's own: who it vouches for, and for how long.

Source: RFC 5280 (profile of certificates), RFC 6125 and RFC 2818 (names are taken from the subject
alternative name), FIPS 186-5 (curve P-256).
"""

from __future__ import annotations

import ipaddress
import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from envmon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

AUTHORITY_DAYS = 20 * 365
LONGEST_DAYS = 825
"""Phones and browsers refuse certificates of a private authority that hold longer (memory)."""
PRIVATE_NAMES = ("localhost", "local", "lan", "internal", "home.arpa")
"""Ends of names that exist inside a building only (RFC 6761, 6762, 8375; lan by habit)."""
PRIVATE_NETS = (
    "127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16",
    "::1/128", "fc00::/7", "fe80::/10",
)  # fmt: skip
"""Addresses that exist inside a building only (RFC 1918, 3927, 4193, 4291)."""

_LABEL = re.compile(r"^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$")


class Signed(NamedTuple):
    """A certificate and the key that belongs to it."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey


def host_from_text(text: str) -> x509.GeneralName:
    """Return a name or an address as it stands in a certificate.

    Raises:
        InputError: It is neither.
    """
    plain = text.strip().strip("[]").rstrip(".").lower()
    try:
        return x509.IPAddress(ipaddress.ip_address(plain))
    except ValueError:
        pass
    labels = plain.split(".")
    if len(plain) > 253 or labels[-1].isdigit() or not all(map(_LABEL.fullmatch, labels)):
        raise InputError(
            f"host is {text[:80]!r}; allowed is a name such as workshop.local or an address such "
            "as 192.168.1.20, without https:// and port"
        )
    return x509.DNSName(plain)


def host_text(host: x509.GeneralName) -> str:
    """Return a host of a certificate as a person writes it."""
    return str(host.value)


def hosts_of(certificate: x509.Certificate) -> list[x509.GeneralName]:
    """Return the names and addresses a certificate is for."""
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except x509.ExtensionNotFound:
        return []
    return list(found.value)


def new_authority(shop: str, hosts: Iterable[x509.GeneralName], now: datetime) -> Signed:
    """Make an authority that can vouch for names and addresses of one building only.

    Args:
        shop: Name of the shop.
        hosts: Names it must be able to vouch for beside the private ones.
        now: Present time, UTC.
    """
    key = ec.generate_private_key(ec.SECP256R1())
    name = _name(f"{shop[:45]}: own authority")
    builder = _builder(name, name, key, now, now + timedelta(days=AUTHORITY_DAYS))
    usage = _usage(key_cert_sign=True, crl_sign=True)
    builder = (
        builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        # RFC 5280 wants it critical; small TLS libraries refuse critical ones they do not know.
        .add_extension(x509.NameConstraints(_permitted(hosts), None), critical=False)
    )
    return Signed(builder.sign(key, hashes.SHA256()), key)


def new_certificate(
    authority: Signed, hosts: Iterable[x509.GeneralName], days: int, now: datetime
) -> Signed:
    """Make a server's certificate, signed by the authority and with a new key.

    It never holds longer than the authority itself.

    Raises:
        InputError: ``days`` is out of range, or the authority may not vouch for a host.
    """
    if not 1 <= days <= LONGEST_DAYS:
        raise InputError(f"days is {days}; 1 to {LONGEST_DAYS} is allowed: phones refuse longer")
    wanted = list(hosts)
    ensure_permitted(authority.certificate, wanted)
    key = ec.generate_private_key(ec.SECP256R1())
    until = min(now + timedelta(days=days), authority.certificate.not_valid_after_utc)
    builder = _builder(
        _name(host_text(wanted[0])[:64]), authority.certificate.subject, key, now, until
    )
    known_by = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key())
    builder = (
        builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(digital_signature=True), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(wanted), critical=False)
        .add_extension(known_by, critical=False)
    )
    return Signed(builder.sign(authority.key, hashes.SHA256()), key)


def permitted(authority: x509.Certificate, host: x509.GeneralName) -> bool:
    """Return whether an authority may vouch for a host."""
    return any(_covers(subtree, host) for subtree in _subtrees(authority))


def ensure_permitted(authority: x509.Certificate, hosts: Iterable[x509.GeneralName]) -> None:
    """Refuse hosts the authority may not vouch for.

    Raises:
        InputError: With the first such host.
    """
    for host in hosts:
        if not permitted(authority, host):
            names = [name.value for name in _subtrees(authority) if isinstance(name, x509.DNSName)]
            raise InputError(
                f"host is {host_text(host)!r}; this shop's authority vouches only for private "
                f"addresses and {', '.join(names)}: use one of those, or begin with a new "
                "authority (move the folder tls/ away; every node and screen then needs the new "
                "ca.pem)"
            )


def certificate_pem(*certificates: x509.Certificate) -> bytes:
    """Return certificates as PEM, in the order given."""
    form = serialization.Encoding.PEM
    return b"".join(certificate.public_bytes(form) for certificate in certificates)


def key_pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    """Return a key as PEM, not encrypted: a service must read it without a person."""
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def now_from_us(now_us: int) -> datetime:
    """Return a time of envmon's clock as certificates take it."""
    return datetime.fromtimestamp(now_us // 1_000_000, UTC)


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    now: datetime,
    until: datetime,
) -> x509.CertificateBuilder:
    public = key.public_key()
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))  # a node's clock may be a little behind
        .not_valid_after(until)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
    )


def _usage(
    *, digital_signature: bool = False, key_cert_sign: bool = False, crl_sign: bool = False
) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=digital_signature,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=key_cert_sign,
        crl_sign=crl_sign,
        encipher_only=False,
        decipher_only=False,
    )


def _permitted(hosts: Iterable[x509.GeneralName]) -> list[x509.GeneralName]:
    names: list[x509.GeneralName] = [x509.DNSName(name) for name in PRIVATE_NAMES]
    names += [x509.IPAddress(ipaddress.ip_network(net)) for net in PRIVATE_NETS]
    for host in hosts:
        if not any(_covers(subtree, host) for subtree in names):
            is_address = isinstance(host, x509.IPAddress)
            names.append(
                x509.IPAddress(ipaddress.ip_network(str(host.value))) if is_address else host
            )
    return names


def _covers(subtree: x509.GeneralName, host: x509.GeneralName) -> bool:
    if isinstance(subtree, x509.DNSName) and isinstance(host, x509.DNSName):
        return host.value == subtree.value or host.value.endswith("." + subtree.value)
    if isinstance(subtree, x509.IPAddress) and isinstance(host, x509.IPAddress):
        return host.value in subtree.value  # type: ignore[operator]  # a network here
    return False


def _subtrees(authority: x509.Certificate) -> list[x509.GeneralName]:
    limits = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    return list(limits.permitted_subtrees or ())
