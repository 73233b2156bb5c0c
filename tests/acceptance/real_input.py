"""Real input through a real broker: a weather year and the SenML examples, sent by mosquitto_pub.

``python tests/acceptance/real_input.py`` starts a Mosquitto and the watch, sends

* the open weather year of Sand Point (TMY3, NREL, in the pvlib wheel) as an outdoor sensor's
  SenML packs, 8 760 hours with times of their own;
* every example of RFC 8428 in ``fixtures/check/senml_vectors.json``, as a sensor would;
* payloads that cannot be read, in between;

and compares what the store holds with the file and with the resolved records.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

import pvlib  # noqa: E402 - run as a script

from envmon.service.heartbeat import HEARTBEAT_TOPIC  # noqa: E402
from envmon.store.sqlite import SqliteStore  # noqa: E402
from tests.mosquitto_support import Ear, Mosquitto, wait_until  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Iterator

VECTORS = ROOT / "fixtures" / "check" / "senml_vectors.json"
FIRST_HOUR_S = 1_735_689_600  # 2025-01-01T00:00:00Z
PACK_HOURS = 300
QUANTITY = {"Cel": "air_temp_c", "%RH": "rel_hum_pct"}
BAD = ("{", "[]", '[{"n":"temp","v":true}]', '[{"n":"temp","v":1e999}]', "\udcff")

SHOP = """
[shop]
name = "Ropewalk Vehicle Care"
site = "ropewalk"
timezone = "America/Anchorage"
[broker]
kind = "external"
port = {port}
[[bay]]
id = "one"
name = "Bay one"
[[point]]
id = "outdoor"
topic = "shop/outdoor"
reads.outdoor_temp_c = {{ name = "temp" }}
reads.outdoor_rel_hum_pct = {{ name = "rh" }}
reads.air_pressure_pa = {{ name = "p" }}
"""


@dataclass(frozen=True, slots=True)
class Sent:
    """What a sensor sends: topic, payload, and the readings that must come of it.

    ``readings`` maps (point, quantity, time [µs]) to the value; a time of None is arrival.
    """

    topic: str
    payload: str
    readings: dict[tuple[str, str, int | None], float]


def weather_year() -> Any:
    """Return the Sand Point year: dry bulb [°C], RH [%], pressure [mbar], by hour."""
    file = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    table, _ = pvlib.iotools.read_tmy3(file, map_variables=False, coerce_year=2025)
    return table[["Dry-bulb (C)", "RHum (%)", "Pressure (mbar)"]].to_numpy()


def weather_packs() -> Iterator[Sent]:
    """Yield the year in packs of a few hundred hours."""
    year = weather_year()
    for first in range(0, len(year), PACK_HOURS):
        records: list[dict[str, Any]] = [
            {"bn": "coast/", "bt": FIRST_HOUR_S + 3600 * first, "n": "start", "v": 0}
        ]
        readings: dict[tuple[str, str, int | None], float] = {}
        for place, (temp, rh, mbar) in enumerate(year[first : first + PACK_HOURS].tolist()):
            at_us = (FIRST_HOUR_S + 3600 * (first + place)) * 1_000_000
            for name, unit, value, quantity, kept in (
                ("temp", "Cel", temp, "outdoor_temp_c", temp),
                ("rh", "%RH", rh, "outdoor_rel_hum_pct", rh),
                ("p", "hPa", mbar, "air_pressure_pa", mbar * 100),
            ):
                records.append({"n": name, "u": unit, "v": value, "t": 3600 * place})
                readings["outdoor", quantity, at_us] = kept
        yield Sent("shop/outdoor", json.dumps(records), readings)


def examples() -> Iterator[tuple[Sent, str]]:
    """Yield every SenML example that brings °C or %RH, with the point that takes it."""
    for number, vector in enumerate(json.loads(VECTORS.read_text(encoding="utf-8"))):
        resolved = vector.get("resolved_by_independent_reading", vector["resolved"])
        wanted = [r for r in resolved if r.get("u") in QUANTITY and "v" in r]
        if not wanted:
            continue
        name = wanted[0]["n"]
        readings: dict[tuple[str, str, int | None], float] = {}
        quantity = QUANTITY[wanted[0]["u"]]
        for record in wanted:
            if record["n"] == name and QUANTITY[record["u"]] == quantity:
                own = None if "now_used" in vector else round(record["t"] * 1e6)
                readings[f"example-{number}", quantity, own] = float(record["v"])
        topic = f"examples/{number}"
        mixed = len({r.get("u") for r in resolved if r["n"] == name}) > 1
        if mixed:
            continue  # one name with several units (ex5) is no sensor of one quantity
        point = (
            f'[[point]]\nid = "example-{number}"\nbay = "one"\ntopic = "{topic}"\n'
            f'reads = {{ {quantity} = {{ name = "{name}" }} }}\n'
        )
        yield Sent(topic, json.dumps(vector["pack"]), readings), point


def publish(broker: Mosquitto, topic: str, payload: str) -> None:
    """Send one message with mosquitto_pub, the payload from its standard input."""
    argv = ["mosquitto_pub", "-p", str(broker.port), "-q", "1", "-t", topic, "-s"]
    data = payload.encode(errors="surrogateescape")
    subprocess.run(argv, input=data, check=True, timeout=30)


def compare(store: SqliteStore, sent: list[Sent]) -> list[str]:
    """Return what the store holds that is not what was sent, in words."""
    found = list(store.readings(0, 2**62))
    timed = {(r.point, r.quantity, r.t_us): r.value for r in found}
    untimed = {(r.point, r.quantity): r.value for r in found}
    wrong = []
    for message in sent:
        for (point, quantity, at_us), value in message.readings.items():
            if at_us is None:
                got = untimed.get((point, quantity))
            else:
                got = timed.get((point, quantity, at_us))
            if got is None or abs(got - value) > 1e-9 * max(1.0, abs(value)):
                wrong.append(f"{point} {quantity} at {at_us}: sent {value}, stored {got}")
    expected = sum(len(message.readings) for message in sent)
    if len(found) != expected:
        wrong.append(f"{expected} readings were sent, {len(found)} are stored")
    return wrong


def run(folder: Path) -> tuple[list[str], int, int]:
    """Send everything; return what is wrong, how many readings came, how many were refused."""
    pairs = list(examples())
    sent = [*weather_packs(), *(message for message, _ in pairs)]
    shop_file, data = folder / "shop.toml", folder / "data"
    with Mosquitto(folder) as broker:
        points = "\n".join(point for _, point in pairs)
        shop_file.write_text(SHOP.format(port=broker.port) + points, encoding="utf-8")
        argv = [sys.executable, "-m", "envmon.service.watch_process", str(shop_file)]
        watch = subprocess.Popen([*argv, "--data", str(data)], cwd=ROOT)
        try:
            # It speaks on a connection only after it has asked for its topics there.
            with Ear(broker.port, HEARTBEAT_TOPIC) as ear:
                wait_until(lambda: bool(ear.heard), "the watch to listen", 30)
            store = SqliteStore(data)
            for place, message in enumerate(sent):
                publish(broker, message.topic, message.payload)
                if place < len(BAD):
                    publish(broker, "shop/outdoor", BAD[place])
            last = next(iter(reversed(sent[-1].readings)))
            wait_until(
                lambda: (
                    (last[0], last[1]) in {(r.point, r.quantity) for r in store.readings(0, 2**62)}
                    and store.reject_total() == len(BAD)
                ),
                "the last message",
                60,
            )
            count = sum(1 for _ in store.readings(0, 2**62))
            return compare(store, sent), count, store.reject_total()
        finally:
            watch.terminate()
            watch.wait(20)


def main() -> int:
    """Run it in a folder that is thrown away; return the exit code."""
    with tempfile.TemporaryDirectory() as folder:
        wrong, count, refused = run(Path(folder))
    print(f"{count} readings stored, {refused} of {len(BAD)} bad payloads refused")
    print("\n".join(wrong[:20]) or "everything stored is what was sent")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
