"""The lines of a CSV file in pieces, so that a file of any size needs the same memory."""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import zlib
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, Self

from envmon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from types import TracebackType

PIECE_BYTES = 4 * 1024 * 1024
LONGEST_LINE = 4_096
"""Bytes of a line; no row of readings comes near it."""

NEEDED = ("time", "point", "quantity", "value")
ALLOWED = (*NEEDED, "unit", "flag", "seen")
PASSED_OVER = "reason"
"""Column of a file of rejected rows, so that a repaired one can be imported as it is."""

FIELD_END = "\x1f"
"""Stands between the fields of a piece that had quotes in it."""
BAD_QUOTES = "\x1d"
"""Begins a line whose quotes do not pair."""


class Piece(NamedTuple):
    """Some whole lines of a file.

    Attributes:
        first_line: Line number of the first, from 1.
        text: The lines, without BOM and carriage returns.
    """

    first_line: int
    text: str

    def separated(self) -> tuple[str, str]:
        """Return the text to split and what its fields are split at; quotes are resolved."""
        if '"' not in self.text:
            return self.text, ","
        return "\n".join(_unquoted(line) for line in self.text.split("\n")), FIELD_END


def _unquoted(line: str) -> str:
    if '"' not in line:
        return line.replace(",", FIELD_END)
    try:
        return FIELD_END.join(next(csv.reader([line], strict=True)))
    except csv.Error:
        return BAD_QUOTES


class _Counted(io.RawIOBase):
    """Bytes of a file, with its digest and how far it was read."""

    def __init__(self, handle: BinaryIO) -> None:
        self._handle, self.done, self.digest = handle, 0, hashlib.sha256()

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        count: int = self._handle.readinto(buffer)  # type: ignore[attr-defined]
        self.digest.update(memoryview(buffer)[:count])
        self.done += count
        return count

    def close(self) -> None:
        self._handle.close()
        super().close()


class CsvLines:
    """A CSV file (plain or gzip) read once from front to back.

    Args:
        path: The file; a name that ends in ``.gz`` is unpacked on the way.

    Raises:
        InputError: It cannot be read, is empty, or its header is not ours.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.total_bytes = ensure_file(path)
        self._raw = _Counted(path.open("rb", buffering=0))
        buffered = io.BufferedReader(self._raw, PIECE_BYTES)
        packed = path.suffix.lower() == ".gz"
        self._handle: BinaryIO = gzip.GzipFile(fileobj=buffered) if packed else buffered  # type: ignore[assignment]
        self._buffered = buffered
        try:
            self.header_text = self._header_line()
            self.header = checked_header(path, self.header_text)
        except BaseException:
            self.close()
            raise

    @property
    def done_bytes(self) -> int:
        """How much of the file has been read [bytes]."""
        return self._raw.done

    def sha256(self) -> str:
        """Return the digest of the whole file, reading what is left of it."""
        while self._buffered.read(PIECE_BYTES):
            pass
        return self._raw.digest.hexdigest()

    def _read(self, size: int) -> bytes:
        try:
            return self._handle.read(size)
        except (OSError, EOFError, zlib.error) as error:
            raise InputError(
                f"cannot read {self.path} any further: {error}; get the whole file again and "
                "import it, what is there already is passed over"
            ) from error

    def _header_line(self) -> str:
        data = bytearray()
        while not data.endswith(b"\n") and len(data) <= LONGEST_LINE:
            byte = self._read(1)
            if not byte:
                break
            data += byte
        if bytes(data[:2]) in {b"\xff\xfe", b"\xfe\xff"}:
            raise InputError(f"{self.path} is UTF-16; save it as CSV in UTF-8")
        try:
            return data.decode("utf-8-sig").rstrip("\r\n")
        except UnicodeDecodeError as error:
            raise InputError(f"{self.path} is no CSV file in UTF-8; save it as one") from error

    def pieces(self) -> Iterator[Piece]:
        """Yield the lines behind the header.

        Raises:
            InputError: The file cannot be read any further.
        """
        line, carry = 2, b""
        while block := self._read(PIECE_BYTES):
            cut = block.rfind(b"\n") + 1
            if not cut:
                # A line without end must not fill the memory; cut off, it is still too long.
                carry = (carry + block)[: LONGEST_LINE + 1]
                continue
            data, carry = carry + block[:cut], block[cut:]
            yield _piece(line, data)
            line += data.count(b"\n")
        if carry:
            yield _piece(line, carry)

    def close(self) -> None:
        """Release the file."""
        self._handle.close()
        self._buffered.close()
        self._raw.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _type: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None
    ) -> None:
        self.close()


def _piece(line: int, data: bytes) -> Piece:
    for byte in (b"\0", FIELD_END.encode(), BAD_QUOTES.encode()):
        if byte in data:
            data = data.replace(byte, b"\xff")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
    return Piece(line, data.decode("utf-8", errors="replace").removesuffix("\n"))


def ensure_file(path: Path) -> int:
    """Return the size of a file that can be read [bytes].

    Raises:
        InputError: It is not there, no file, not readable or empty.
    """
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder; give one CSV or Parquet file")
        with path.open("rb"):
            size = path.stat().st_size
    except OSError as error:
        raise InputError(f"cannot read {path}: {error.strerror}; check name and rights") from error
    if not size:
        raise InputError(f"{path} is empty; a header and rows are needed")
    return size


def checked_header(path: Path, text: str) -> list[str]:
    """Return the column names of a header line.

    Raises:
        InputError: A column is unknown, doubled or missing.
    """
    try:
        names = [name.strip() for name in next(csv.reader([text], strict=True), [])]
    except csv.Error:
        names = [text[:200]]
    allowed = f"needed are {', '.join(NEEDED)}; allowed besides {', '.join(ALLOWED[4:])}"
    for mark, what in ((";", "semicolons"), ("\t", "tabs")):
        if len(names) == 1 and mark in text:
            raise InputError(f"{path}: fields are separated by {what}; use commas; {allowed}")
    unknown = [name for name in names if name not in (*ALLOWED, PASSED_OVER)]
    if unknown:
        listed = ", ".join(repr(name[:60]) for name in unknown[:5])
        raise InputError(f"{path}: line 1 has the columns {listed}; {allowed}")
    doubled = [name for name in ALLOWED if names.count(name) > 1]
    if doubled:
        raise InputError(f"{path}: line 1 has the column {doubled[0]} twice; leave one")
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise InputError(f"{path}: line 1 lacks the column {', '.join(missing)}; {allowed}")
    return names
