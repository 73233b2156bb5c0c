"""What a flooder costs the others while the watch is away and the broker goes on.

``python tests/acceptance/hostile_away.py [MINUTES] [PER_SECOND]``

Mosquitto with the numbers of the install's own file keeps what comes for the watch's session. One
client floods; an honest node, which keeps on its own disk what the broker has not acknowledged,
sends a reading each 0.1 s. Then the watch's session comes back, and what is missing is counted: the
broker acknowledges also what finds no room in the session.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from envmon.intake.link import BrokerLink  # noqa: E402 - run as a script
from tests.acceptance.hostile_flood import Flood  # noqa: E402
from tests.link_support import wait_up  # noqa: E402
from tests.mosquitto_support import Mosquitto, wait_until  # noqa: E402
from tests.node_process import SENSOR, CountingDevice, NodeProcess  # noqa: E402

TEMPLATE = ROOT / "envmon/field/templates/mosquitto.conf"
KEPT = ("autosave_", "max_queued", "max_inflight", "persistent_client", "message_size")


def settings() -> str:
    """Return what the install's file says of keeping and queues."""
    lines = TEMPLATE.read_text(encoding="utf-8").splitlines()
    return "\n".join(line for line in lines if line.startswith(KEPT))


class Queueing(Mosquitto):
    """A broker with the install's own numbers."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        text = self._config.read_text(encoding="utf-8")
        own = [line for line in text.splitlines() if not line.startswith(KEPT)]
        self._config.write_text("\n".join([*own, settings(), ""]), encoding="utf-8")

    def rss_mib(self) -> float:
        """Return the memory of the broker."""
        assert self.process is not None
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return pages * 4_096 / 2**20


def session(port: int) -> BrokerLink:
    """Return the watch's session, connected."""
    link = BrokerLink("127.0.0.1", port, "envmon-away", ["shop/#", "flood/#"])
    wait_up(link)
    return link


def numbers(link: BrokerLink, newest: int) -> tuple[set[int], int]:
    """Return the honest numbers that come, and how many messages of the flood.

    Args:
        link: The session.
        newest: It is heard out when a number beyond this has come.
    """
    found: set[int] = set()
    flooded, until = 0, time.monotonic() + 600
    while not any(number > newest for number in found):
        assert time.monotonic() < until, "nothing new of the node within 10 min"
        messages = link.take(0.2)
        for message in messages:
            if message.topic == SENSOR:
                found.add(round(float(message.payload.split(b'"v":')[1].split(b"}")[0])))
            else:
                flooded += message.topic.startswith("flood/")
        link.acknowledge(messages)
    return found, flooded


def main() -> int:
    """Run it and print what was lost; return 0, as it judges nothing."""
    minutes = float(sys.argv[1]) if sys.argv[1:] else 10.0
    per_s = float(sys.argv[2]) if sys.argv[2:] else 1_000.0
    with (
        tempfile.TemporaryDirectory(prefix="envmon-away-") as name,
        Queueing(Path(name)) as broker,
        CountingDevice() as device,
        NodeProcess(Path(name), broker.port, device),
    ):
        link = session(broker.port)
        wait_until(lambda: [m for m in link.take(0.1) if m.topic == SENSOR], "the node")
        link.close()
        first = device.answered
        payload = b'[{"n":"temp","v":20.5}]'
        with Flood(broker.port, lambda _n: ("flood/air", payload), per_s) as flood:
            device.wait_for(1)
            time.sleep(minutes * 60)  # the time itself is what is tried
            sent, last, mib = flood.acknowledged, device.answered, broker.rss_mib()
        link = session(broker.port)
        found, flooded = numbers(link, last + 20)
        link.close()
    wanted = set(range(first + 1, last + 1))
    lost = sorted(wanted - found)
    print(
        f"away {minutes:g} min; flooder sent {sent}, {flooded} of them kept; broker {mib:.0f} MiB"
    )
    print(f"honest node: {len(wanted)} readings acknowledged, {len(lost)} of them lost")
    if lost:
        print(f"the first lost after {(lost[0] - first) / 10:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
