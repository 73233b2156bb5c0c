"""Loading a node file: every fault at once, each with its place, value and what is allowed."""

from __future__ import annotations

import difflib
import os
import tomllib
from typing import TYPE_CHECKING, Any, get_args

from pydantic import BaseModel, ValidationError

from envmon.errors import EnvmonError
from envmon_node.config import AnySensor, BrokerInfo, NodeFile, NodeInfo
from envmon_node.link import Account

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

_SENSORS: tuple[type[BaseModel], ...] = get_args(get_args(AnySensor)[0])
KINDS: dict[str, type[BaseModel]] = {
    kind: model for model in _SENSORS for kind in get_args(model.model_fields["kind"].annotation)
}
OWN_NAMES = ("status", "node", "clock", "disk")
"""What the node speaks of itself, in its topics and among its troubles."""
_SECTIONS: dict[str, type[BaseModel]] = {"node": NodeInfo, "broker": BrokerInfo}
_MEANS = {
    "string_type": "allowed is text in quotes",
    "int_type": "allowed is a whole number",
    "float_type": "allowed is a number",
    "bool_type": "allowed is true or false",
    "tuple_type": "allowed is a list of [[sensor]]",
    "dict_type": 'allowed is a table such as { surface = "°C" }',
}


class NodeFileError(EnvmonError):
    """A node file has faults; all of them are in ``lines``."""

    def __init__(self, file: str, faults: list[str]) -> None:
        self.lines = [f"{file}: {fault}" for fault in faults]
        super().__init__("\n".join(self.lines))


def load_node(path: Path) -> NodeFile:
    """Read and check a node file.

    Raises:
        NodeFileError: With every fault of the file.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise NodeFileError(str(path), [f"cannot be read: {error.strerror}"]) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise NodeFileError(str(path), [f"not valid TOML in UTF-8: {error}"]) from error
    return checked(data, str(path))


def checked(data: Mapping[str, Any], file: str) -> NodeFile:
    """Return the models of a node file's content.

    Raises:
        NodeFileError: With every fault.
    """
    try:
        node = NodeFile.model_validate(data)
    except ValidationError as error:
        faults = [_fault(one, data) for one in error.errors() if not _only_follows(one)]
        raise NodeFileError(file, faults) from None
    twice = list(_twice(node))
    if twice:
        raise NodeFileError(file, twice)
    return node


def _twice(node: NodeFile) -> Iterator[str]:
    seen = set(OWN_NAMES)
    for number, sensor in enumerate(node.sensor, 1):
        if sensor.called in seen:
            yield (
                f"sensor[{number}].name: {sensor.called!r} is taken by another sensor or by the "
                f"node itself ({', '.join(OWN_NAMES)}); give each sensor a name of its own"
            )
        seen.add(sensor.called)


def _only_follows(error: Mapping[str, Any]) -> bool:
    """Return whether a list counts as empty only because what is in it has faults."""
    return error["type"] == "too_short" and bool(error["input"])


def _fault(error: Mapping[str, Any], data: Mapping[str, Any]) -> str:
    path = tuple(part for part in error["loc"] if not (part in KINDS and error["loc"][0] != part))
    place = ".".join(f"[{p + 1}]" if isinstance(p, int) else str(p) for p in path)
    return f"{place.replace('.[', '[')}: {_what(error, path, data)}"


def _what(error: Mapping[str, Any], path: tuple[Any, ...], data: Mapping[str, Any]) -> str:
    kind, value = error["type"], error["input"]
    if kind == "missing":
        return _missing(path)
    if kind == "extra_forbidden":
        return _unknown(path, data)
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        given = value.get("kind") if isinstance(value, dict) else value
        return f"kind is {given!r}; allowed are {', '.join(KINDS)}"
    if kind == "too_short":
        return "is empty; add at least one"
    if kind == "value_error":
        return str(error["ctx"]["error"])
    message = _MEANS.get(kind, str(error["msg"]).replace("Input should", "should"))
    return f"is {_shown(path, value)}; {message}"


def _missing(path: tuple[Any, ...]) -> str:
    if path == ("sensor",):
        return "there is none yet; put in the [[sensor]] tables that envmon-node find prints"
    return "is missing; add it" if len(path) > 1 else f"section {path[0]} is missing; add it"


def _shown(path: tuple[Any, ...], value: object) -> str:
    hidden = any("password" in str(part) for part in path)
    return "(not shown)" if hidden else f"{value!r:.60}"


def _unknown(path: tuple[Any, ...], data: Mapping[str, Any]) -> str:
    allowed = list(_allowed(path, data))
    near = difflib.get_close_matches(str(path[-1]), allowed, 1)
    meant = f"did you mean {near[0]}? " if near else ""
    return f"not known here; {meant}allowed are {', '.join(allowed)}"


def _allowed(path: tuple[Any, ...], data: Mapping[str, Any]) -> list[str]:
    if len(path) == 1:
        return list(NodeFile.model_fields)
    if path[0] in _SECTIONS:
        return list(_SECTIONS[path[0]].model_fields)
    return list(KINDS[data["sensor"][path[1]]["kind"]].model_fields)


def account_of(node: NodeFile, file: Path, environment: Mapping[str, str] = os.environ) -> Account:
    """Return how to log in at the broker, with the password.

    Args:
        node: The node file.
        file: Where it is; relative files are beside it.
        environment: Variables of this process.

    Raises:
        NodeFileError: The password cannot be found.
    """
    broker = node.broker
    return Account(
        broker.host,
        broker.port,
        "node-" + node.node.topic.replace("/", "-"),
        broker.username,
        _password(broker, file, environment),
        file.parent / broker.ca_file if broker.ca_file else None,
    )


def _password(broker: BrokerInfo, file: Path, environment: Mapping[str, str]) -> str | None:
    if broker.password_env:
        if broker.password_env not in environment:
            fault = f"broker.password_env: the variable {broker.password_env} is not set"
            raise NodeFileError(str(file), [fault])
        return environment[broker.password_env]
    if broker.password_file:
        path = file.parent / broker.password_file
        try:
            return path.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            fault = f"broker.password_file: {path} cannot be read: {error}"
            raise NodeFileError(str(file), [fault]) from error
    return None
