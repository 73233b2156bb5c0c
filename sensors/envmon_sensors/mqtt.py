"""A simulated node's client: the connection of a real node, with a memory instead of a disk."""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING

from envmon_node.link import Account, Letter, NodeLink

if TYPE_CHECKING:
    from collections.abc import Iterable

BUFFER_PACKS = 20_000


class MemoryBox:
    """What waits for the broker, in memory; when it is full the oldest is lost and counted.

    Args:
        keep: Most packs that may wait.
    """

    def __init__(self, keep: int) -> None:
        self.lost = 0
        self._keep, self._seq = keep, 0
        self._letters: dict[int, Letter] = {}

    @property
    def waiting(self) -> int:
        """Packs that the broker has not acknowledged."""
        return len(self._letters)

    def append(self, topic: str, payload: bytes) -> None:
        """Take a pack for sending."""
        if len(self._letters) >= self._keep:
            del self._letters[next(iter(self._letters))]
            self.lost += 1
        self._seq += 1
        self._letters[self._seq] = Letter(self._seq, topic, payload, press=False)

    def next_letters(self, after: int, most: int) -> list[Letter]:
        """Return the oldest packs behind a place in the order."""
        # All that is older is on its way: a window's worth at most, so this skips little.
        behind = (letter for seq, letter in self._letters.items() if seq > after)
        return list(islice(behind, most))

    def remove(self, seqs: Iterable[int]) -> None:
        """Forget packs that the broker has acknowledged."""
        for seq in seqs:
            self._letters.pop(seq, None)


class NodeClient:
    """Sends a simulated node's packs in order, QoS 1, over broker outages.

    Args:
        name: Node name; the client id and the status topic follow from it.
        address: Host and port of the broker.
        buffer_packs: Most packs that may wait.
    """

    def __init__(
        self, name: str, address: tuple[str, int], buffer_packs: int = BUFFER_PACKS
    ) -> None:
        self._box = MemoryBox(buffer_packs)
        account = Account(*address, client_id="node-" + name.replace("/", "-"))
        self._link = NodeLink(account, f"shop/{name}/status", self._box, hold_s=0.0)

    @property
    def pending(self) -> int:
        """Packs not yet acknowledged."""
        return self._box.waiting

    @property
    def lost(self) -> int:
        """Packs lost to a full buffer."""
        return self._box.lost

    def send(self, topic: str, payload: bytes) -> None:
        """Take a pack for sending; the oldest waiting one is lost when the buffer is full."""
        self._box.append(topic, payload)

    def push(self) -> None:
        """Connect where that is needed, and send as far as the connection allows."""
        self._link.turn(0.0)

    def stop(self) -> None:
        """Say goodbye; what still waits is given up."""
        self._link.close()
