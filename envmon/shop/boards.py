"""Who may come to the screens, and how: ``[boards]``."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from envmon.shop.limits import Strict

_HOST = re.compile(r"^(?=.{1,253}$)[a-z0-9]([a-z0-9-]{0,62})(\.[a-z0-9]([a-z0-9-]{0,62}))*\.?$")
EVERYWHERE = frozenset({"0.0.0.0", "::"})  # noqa: S104 - to know it, not to bind to it
"""Addresses that stand for every address of the machine."""


def is_loopback(host: str) -> bool:
    """Return whether a host name or address reaches only this machine."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


def is_address(host: str) -> bool:
    """Return whether a text is an IP address."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _check_name(name: str) -> str:
    lower = name.lower()
    if not (_HOST.match(lower) or is_address(lower)):
        raise ValueError(
            "not the name of a machine; allowed are names and addresses as they stand in the "
            "browser, without http:// and without port, such as air.shop.example or 192.168.1.20"
        )
    return lower


HostName = Annotated[str, AfterValidator(_check_name)]
"""A name or address of this machine, in small letters."""


class BoardsInfo(Strict):
    """``[boards]``: who may come to the screens, and how."""

    people_file: str | None = Field(default=None, min_length=1)
    """File with the people who may log in; a relative one is beside the shop file. ``envmon
    people`` writes it. Without one, everybody at this machine may do all, and nobody else."""
    names: tuple[HostName, ...] = ()
    """Names and addresses the screens are opened by from other machines."""
    certificate: str | None = Field(default=None, min_length=1)
    """Certificate file (PEM, with its chain); a relative one is beside the shop file."""
    key: str | None = Field(default=None, min_length=1)
    """Key file of the certificate (PEM); a relative one is beside the shop file."""
    behind_proxy: bool = Field(default=False, strict=True)
    """A reverse proxy of yours stands in front and does the encryption."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            given, lacks = ("key", "certificate") if self.key else ("certificate", "key")
            raise ValueError(f"{given} stands without {lacks}; give both, or neither")
        if self.behind_proxy and self.people_file is None:
            raise ValueError(
                "behind_proxy is true without people_file; a proxy brings strangers in: add "
                'people_file = "people.toml", then: envmon people SHOP.toml add NAME --role manage'
            )
        return self

    @property
    def encrypted(self) -> bool:
        """Whether browsers speak to the screens encrypted."""
        return self.behind_proxy or self.certificate is not None
