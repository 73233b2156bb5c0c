"""What edges on a line mean: pulses of a meter, or presses of a button. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon_node.gpio import Change

How = Literal["press", "double", "hold"]
_SECOND_NS = 1_000_000_000


class PulseCount:
    """Counts closing edges by the kernel's numbers, so that a full queue loses no pulse."""

    def __init__(self) -> None:
        self._last = 0

    def update(self, changes: Sequence[Change]) -> int:
        """Take edges in; return how many pulses came, those included that the queue lost."""
        before = self._last
        for change in changes:
            self._last = max(self._last, change.number)
        return self._last - before


class Timing(NamedTuple):
    """How long presses last.

    Attributes:
        double_s: A second press within this time makes a double one; 0: there are none, and a
            press is told at once [s].
        hold_s: A press as long as this is a hold, told while the button is still down [s].
    """

    double_s: float = 0.4
    hold_s: float = 0.8


class Gesture:
    """Turns a button's edges into presses.

    A button that is down when this begins says nothing until it has been let go.

    Args:
        timing: How long presses last.
    """

    def __init__(self, timing: Timing) -> None:
        self._double_ns = round(timing.double_s * _SECOND_NS)
        self._hold_ns = round(timing.hold_s * _SECOND_NS)
        self._down_at: int | None = None
        self._waiting_since: int | None = None

    def update(self, change: Change) -> Iterator[How]:
        """Take an edge in; yield the presses that it ends."""
        yield from self.look(change.at_ns)
        if not change.closed:
            yield from self._let_go(change.at_ns)
        elif self._waiting_since is not None:
            self._waiting_since = None
            yield "double"
        elif self._down_at is None:
            self._down_at = change.at_ns

    def _let_go(self, at_ns: int) -> Iterator[How]:
        if self._down_at is None:
            return
        self._down_at = None
        if self._double_ns:
            self._waiting_since = at_ns
        else:
            yield "press"

    def look(self, now_ns: int) -> Iterator[How]:
        """Yield the presses that time alone has ended."""
        if self._down_at is not None and now_ns - self._down_at >= self._hold_ns:
            self._down_at = None
            yield "hold"
        if self._waiting_since is not None and now_ns - self._waiting_since >= self._double_ns:
            self._waiting_since = None
            yield "press"

    def wait_s(self, now_ns: int) -> float:
        """Return after how long to look again where no edge comes, at most a second [s]."""
        ends = []
        if self._down_at is not None:
            ends.append(self._down_at + self._hold_ns)
        if self._waiting_since is not None:
            ends.append(self._waiting_since + self._double_ns)
        if not ends:
            return 1.0
        return min(1.0, max(0.0, (min(ends) - now_ns) / _SECOND_NS))
