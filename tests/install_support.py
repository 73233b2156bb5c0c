"""A machine below a temporary folder: what ``envmon install`` makes, put in place and started."""

from __future__ import annotations

import getpass
import os
import shutil
import subprocess
import tempfile
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Self

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from envmon.field.authority_files import Wish as CertificateWish
from envmon.field.authority_files import ensure_certificates
from envmon.field.first_shop import Answers, BayAnswer, shop_text
from envmon.field.install import Wish, install
from envmon.service.broker import LOOPBACK, wait_until_listening
from envmon.shop.load import load_shop
from tests.benchmarks.broker_trials import free_port
from tests.mosquitto_support import MOSQUITTO, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

POINTS = """
[[point]]
id = "hall-air"
bay = "hall"
topic = "fjord_lane/hall/air"
stale_after = "10 min"
reads = { air_temp_c = { name = "t" }, rel_hum_pct = { name = "rh" } }

[[point]]
id = "yard"
topic = "fjord_lane/yard/air"
reads = { outdoor_temp_c = { name = "t" } }
"""


class Trial(NamedTuple):
    """A machine's folders below ``root``, with a shop and its broker's ports."""

    root: Path
    port: int
    tls_port: int

    @property
    def shop_path(self) -> Path:
        return self.root / "etc/envmon/shop.toml"

    @property
    def out(self) -> Path:
        return self.root / "envmon-files"

    @property
    def data(self) -> Path:
        return self.root / "var/lib/envmon"

    @property
    def scripts(self) -> Path:
        return self.root / "usr/local/lib/envmon"

    @property
    def backups(self) -> Path:
        return self.root / "var/backups/envmon"

    def password(self, user: str) -> str:
        return (self.out / "nodes" / user / "password").read_text(encoding="utf-8").strip()

    def wish(self, **other: Any) -> Wish:
        wish = Wish(self.shop_path, self.out, "localhost", (), self.tls_port, root=self.root)
        return wish._replace(**{"user": getpass.getuser(), **other})

    def make(self, **other: Any) -> list[str]:
        return install(load_shop(self.shop_path), self.wish(**other))

    def put(self) -> None:
        """Bring the files to their places without a look at broker and certificates."""
        tree = self.out / "root" / self.root.relative_to("/")
        shutil.copytree(tree, self.root, dirs_exist_ok=True)
        self.data.mkdir(parents=True, exist_ok=True)
        self.backups.mkdir(parents=True, exist_ok=True)

    def run(
        self, script: str, *arguments: str, **environment: str
    ) -> subprocess.CompletedProcess[str]:
        """Run a script that was put in place, or put-in-place.sh itself."""
        path = self.out / script if script == "put-in-place.sh" else self.scripts / script
        return subprocess.run(
            [str(path), *arguments], env={**os.environ, **environment}, capture_output=True,
            text=True, check=False, timeout=300,
        )  # fmt: skip


@contextmanager
def trial(points: str = POINTS) -> Iterator[Trial]:
    """Lay out a machine; its broker gives up root's rights, so others may look into its folders."""
    with tempfile.TemporaryDirectory(prefix="envmon-trial-") as folder:
        root = Path(folder)
        root.chmod(0o755)
        machine = Trial(root, free_port(), free_port())
        answers = Answers(
            "Fjord Lane", "fjord_lane", bays=(BayAnswer("Hall"),), broker="mosquitto",
            data=str(machine.data),
        )  # fmt: skip
        machine.shop_path.parent.mkdir(parents=True)
        text = shop_text(answers, machine.shop_path).replace("1883", str(machine.port)) + points
        machine.shop_path.write_text(text, encoding="utf-8")
        wish = CertificateWish("Fjord Lane", ())
        ensure_certificates(machine.shop_path.parent / "tls", wish, datetime.now(UTC))
        yield machine


@contextmanager
def broker_of(machine: Trial) -> Iterator[subprocess.Popen[str]]:
    """Start a real Mosquitto with the files as they were put in place."""
    config = machine.root / "etc/mosquitto/mosquitto.conf"
    process = subprocess.Popen(
        [str(MOSQUITTO), "-c", str(config)], stderr=subprocess.PIPE, text=True
    )
    try:
        wait_until_listening(LOOPBACK, machine.port, 30)
        wait_until_listening(LOOPBACK, machine.tls_port, 30)
        yield process
    finally:
        process.terminate()
        process.wait(30)
        if process.stderr is not None:
            process.stderr.close()


class Guest:
    """A client with a log-in; what it hears, and whether it was let in.

    Args:
        machine: The machine.
        user: Its name, or None for nobody.
        tls: Whether it comes by the port for nodes.
        password: Another password than the right one.
        client_id: Name it asks for.
    """

    def __init__(
        self,
        machine: Trial,
        user: str | None,
        *,
        tls: bool = True,
        password: str | None = None,
        client_id: str = "",
    ) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.reason = ""
        self.ended = False
        self.client = Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, reconnect_on_failure=False
        )
        if user is not None:
            self.client.username_pw_set(user, password or machine.password(user))
        if tls:
            self.client.tls_set(ca_certs=str(machine.shop_path.parent / "tls/ca.pem"))
        self.client.on_connect = self._met
        self.client.on_disconnect = self._left
        self.client.on_message = lambda _c, _d, m: self.heard.append((m.topic, bytes(m.payload)))
        self._granted: list[int] = []
        self.client.on_subscribe = lambda _c, _d, _m, codes, _p: self._granted.extend(
            code.value for code in codes
        )
        self.client.connect("localhost", machine.tls_port if tls else machine.port)
        self.client.loop_start()
        wait_until(lambda: self.reason, "the broker's answer")

    def _met(self, _client: Client, _data: Any, _flags: Any, reason: Any, _rest: Any) -> None:
        self.reason = self.reason or str(reason)

    def _left(self, *_rest: Any) -> None:
        self.ended = True

    def hear(self, topic: str) -> int:
        """Subscribe; return the code of the broker: the quality of service, or 128."""
        self._granted.clear()
        self.client.subscribe(topic, 1)
        wait_until(lambda: self._granted, "the answer to a subscription")
        return self._granted[0]

    def say(self, topic: str, payload: str = "x", *, retain: bool = False) -> None:
        """Publish at QoS 1; returns when the broker has acknowledged."""
        self.client.publish(topic, payload, 1, retain=retain).wait_for_publish(30)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_rest: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        self.client._reset_sockets()  # one that was thrown out leaves its own open
