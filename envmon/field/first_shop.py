"""A first shop file from a few answers: whatever comes out passes ``envmon check``."""

from __future__ import annotations

import json
import re
import unicodedata
from typing import TYPE_CHECKING, NamedTuple, get_args

from envmon.errors import Fault, InputError
from envmon.field.template import filled
from envmon.shop.heat import Fuel
from envmon.shop.load import check_text
from envmon.shop.words import unknown
from envmon.units import parse_value

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

FUELS: tuple[str, ...] = get_args(Fuel)
NOT_KNOWN = "unknown"
BROKERS = ("embedded", "mosquitto")
USER = "envmon"
PASSWORD_FILE = "broker_password"  # noqa: S105 - the name of a file
_M3_IN_FT3 = 0.028316846592
_ASKED = {"names[0]": "reach", "folder": "data"}
"""Keys that are asked for by another name."""


class BayAnswer(NamedTuple):
    """A bay as a person describes it.

    Attributes:
        name: What it is called.
        volume: Air volume as text, with or without its unit; empty: not known.
    """

    name: str
    volume: str = ""


class Answers(NamedTuple):
    """What the shop file is made of; every answer is text, as it was typed.

    Attributes:
        name: Name of the shop.
        site: Short name, as in topics.
        timezone: Time zone name.
        units: ``metric`` or ``us``.
        bays: The bays.
        heat: One of ``FUELS``, or ``unknown``.
        broker: One of ``BROKERS``.
        reach: Name or address by which phones and nodes reach this machine; empty: they do not.
        data: Data folder.
    """

    name: str = "My shop"
    site: str = "my_shop"
    timezone: str = "UTC"
    units: str = "metric"
    bays: tuple[BayAnswer, ...] = (BayAnswer("Bay"),)
    heat: str = NOT_KNOWN
    broker: str = BROKERS[0]
    reach: str = ""
    data: str = "data"


