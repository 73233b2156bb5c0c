"""How faults in a shop file are put into words: values, key paths, spellings, patterns."""

from __future__ import annotations

import difflib
import json
import re
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.shop.raw import Path

_LONGEST = 60
_SECRET_WORDS = ("password", "passwd", "passphrase", "secret", "token", "apikey")
_BARE_KEY = re.compile(r"^[A-Za-z0-9_-]+$")

SECRETS_ELSEWHERE = "secrets never stand in the shop file; use password_env or password_file"

PATTERNS: dict[str, str] = {
    r"^[a-z0-9][a-z0-9_-]{0,39}$": (
        "a short name of a-z, 0-9, - and _ that starts with a letter or digit (1 to 40 characters)"
    ),
    r"^[a-z0-9{][a-z0-9_{}-]{0,39}$": (
        "a short name of a-z, 0-9, - and _ (1 to 40 characters); {1} stands for the text of the "
        "topic's first +"
    ),
    r"^([a-z0-9][a-z0-9_-]{0,39}|\{[1-9]\})$": (
        "the id of a bay, or {1} for the text of the topic's first +"
    ),
    r"^(/([^~/]|~[01])*)*$": (
        "a JSON Pointer: every level starts with /, such as '/env/t'; ~ is written ~0"
    ),
    r"^([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d$": (
        "two times of day such as '22:00-06:30'"
    ),
    r"^https?://[^\s/]+(/[^\s?#]*)?$": (
        "the beginning of a web address, such as 'https://air.shop.example'"
    ),
    r"^[A-Z]{3}$": "three capital letters of ISO 4217, such as EUR",
    r"^([01]\d|2[0-3]):[0-5]\d$": "a time of day such as 06:30",
}
"""What each pattern of the models means, in words."""


def show(value: object) -> str:
    """Return a value as it could stand in the file, shortened; tables are not spelled out."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, int) and value.bit_length() > 200:
        return "a whole number of more than 60 digits"  # str() refuses 4300 digits and more
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    text = repr(value)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def path_text(path: Path) -> str:
    """Return a key path as text, counted from 0: ``bay[0].volume_m3``."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            key = step if _BARE_KEY.match(step) else show(step)
            text += f".{key}" if text else key
    return text


def nearest(text: str, options: Iterable[str]) -> str | None:
    """Return the option spelled most like a text, or None when none is near."""
    by_fold = {option.casefold(): option for option in reversed(list(options))}
    if not by_fold:
        return None
    found = difflib.get_close_matches(text.casefold()[:200], list(by_fold), n=1, cutoff=0.6)
    return by_fold[found[0]] if found else None


def did_you_mean(text: str, options: Iterable[str]) -> str:
    """Return ``did you mean 'x'? `` or nothing."""
    near = nearest(text, options)
    return f"did you mean {near!r}? " if near else ""


def unknown(what: str, value: str, options: Iterable[str]) -> str:
    """Return the sentence for a word that is none of the allowed ones."""
    choices = list(options)
    plain = (choice if choice.isprintable() else show(choice) for choice in choices)
    allowed = ", ".join(plain) or f"none; the file has no {what} yet"
    return f"{what} is {show(value)}; {did_you_mean(value, choices)}allowed: {allowed}"


def is_secret_key(key: str) -> bool:
    """Return whether a key looks as if a password, secret or token stood behind it."""
    plain = re.sub(r"[^a-z]", "", key.casefold())
    if re.search(r"[_-](env|file)$", key.casefold()):
        return False
    near = difflib.get_close_matches(plain[:200], _SECRET_WORDS, n=1, cutoff=0.85)
    return bool(near) or any(secret in plain for secret in _SECRET_WORDS)


def _number_words(node: dict[str, Any], kind: str) -> str:
    low, above = node.get("minimum"), node.get("exclusiveMinimum")
    high, below = node.get("maximum"), node.get("exclusiveMaximum")
    parts = [kind]
    parts += [f"from {low:g}"] if low is not None else []
    parts += [f"above {above:g}"] if above is not None else []
    parts += [f"up to {high:.9g}"] if high is not None else []
    parts += [f"below {below:g}"] if below is not None else []
    return " ".join(parts)


def _text_words(node: dict[str, Any]) -> str:
    if "pattern" in node:
        return PATTERNS.get(node["pattern"], "text of another form")
    if node.get("format") == "date":
        return "a date without quotes, such as 2026-01-15"
    low, high = node.get("minLength"), node.get("maxLength")
    if high is not None:
        return f"text in quotes of {low or 0} to {high} characters"
    return f"text in quotes of {low} characters or more" if low else "text in quotes"


def _list_words(node: dict[str, Any], section: str) -> str:
    example = (node.get("examples") or [None])[0]
    if "prefixItems" in node:
        pair = example or [[19.6, 20.0], [24.9, 25.1]]
        return f"a list of {len(node['prefixItems'])}, such as {json.dumps(pair)}"
    if "$ref" in node.get("items", {}):
        return f"tables, each headed [[{section}]]"
    return f"a list of texts, such as {json.dumps(example or ['panel_temp_c'])}"


def allowed_words(node: dict[str, Any], path: Path) -> str:
    """Return what a place in the shop file may hold, from its JSON Schema node."""
    section = ".".join(step for step in path if isinstance(step, str))
    if "enum" in node:
        return "one of " + ", ".join(repr(choice) for choice in node["enum"])
    if "anyOf" in node:
        unit = (node.get("examples") or ["68 °F"])[0]
        number: dict[str, Any] = next(b for b in node["anyOf"] if b.get("type") == "number")
        return f"{_number_words(number, 'a number')}, or text with its unit such as {unit!r}"
    kind = node.get("type")
    if kind in {"number", "integer"}:
        return _number_words(node, "a number" if kind == "number" else "a whole number")
    if kind == "array":
        return _list_words(node, section)
    if kind == "object":
        return f"a table of keys, such as [{section}]"
    return _text_words(node)
