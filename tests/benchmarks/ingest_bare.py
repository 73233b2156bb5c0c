"""The bare listener ingest is held against: paho and sqlite3, nothing looked at, nothing judged.

One thread drives paho's socket, reads all that is there, stores it in one transaction that is on
the disk when it returns, then acknowledges. Run by ``ingest.py``.
"""

from __future__ import annotations

import json
import select
import sqlite3
import sys
import time
from pathlib import Path

from paho.mqtt.client import Client, MQTTMessage, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

BATCH = 1_000
TOPIC = "shop/#"
CLIENT_ID = "bare"
FILE = "bare.sqlite3"


def new_client(inbox: list[MQTTMessage]) -> Client:
    """Return a client whose session is kept."""
    client = Client(
        CallbackAPIVersion.VERSION2, CLIENT_ID, clean_session=False, protocol=MQTTv311,
        manual_ack=True,
    )  # fmt: skip
    client.on_message = lambda _client, _data, message: inbox.append(message)
    return client


def connect(client: Client, port: int) -> None:
    """Connect and subscribe."""
    client.connect("127.0.0.1", port)
    while not client.is_connected():
        select.select([client.socket() or sys.exit("no connection")], [], [], 1.0)
        client.loop_read()
    client.subscribe(TOPIC, 1)
    print("ready", flush=True)


def opened(folder: Path) -> sqlite3.Connection:
    """Return a database in which a commit is on the disk when it returns."""
    database = sqlite3.connect(folder / FILE, isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute(
        "CREATE TABLE reading (series INTEGER, t_us INTEGER, value REAL,"
        " PRIMARY KEY (series, t_us)) WITHOUT ROWID"
    )
    return database


def take(client: Client, inbox: list[MQTTMessage]) -> list[MQTTMessage]:
    """Wait for a message, then read until nothing more is there or the batch is full."""
    select.select([client.socket() or sys.exit("connection lost")], [], [], 1.0)
    before = -1
    while before < len(inbox) < BATCH:
        before = len(inbox)
        client.loop_read()
    batch = inbox[:BATCH]
    del inbox[:BATCH]
    return batch


def listen(port: int, folder: Path, count: int) -> tuple[float, float, list[int]]:
    """Store and acknowledge messages.

    Returns:
        Time from the first message to the last acknowledgement, processor time [s], and for each
        reading how long after its own time it was on the disk [µs].
    """
    inbox: list[MQTTMessage] = []
    client = new_client(inbox)
    database = opened(folder)
    connect(client, port)
    ids: dict[str, int] = {}
    delays_us: list[int] = []
    done, begun, used = 0, 0.0, 0.0
    while done < count:
        messages = take(client, inbox)
        if not messages:
            continue
        begun, used = begun or time.perf_counter(), used or time.process_time()
        rows = []
        for message in messages:
            base = json.loads(message.payload)
            name, t_us = base[0]["bn"], round(base[0]["bt"] * 1e6)
            for record in base:
                series = ids.setdefault(name + record["n"], len(ids))
                rows.append((series, t_us, float(record["v"])))
        database.execute("BEGIN IMMEDIATE")
        database.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?)", rows)
        database.execute("COMMIT")
        now_us = time.time_ns() // 1_000
        delays_us += [now_us - t_us for _, t_us, _ in rows]
        for message in messages:
            client.ack(message.mid, 1)
        done += len(messages)
    seconds, cpu_s = time.perf_counter() - begun, time.process_time() - used
    client.disconnect()
    client.loop_write()
    database.close()
    return seconds, cpu_s, delays_us


if __name__ == "__main__":
    port, folder, count = sys.argv[1:]
    print(json.dumps(listen(int(port), Path(folder), int(count))))