def short_name(name: str, taken: Iterable[str] = (), fallback: str = "bay") -> str:
    """Return a short name made of a long one, other than those taken."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    stem = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")[:36].strip("_") or fallback
    others = set(taken)
    return next(
        text
        for text in (stem, *(f"{stem}_{n}" for n in range(2, len(others) + 3)))
        if text not in others
    )


def faults_of(answers: Answers, place: Path) -> list[str]:
    """Return what is wrong with the answers, in the words of ``envmon check``; nothing if good."""
    try:
        text = shop_text(answers, place)
    except InputError as error:
        return [str(error)]
    return [_said(fault) for fault in check_text(text, place.name)[1]]


def _said(fault: Fault) -> str:
    """Return a fault with the name of what was answered; a volume in the unit it was typed in."""
    name = fault.path.rpartition(".")[2]
    if name == "volume_m3":
        return "the air volume of a bay must be above 5 up to 20000 m3 (180 to 706000 ft3)"
    message = fault.message.replace("text in quotes of", "text of")
    message = message.removesuffix("; write something between the quotes")
    asked = _ASKED.get(name, name)
    return re.sub(r"^(value is|not the)", rf"{asked}: \1", message)


def shop_text(answers: Answers, place: Path) -> str:
    """Return the shop file.

    Args:
        answers: What the person said.
        place: Where the file will stand; the broker's password is kept beside it.

    Raises:
        InputError: An answer cannot be written down.
    """
    for text in (*answers[:4], answers.data, answers.reach, *(bay.name for bay in answers.bays)):
        _ensure_printable(text)
    ids = bay_ids(answers.bays)
    bays = [_bay(bay, bay_id, answers) for bay, bay_id in zip(answers.bays, ids, strict=True)]
    return filled(
        "shop.toml",
        {
            "NAME": answers.name,
            "NAME_TOML": _toml(answers.name),
            "SITE": _toml(answers.site),
            "SITE_PLAIN": answers.site,
            "TIMEZONE": _toml(answers.timezone),
            "UNITS": _toml(answers.units),
            "BOARDS_HOST": _boards_host(answers.reach),
            "BOARDS": _boards(answers.reach),
            "BROKER": _broker(answers, place),
            "DATA": _toml(answers.data),
            "FUEL": _fuel(answers.heat),
            "BAYS": "\n".join(bays),
            "BAY": ids[0] if ids else "bay",
        },
    )


def bays_from_options(texts: Iterable[str]) -> tuple[BayAnswer, ...]:
    """Return bays from texts such as ``North:180``; the volume may be left out."""
    parts = (text.partition(":") for text in texts)
    return tuple(BayAnswer(name.strip(), volume.strip()) for name, _, volume in parts)


def bay_ids(bays: Iterable[BayAnswer]) -> list[str]:
    """Return a short name for each bay."""
    ids: list[str] = []
    for bay in bays:
        ids.append(short_name(bay.name, ids))
    return ids


def volume_m3(text: str, units: str) -> float | None:
    """Return an air volume [m³]; None for no text.

    Args:
        text: A number with or without unit, such as ``210`` or ``7400 ft3``.
        units: ``us`` takes a bare number for cubic feet.

    Raises:
        InputError: It is no volume.
    """
    if not text.strip():
        return None
    try:
        value = parse_value(text, "volume")
    except InputError as error:
        raise InputError(
            f"volume is {text[:60]!r}; allowed is a number such as 210, '210 m3' or '7400 ft3', "
            "or nothing when you do not know it"
        ) from error
    bare = re.fullmatch(r"[\s\d.eE+-]+", text) is not None
    return round(value * (_M3_IN_FT3 if bare and units == "us" else 1.0), 1)


def _ensure_printable(text: str) -> None:
    if not text.isprintable():
        raise InputError(
            f"{text[:60]!a} has a character that cannot be shown; write it with letters, digits "
            "and spaces"
        )


def _toml(text: str) -> str:
    # A JSON string of printable characters is a TOML basic string.
    return json.dumps(text, ensure_ascii=False)


def _bay(bay: BayAnswer, bay_id: str, answers: Answers) -> str:
    volume = volume_m3(bay.volume, answers.units)
    size = "# volume_m3 = 200" if volume is None else f"volume_m3 = {volume:g}"
    heats = f'\n[[heater]]\nbay = "{bay_id}"\n# output = "16 kW"         # while it is on\n'
    return (
        f'[[bay]]\nid = "{bay_id}"\nname = {_toml(bay.name)}\n{size:<29}# air in the bay [m³]\n'
        '# air_space = "hall"        # bays that share their air say the same word\n'
        'procedure = "winter_coating"\n'
        f"viewing_distance = 6         # metres from which the wall is read\n{heats}"
    )


def _fuel(heat: str) -> str:
    if heat == NOT_KNOWN:
        return f"# fuel = {_toml(FUELS[0])}     # or {', '.join(FUELS[1:])}"
    if heat not in FUELS:
        raise InputError(unknown("what heats", heat, (*FUELS, NOT_KNOWN)))
    return f"fuel = {_toml(heat)}"


def _boards_host(reach: str) -> str:
    line = 'boards_host = "0.0.0.0"      # also for phones and tablets; needs [boards] below'
    return line if reach else f"# {line}"


def _boards(reach: str) -> str:
    lines = [
        "[boards]",
        'certificate = "tls/shop.pem"',
        'key = "tls/shop.key"',
        'people_file = "people.toml"',
        f"names = [{_toml(reach or 'workshop.local')}]",
    ]
    about = (
        "# Who may come to the screens from other machines: `envmon certificates` makes the two "
        "files,\n# `envmon people` the third.\n"
    )
    return about + "\n".join(lines if reach else [f"# {line}" for line in lines])


def _broker(answers: Answers, place: Path) -> str:
    if answers.broker == BROKERS[0]:
        return 'kind = "embedded"            # for this machine alone; for nodes take Mosquitto'
    if answers.broker != BROKERS[1]:
        raise InputError(unknown("broker", answers.broker, BROKERS))
    password = _toml(str(place.absolute().parent / PASSWORD_FILE))
    return (
        'kind = "external"            # Mosquitto; `envmon install` makes its files\n'
        'host = "127.0.0.1"\nport = 1883\n'
        f'username = "{USER}"\npassword_file = {password}'
    )
