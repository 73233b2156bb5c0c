"""Loading a shop file: every fault at once, each with its line, value and way out."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING

from envmon.errors import Fault, ShopFileError
from envmon.shop.cross import check_whole, secrets
from envmon.shop.cross_work import sheets_ahead
from envmon.shop.locate import Lines, syntax_error_lines
from envmon.shop.raw import MISSING, Finding, Table, value_at
from envmon.shop.repair import Repaired
from envmon.shop.words import is_secret_key, path_text, show

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from envmon.shop.models import Shop

_HIDDEN = "(not shown)"
_DEEPEST = 20
LARGEST_FILE = 131_072
"""A shop of a hundred bays needs no more [bytes]; reading faults in it takes under a second."""
_AT_LINE = re.compile(r"^(?P<what>.*) \(at line (?P<line>\d+), column \d+\)$", re.DOTALL)
_WAY_OUT = (
    ("Cannot declare", "the section stands twice; write each [section] once, or [[ ]] for many"),
    ("Cannot overwrite", "the key stands twice; take one away"),
    ("Cannot mutate", "the table was closed before; write its keys in one place"),
    ("Duplicate", "the key stands twice; take one away"),
    ("Invalid value", 'write text in quotes (name = "x") and numbers with a point'),
    ("Expected '='", "write key = value, one on a line"),
    ("Expected newline", "write one key = value on a line; text stands in quotes"),
    ("Unterminated", "close it with the same mark it began with"),
    ("Unclosed", "close it with its bracket"),
    ("Illegal character", "take the character away; text ends with a quote on its own line"),
)


def load_shop(path: Path) -> Shop:
    """Read and check a shop file.

    Raises:
        ShopFileError: With every fault of the file.
    """
    shop, faults = check_text(_read(path), str(path))
    if shop is None or faults:
        raise ShopFileError(str(path), faults)
    return shop


def ensure_dated(path: Path, today: date) -> None:
    """Refuse sheets dated after today, in a shop file without other faults.

    Only a person's check asks for it: a shop must run on a machine whose clock is not set yet.

    Raises:
        ShopFileError: With each such sheet.
    """
    text = _read(path).removeprefix("\ufeff")
    data = tomllib.loads(text)
    found = list(sheets_ahead(data, today))
    if found:
        lines = Lines(text)
        raise ShopFileError(str(path), [_fault(f, lines, _value_text(data, f)) for f in found])


def check_text(text: str, file: str) -> tuple[Shop | None, list[Fault]]:
    """Check the text of a shop file; with any fault there is no shop.

    Args:
        text: The file's content.
        file: Its name, for messages.
    """
    if not text.strip("\ufeff \t\r\n"):
        return None, [Fault("", 1, "", f"{file} is empty; it needs at least [shop] and [[bay]]")]
    faults = _byte_order_mark(text)
    text = text.removeprefix("\ufeff")
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        return None, faults + _syntax_faults(text, error)
    if _too_deep(data):
        message = f"tables or lists are nested more than {_DEEPEST} deep; a shop file needs 5"
        return None, [*faults, Fault("", 1, "", message)]
    shop, found = _check_data(text, data)
    return (None if faults or found else shop), faults + found


def fault_lines(error: ShopFileError) -> list[str]:
    """Return one line for each fault: ``file:line: path: message``."""
    return [_fault_line(error.file, fault) for fault in error.faults]


def _fault_line(file: str, fault: Fault) -> str:
    place = f"{file}:{fault.line}" if fault.line else file
    return ": ".join(part for part in (place, fault.path, fault.message) if part)


def _read(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE + 1)
    except IsADirectoryError:
        raise _unreadable(path, "is a folder; name the shop file in it") from None
    except FileNotFoundError:
        raise _unreadable(path, "does not exist; check the name and the folder") from None
    except (OSError, ValueError) as error:
        raise _unreadable(path, f"cannot be read ({error}); check its name and rights") from error
    if len(content) > LARGEST_FILE:
        raise _unreadable(path, f"has over {LARGEST_FILE} bytes; is it a shop file?")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        wide = content.startswith((b"\xff\xfe", b"\xfe\xff"))
        kind = "looks like UTF-16" if wide else f"has byte 0x{content[error.start]:02x} here"
        message = f"is not UTF-8: {kind}; save the file as UTF-8"
        line = 1 if wide else content.count(b"\n", 0, error.start) + 1
        raise _unreadable(path, message, line) from error


def _unreadable(path: Path, message: str, line: int = 0) -> ShopFileError:
    return ShopFileError(str(path), [Fault("", line, "", f"the file {message}")])


def _byte_order_mark(text: str) -> list[Fault]:
    if not text.startswith("\ufeff"):
        return []
    message = "the file begins with a byte order mark; save it as UTF-8 without one (no BOM)"
    return [Fault("", 1, "U+FEFF", message)]


def _syntax_faults(text: str, error: Exception) -> list[Fault]:
    lines = text.split("\n")
    at_line = _AT_LINE.match(str(error))
    if at_line:
        what, line = at_line["what"], int(at_line["line"])
    elif isinstance(error, RecursionError):
        return [Fault("", 1, "", "lists or tables are nested too deep to be read; flatten them")]
    else:
        what, line = str(error).removesuffix(" (at end of document)"), _last_line(lines)
    faults = [_syntax_fault(lines, line, what)]
    for first, last in syntax_error_lines(text):
        if not first <= line <= last:
            faults.append(_syntax_fault(lines, first, "this cannot be read"))
    return sorted({fault.line: fault for fault in reversed(faults)}.values(), key=_by_line)


def _syntax_fault(lines: list[str], line: int, what: str) -> Fault:
    value = lines[line - 1].strip() if line <= len(lines) else ""
    if is_secret_key(value.split("=")[0]):
        value = _HIDDEN
    if what.startswith("Exceeds the limit"):
        return Fault("", line, "", "a whole number has thousands of digits; shorten it")
    way_out = next((text for start, text in _WAY_OUT if what.startswith(start)), "correct the line")
    seen = value if value == _HIDDEN else show(value)
    return Fault("", line, value[:60], f"not valid TOML: {what}; the line is {seen}; {way_out}")


def _last_line(lines: list[str]) -> int:
    return max((number for number, line in enumerate(lines, 1) if line.strip()), default=1)


def _by_line(fault: Fault) -> tuple[int, str]:
    return fault.line, fault.path


def _too_deep(data: Table) -> bool:
    level: list[object] = [data]
    for _ in range(_DEEPEST):
        level = [
            inner
            for value in level
            if isinstance(value, dict | list)
            for inner in (value.values() if isinstance(value, dict) else value)
        ]
    return bool(level)


def _check_data(text: str, data: Table) -> tuple[Shop | None, list[Fault]]:
    repaired = Repaired(data)
    whole = [f._replace(path=repaired.as_written(f.path)) for f in check_whole(repaired.data)]
    hidden = list(secrets(data))
    private = {finding.path for finding in hidden}
    open_findings = [f for f in repaired.findings + whole if f.path not in private]
    lines = Lines(text)
    faults = [_fault(f, lines, _HIDDEN) for f in hidden]
    faults += [_fault(f, lines, _value_text(data, f)) for f in dict.fromkeys(open_findings)]
    return repaired.shop, sorted(faults, key=_by_line)


def _value_text(data: Table, finding: Finding) -> str:
    value = value_at(data, finding.path)
    return "" if value is MISSING else show(value)


def _fault(finding: Finding, lines: Lines, value: str) -> Fault:
    return Fault(path_text(finding.path), lines.line(finding.path), value, finding.message)
