"""A measurement of the microcontroller's node on its whole way: TLS, the broker with the users and
rights that ``envmon install`` writes, the watch, the store."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from typing import TYPE_CHECKING

from envmon.field.authority_files import AUTHORITY
from envmon.field.install_broker import access_file, password_file
from envmon.field.install_nodes import nodes_of
from envmon.shop.load import check_text
from envmon.store.sqlite import LIVE_FILE, SqliteStore
from tests.micropython_support import AIR, NEEDS_MICROPYTHON, Board
from tests.mosquitto_support import wait_until
from tests.test_node_broker import LockedMosquitto

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from envmon.facts import Reading

pytestmark = NEEDS_MICROPYTHON

SHOP = f"""
[shop]
name = "Fjord Lane"
site = "fjord_lane"
timezone = "Europe/Oslo"
[[bay]]
id = "hall"
name = "Hall"
[[point]]
id = "air"
bay = "hall"
topic = "{AIR}"
reads = {{ air_temp_c = {{ name = "temp" }}, rel_hum_pct = {{ name = "rh" }} }}
"""


class InstalledMosquitto(LockedMosquitto):
    """A broker behind TLS, with users and rights as ``envmon install`` writes them."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        shop, faults = check_text(SHOP, "shop.toml")
        assert shop is not None, faults
        nodes = nodes_of(shop)
        words = {"envmon": "secret of envmon", **{n.user: f"secret of {n.user}" for n in nodes}}
        (folder / "passwords").write_text(password_file(words), encoding="utf-8")
        access = folder / "access"
        access.write_text(access_file(nodes), encoding="utf-8")
        access.chmod(0o600)
        with self._config.open("a", encoding="utf-8") as config:
            config.write(f"acl_file {access}\n")


@contextlib.contextmanager
def watch(folder: Path, broker: InstalledMosquitto) -> Iterator[Path]:
    """Run a watch, and give its data folder."""
    (folder / "secret").write_text("secret of envmon\n", encoding="utf-8")
    where = (
        f'[broker]\nkind = "external"\nhost = "localhost"\nport = {broker.port}\n'
        f'username = "envmon"\npassword_file = "{folder / "secret"}"\n'
        f'ca_file = "{broker.tls / AUTHORITY}"\n'
    )
    file = folder / "shop.toml"
    file.write_text(SHOP + where, encoding="utf-8")
    argv = [sys.executable, "-m", "envmon.service.watch_process", str(file)]
    with (folder / "watch.log").open("wb") as log:
        process = subprocess.Popen([*argv, "--data", str(folder / "data")], stderr=log)
    try:
        yield folder / "data"
    finally:
        process.kill()
        process.wait(30)


def stored(data: Path) -> list[Reading]:
    """Return all readings, in the order of time."""
    if not (data / LIVE_FILE).exists():
        return []
    store = SqliteStore(data)
    found = list(store.readings(0, 2**62))
    store.close()
    return sorted(found, key=lambda reading: reading.t_us)


def test_readings_of_the_node_are_in_the_store_once_and_with_their_own_time(tmp_path: Path) -> None:
    begin_us = time.time_ns() // 1_000
    with InstalledMosquitto(tmp_path) as broker, watch(tmp_path, broker) as data:
        wanted = {"host": "localhost", "ca_file": "ca.pem", "plain": False}
        board = Board(tmp_path, broker.port, speed=1, broker=wanted)
        board.say("ca.pem", (broker.tls / AUTHORITY).read_text("ascii"))
        with board:
            wait_until(lambda: len(stored(data)) >= 6, "three measurements in the store")
            broker.stop()
            board.wait_for(2)
            last = board.measured
            broker.start()
            wait_until(lambda: len(stored(data)) >= 2 * (last + 1), "what came since")
    found = stored(data)
    temps = [reading for reading in found if reading.quantity == "air_temp_c"]
    # SHT3x-DIS data sheet: -45 + 175 raw / (2^16 - 1), and the n-th raw number is 8 n.
    numbers = [round((one.value + 45) / 175 * 65535 / 8) for one in temps]
    # The broker keeps for the watch from its first connection on.
    assert numbers == list(range(numbers[0], numbers[0] + len(temps)))
    assert numbers[-1] > last
    assert {r.value for r in found if r.quantity == "rel_hum_pct"} == {50.0}
    assert begin_us < temps[0].t_us < temps[-1].t_us < time.time_ns() // 1_000
