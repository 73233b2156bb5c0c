"""What the watch sees of itself: its disk, its machine's clock, what others say to it."""

from __future__ import annotations

import shutil
import time
from collections import deque
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.service.troubles import Room, Seen
from envmon.store.sqlite import LIVE_FILE

if TYPE_CHECKING:
    from pathlib import Path

LOOK_EVERY_S = 1.0
ROOM_EVERY_S = 10.0
WORD_EVERY_S = 5.0
NOTICE_WORD = "notice.word"
"""File of the data folder in which the notice process says what is wrong."""
DOOR_WORD = "door.word"
"""File of the data folder in which the screens' server says who asks it for too much."""
DOOR_WORD_OLD_S = 15.0
"""So long such a word holds [s, real time]; while it goes on it is left anew."""
WORD_OLD_S = 60.0
"""A notice process that left no word for so long is dead or hangs [s, real time]."""
APART_S = 0.1
HOUR_S = 3_600.0
GROWTH_SPAN_S, GROWTH_SPANS = 600.0, 3
"""The size of the live file is noted so often [s, real time]; so many spans make a trend."""


class NoticeWord(msgspec.Struct, frozen=True):
    """What another process last said: nothing, or what is wrong.

    Attributes:
        text: What is wrong.
        at_s: When it said so, by the machine's monotonic time [s].
    """

    text: str = ""
    at_s: float = 0.0


class Told(NamedTuple):
    """What the watch knows without looking; see ``Seen``."""

    link_up: bool
    link_error: str
    store_error: str
    archive: str
    set_back: int
    flood: str = ""


def wall_lead_us() -> int:
    """Return the machine's time of day less the time since it started, sleep included [µs].

    It stays as it is until somebody sets the clock: after a sleep both have gone on.
    """
    while True:
        before_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        wall_s = time.time()
        after_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        # A process that was held between the two would see a jump where there was none.
        if after_s - before_s < APART_S:
            return round((wall_s - before_s) * 1e6)


def room_of(folder: Path, grows_bytes_h: float = 0.0) -> Room:
    """Return how full the disk of a folder is.

    Args:
        folder: The folder.
        grows_bytes_h: How fast what lies in it grows [bytes/h].
    """
    try:
        usage = shutil.disk_usage(folder)
    except OSError as error:
        return Room(0, 0, f"cannot look at the disk of {folder}: {error}; check the folder")
    return Room(usage.free, usage.total, "", grows_bytes_h)


class Growth:
    """How fast a file has steadily grown: the least of the last three spans.

    One import or copy is no trend. A live file grows for its first days, then takes up the room
    of what has been archived.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._seen: deque[tuple[float, int]] = deque(maxlen=GROWTH_SPANS + 1)

    def per_hour(self, real_s: float) -> float:
        """Return how fast it grows [bytes/h]; 0 where that is not known yet.

        Args:
            real_s: Time that passes evenly, now [s].
        """
        try:
            size = self._path.stat().st_size
        except OSError:
            return 0.0
        if not self._seen or real_s - self._seen[-1][0] >= GROWTH_SPAN_S:
            self._seen.append((real_s, size))
        if len(self._seen) <= GROWTH_SPANS:
            return 0.0
        spans = pairwise(self._seen)
        return max(0.0, min((n - m) / (t - s) for (s, m), (t, n) in spans)) * HOUR_S


def notice_word(folder: Path, *, expected: bool = False) -> str:
    """Return what is wrong with telling people; empty when nothing is.

    Args:
        folder: Data folder.
        expected: A notice process should run, and leave word again and again.
    """
    path = folder / NOTICE_WORD
    try:
        word = msgspec.json.decode(path.read_bytes(), type=NoticeWord)
    except FileNotFoundError:
        return f"nobody is told: {_SILENT}" if expected else ""
    except (OSError, msgspec.MsgspecError) as error:
        return f"cannot read {path}: {error}; start envmon again"
    # The monotonic time begins anew with the machine: a word from before may lie ahead of it.
    fresh = 0.0 <= time.monotonic() - word.at_s <= WORD_OLD_S
    if expected and not fresh:
        return f"nobody is told: {_SILENT}" + (f"; it last said: {word.text}" * bool(word.text))
    return word.text


def leave_word(path: Path, text: str) -> None:
    """Leave word for the watch, whole or not at all.

    Args:
        path: Which word.
        text: What is wrong; empty when nothing is.

    Raises:
        OSError: It cannot be written.
    """
    fresh = path.with_name(f"{path.name}.new")
    fresh.write_bytes(msgspec.json.encode(NoticeWord(text, time.monotonic())))
    fresh.replace(path)


def door_word(folder: Path) -> str:
    """Return who asks the screens for too much at present; empty when nobody does.

    Args:
        folder: Data folder.
    """
    try:
        word = msgspec.json.decode((folder / DOOR_WORD).read_bytes(), type=NoticeWord)
    except FileNotFoundError:
        return ""
    except (OSError, msgspec.MsgspecError) as error:
        return f"cannot read {folder / DOOR_WORD}: {error}; start envmon again"
    fresh = 0.0 <= time.monotonic() - word.at_s <= DOOR_WORD_OLD_S
    return word.text if fresh else ""


_SILENT = f"the notice process has given no sign of life for {WORD_OLD_S:g} s; start envmon again"


class Senses:
    """Looks at the data folder and the machine, no more often than is of use.

    Args:
        folder: Data folder.
        expects_notice: A notice process should run; it has ``WORD_OLD_S`` to begin.
    """

    def __init__(self, folder: Path, *, expects_notice: bool = False) -> None:
        self._folder = folder
        self._expects_notice = expects_notice
        self._grace_s = time.monotonic() + WORD_OLD_S
        self._look_at = self._room_at = self._word_at = 0.0
        self._room = Room(0, 0)
        self._growth = Growth(folder / LIVE_FILE)
        self._word = self._asking = ""

    def due(self) -> bool:
        """Return whether it is time to look again."""
        return time.monotonic() >= self._look_at

    def seen(self, at_us: int, told: Told) -> Seen:
        """Look, and return what was seen.

        Args:
            at_us: Time now by the watch's clock [µs, UTC].
            told: What the watch knows already.
        """
        now = time.monotonic()
        self._look_at = now + LOOK_EVERY_S
        if now >= self._room_at:
            self._room_at = now + ROOM_EVERY_S
            self._room = room_of(self._folder, self._growth.per_hour(now))
        if now >= self._word_at:
            expected = self._expects_notice and now >= self._grace_s
            self._word_at = now + WORD_EVERY_S
            self._word = notice_word(self._folder, expected=expected)
            self._asking = door_word(self._folder)
        return Seen(
            at_us, now, wall_lead_us(), told.link_up, told.link_error, told.store_error,
            self._room, told.archive, self._word, told.set_back, told.flood,
            self._asking,
        )  # fmt: skip
