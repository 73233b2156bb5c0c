"""The file ``node_settings.json``: what a person sets, checked before anything begins."""

import json

from air_node.errors import NodeError

FILE = "node_settings.json"
MOST_ASLEEP = 120
"""Measurements that fit into the memory that stays on in deep sleep."""
_TOPIC = "abcdefghijklmnopqrstuvwxyz0123456789_-/"
_MUST = object()

# Key, what it is, default, and lowest and highest of a number or length of a text.
_KEYS = (
    ("topic", "text", _MUST, 1, 80),
    ("every", "number", 30, 1, 3_600),
    ("keep", "whole", 1_440, 10, 5_000),
    ("flash", "yes", True, 0, 0),
    ("flash_every", "number", 600, 60, 86_400),
    ("deep_sleep", "yes", False, 0, 0),
    ("watchdog", "yes", True, 0, 0),
    ("time_host", "text", _MUST, 1, 120),
    ("wifi.name", "text", _MUST, 1, 32),
    ("wifi.password", "text", _MUST, 0, 63),
    ("broker.host", "text", _MUST, 1, 120),
    ("broker.port", "whole", 8_883, 1, 65_535),
    ("broker.username", "text", _MUST, 1, 40),
    ("broker.password", "text", _MUST, 1, 200),
    ("broker.ca_file", "text", "", 1, 80),
    ("broker.plain", "yes", False, 0, 0),
    ("air.sda", "whole", 21, 0, 48),
    ("air.scl", "whole", 22, 0, 48),
    ("air.address", "whole", 0x44, 0x44, 0x45),
    ("battery.pin", "whole", None, 0, 48),
    ("battery.ratio", "number", 2, 1, 20),
    ("battery.low", "number", 3.4, 0, 60),
)
_SECTIONS = ("wifi", "broker", "air", "battery")


class SettingsError(NodeError):
    """The settings have faults; all of them are in ``faults``."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("\n".join(f"{FILE}: {fault}" for fault in faults))


class Settings:
    """Settings that passed: ``settings["broker.host"]``."""

    def __init__(self, values: dict[str, object]) -> None:
        self._values = values

    def text(self, key: str) -> str:
        """Return a text."""
        return str(self._values[key])

    def whole(self, key: str) -> int:
        """Return a whole number."""
        return int(self._values[key])  # type: ignore[call-overload,no-any-return]

    def number(self, key: str) -> float:
        """Return a number."""
        return float(self._values[key])  # type: ignore[arg-type]

    def yes(self, key: str) -> bool:
        """Return whether something is wanted."""
        return bool(self._values[key])

    def has(self, key: str) -> bool:
        """Return whether something is there at all."""
        return self._values[key] is not None


def load(path: str = FILE) -> Settings:
    """Read and check the settings.

    Raises:
        SettingsError: With every fault of the file.
    """
    try:
        with open(path) as file:
            text = file.read()
    except OSError as error:
        raise SettingsError(
            [f"cannot be read ({error}); copy it to the board, beside main.py"]
        ) from None
    return checked(text)


def checked(text: str) -> Settings:
    """Return the settings that stand in a text.

    Raises:
        SettingsError: With every fault.
    """
    try:
        data = json.loads(text)
    except ValueError:
        raise SettingsError(
            ["not valid JSON; look for a comma, a quotation mark or a bracket too few or too many"]
        ) from None
    if not isinstance(data, dict):
        raise SettingsError(['allowed is { "topic": ..., "wifi": { ... }, ... }'])
    given, faults = _flat(data)
    values: dict[str, object] = {}
    for key, kind, default, low, high in _KEYS:
        values[key] = given.pop(key, default)
        if values[key] is _MUST:
            faults.append(f"{key}: is missing; add it")
        elif values[key] is not default:
            faults.extend(_wrong(key, kind, values[key], (low, high)))
    faults += [f"{key}: not known here; allowed are {_allowed(key)}" for key in sorted(given)]
    if not faults:
        faults = _apart(values)
    if faults:
        raise SettingsError(faults)
    return Settings(values)


def _flat(data: dict[str, object]) -> tuple[dict[str, object], list[str]]:
    given: dict[str, object] = {}
    faults: list[str] = []
    for key, value in data.items():
        if key not in _SECTIONS:
            given[key] = value
        elif isinstance(value, dict):
            given.update({f"{key}.{name}": one for name, one in value.items()})
        else:
            faults.append(f"{key}: is {_shown(key, value)}; allowed is {{ ... }}")
    return given, faults


def _wrong(key: str, kind: str, value: object, span: tuple[int, int]) -> list[str]:
    low, high = span
    allowed = ""
    if kind == "yes":
        allowed = "" if isinstance(value, bool) else "true or false"
    elif kind == "text":
        if not isinstance(value, str) or not low <= len(value) <= high:
            allowed = f"text of {low} to {high} characters in quotation marks"
        elif key == "topic" and _not_a_topic(value):
            allowed = "levels of a-z, 0-9, _ and - with / between them, such as shop/north"
    elif isinstance(value, bool) or not isinstance(value, (int, float)):
        allowed = f"a number from {low} to {high}"
    elif not low <= value <= high or (kind == "whole" and not isinstance(value, int)):
        allowed = f"a {'whole ' if kind == 'whole' else ''}number from {low} to {high}"
    return [f"{key}: is {_shown(key, value)}; allowed is {allowed}"] if allowed else []


def _not_a_topic(text: str) -> bool:
    return any(sign not in _TOPIC for sign in text) or "" in text.split("/")


def _shown(key: str, value: object) -> str:
    # A section that is no section may hold a password as well.
    hidden = "password" in key or key in _SECTIONS
    return "(not shown)" if hidden else f"{value!r}"[:60]


def _allowed(key: str) -> str:
    section = key.partition(".")[0] + "." if "." in key else ""
    names = [known[0] for known in _KEYS if known[0].startswith(section)]
    return ", ".join(names)


def _apart(values: dict[str, object]) -> list[str]:
    """Return faults of settings that are right one by one."""
    faults = []
    if not values["broker.ca_file"] and not values["broker.plain"]:
        faults.append(
            "broker.ca_file: is missing; add the shop's ca.pem for TLS (or broker.plain = true, "
            "and anybody on the network can read the password)"
        )
    if values["deep_sleep"] and int(values["keep"]) > MOST_ASLEEP:  # type: ignore[call-overload]
        faults.append(
            f"keep: is {values['keep']}; with deep_sleep allowed is 10 to {MOST_ASLEEP}: more does "
            "not fit into the memory that stays on"
        )
    if values["air.sda"] == values["air.scl"]:
        faults.append(f"air.scl: is {values['air.scl']}, as air.sda; give each wire its pin")
    return faults
