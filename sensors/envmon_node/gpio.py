"""Edges on a GPIO line, through the kernel's character device (libgpiod 2).

A line is known by the name that the device tree gives it, such as ``GPIO17``: chips are numbered
in the order they were found. The kernel takes the bounce out and keeps time and number of each
edge, so that none is lost while this process is busy: its queue is short, but the numbers go on.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple, Protocol

from envmon.errors import PayloadError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gpiod import Chip, LineRequest
    from gpiod.line import Bias, Edge

BiasName = Literal["pull-up", "pull-down", "none"]


class Wire(NamedTuple):
    """How a contact is wired.

    Attributes:
        line: Name of the line, such as ``GPIO17``.
        chip: Label of the chip, such as ``pinctrl-bcm2711``, or None: any that has the line.
        bias: Resistor inside the machine.
        active_low: The contact pulls the line to ground.
        debounce_ms: Changes shorter than this are bounce [ms].
        both: Both edges count, not only the closing one.
    """

    line: str
    chip: str | None
    bias: BiasName
    active_low: bool
    debounce_ms: float
    both: bool


class Change(NamedTuple):
    """An edge.

    Attributes:
        at_ns: When [ns, monotonic].
        closed: Whether the contact closed.
        number: Number the kernel gave it, from 1; a gap tells of edges that were not kept.
    """

    at_ns: int
    closed: bool
    number: int


class Line(Protocol):
    """An open line."""

    def changes(self, wait_s: float) -> Sequence[Change]:
        """Return edges that have come, waiting at most ``wait_s`` [s] for the first."""
        ...

    def close(self) -> None:
        """Release the line."""
        ...


class GpiodLine:
    """A line requested from the kernel.

    Args:
        request: What gpiod returned for it.
    """

    def __init__(self, request: LineRequest) -> None:
        self._request = request

    def changes(self, wait_s: float) -> list[Change]:
        """Return edges that have come, waiting at most ``wait_s`` [s] for the first.

        Raises:
            PayloadError: The chip is gone.
        """
        try:
            if not self._request.wait_edge_events(timedelta(seconds=wait_s)):
                return []
            events = self._request.read_edge_events()
        except OSError as error:
            raise PayloadError(f"the line cannot be read any more: {error}") from error
        rising = events[0].Type.RISING_EDGE if events else None
        return [Change(e.timestamp_ns, e.event_type is rising, e.line_seqno) for e in events]

    def close(self) -> None:
        """Release the line."""
        self._request.release()


def open_line(wire: Wire, root: Path = Path("/")) -> GpiodLine:
    """Request a line from the kernel.

    Raises:
        PayloadError: No chip has the line, it is taken or not ours, or gpiod is not installed.
    """
    try:
        import gpiod  # noqa: PLC0415 - only where a line is used
    except ImportError:
        raise PayloadError(
            "gpiod is not installed; install envmon with its extra: envmon[node]"
        ) from None
    try:
        path = _chip_of(wire, root)
        settings = gpiod.LineSettings(
            direction=gpiod.line.Direction.INPUT,
            edge_detection=_edge(wire),
            bias=_bias(wire.bias),
            active_low=wire.active_low,
            debounce_period=timedelta(milliseconds=wire.debounce_ms),
        )
        return GpiodLine(gpiod.request_lines(path, {wire.line: settings}, consumer="envmon-node"))
    except OSError as error:
        raise PayloadError(
            f"line {wire.line}: {error}; another program may have it, or the node's user is not in "
            "group gpio"
        ) from error


def _edge(wire: Wire) -> Edge:
    from gpiod.line import Edge  # noqa: PLC0415 - only where a line is used

    # With active_low the kernel counts logically: closing is always rising.
    return Edge.BOTH if wire.both else Edge.RISING


def _bias(name: BiasName) -> Bias:
    from gpiod.line import Bias  # noqa: PLC0415 - only where a line is used

    return {
        "pull-up": Bias.PULL_UP,
        "pull-down": Bias.PULL_DOWN,
        "none": Bias.DISABLED,
    }[name]


def _chip_of(wire: Wire, root: Path) -> str:
    """Return the path of the chip that has the line."""
    import gpiod  # noqa: PLC0415 - only where a line is used

    labels = []
    for path in sorted((root / "dev").glob("gpiochip*")):
        with gpiod.Chip(str(path)) as chip:
            label = chip.get_info().label
            labels.append(label)
            if wire.chip in {None, label} and _has(chip, wire.line):
                return str(path)
    where = f"chip {wire.chip}" if wire.chip else "any GPIO chip"
    raise PayloadError(
        f"no line {wire.line} on {where}; chips here: {', '.join(labels) or 'none'}; "
        "`gpioinfo` lists the names of all lines"
    )


def _has(chip: Chip, line: str) -> bool:
    try:
        chip.line_offset_from_id(line)
    except OSError:
        return False
    return True
