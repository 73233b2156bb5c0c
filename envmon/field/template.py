"""The texts that are filled in: a shop file, units of systemd, Mosquitto's file, small scripts."""

from __future__ import annotations

import re
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

_PLACE = re.compile(r"@([A-Z_]+)@")


def filled(name: str, values: Mapping[str, str]) -> str:
    """Return a template with every ``@WORD@`` replaced.

    Args:
        name: File in ``envmon/field/templates``.
        values: Text for each word.

    Raises:
        KeyError: The template has a word without a value.
    """
    template = resources.files("envmon.field").joinpath("templates", name)
    return _PLACE.sub(lambda place: values[place[1]], template.read_text(encoding="utf-8"))
