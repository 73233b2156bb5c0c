"""A shop with sensors to calibrate, and the watch's turn with them on a real store."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envmon.clock import iso_from_us
from envmon.facts import CALIBRATION_ACCEPTED, NewEvent, Reading
from envmon.intake.calibration_record import Line, line_from_pairs
from envmon.intake.decode import Decoder
from envmon.service.calibration.desk import Recalibration
from envmon.shop.load import check_text
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from pathlib import Path

START_US = 1_769_500_800_000_000
"""2026-01-27T08:00:00Z; second 0 of every test."""

SHOP = """
[shop]
name = "Skerry Lane Detailing"
site = "skerry_lane"
timezone = "Europe/Oslo"

[[bay]]
id = "north"
name = "North bay"

[[bay]]
id = "south"
name = "South bay"

[[point]]
id = "{1}-air"
bay = "{1}"
topic = "shop/+/air"
stale_after = "90 s"
reads = { air_temp_c = { name = "t", offset = -0.3 }, rel_hum_pct = { name = "h", \
two_point = [[34.1, 33.1], [76.9, 75.5]] } }

[[point]]
id = "outdoor"
topic = "shop/outdoor"
stale_after = "30 min"
reads = { outdoor_temp_c = { name = "t" } }

[[point]]
id = "boiler"
topic = "shop/boiler"
reads = { heater_on = { name = "on" } }
"""
PLAIN_LINE = Line(1.0, 0.0)


def record_data(
    pairs: tuple[tuple[float, float], ...] = ((40.0, 42.0), (70.0, 75.0)),
    shown_by: Line = PLAIN_LINE,
    **other: Any,
) -> dict[str, Any]:
    """Return the data of a sound record, some of it changed."""
    quantity = other.get("quantity", "rel_hum_pct")
    line = line_from_pairs(pairs, shown_by, quantity)
    return {
        "point": "north-air", "quantity": quantity, "gain": line.gain, "offset": line.offset,
        "pairs": [list(pair) for pair in pairs], "shown_by": list(shown_by), "by": "Siv",
        "checked": "2026-01-27", "due": "2026-07-26", "reference": "two salt jars",
    } | other  # fmt: skip


class Bench:
    """Decoder, store and calibrations, handled in the order in which the watch does it."""

    def __init__(self, folder: Path, text: str = SHOP) -> None:
        shop, faults = check_text(text, "calibration.toml")
        assert shop is not None, faults
        self.folder, self.shop = folder, shop
        self.store = SqliteStore(folder)
        self.start()

    def start(self) -> None:
        """Start, or start again, from what the store holds."""
        self.recalibration = Recalibration(self.shop, self.store)
        bays = [bay.id for bay in self.shop.bay]
        self.decoder = Decoder(self.shop.point, self.recalibration.lines(), bays)

    def hear(self, at_s: float, topic: str, payload: str) -> list[Reading]:
        """Decode and keep one message."""
        now_us = START_US + round(at_s * 1e6)
        readings = self.decoder.decode(topic, payload.encode(), now_us)
        self.store.add_readings(readings)
        return readings

    def value(self, at_s: float, name: str, raw: float) -> float:
        """Return what becomes of a raw number of the north bay's air sensor."""
        (reading,) = self.hear(at_s, "shop/north/air", f'[{{"n":"{name}","v":{raw!r}}}]')
        return reading.value

    def ask(self, data: dict[str, Any], at_s: float) -> None:
        self.store.ask(CALIBRATION_ACCEPTED, "", data, START_US + round(at_s * 1e6))

    def take_requests(self, at_s: float) -> int:
        """Make the sound requests into events; return how many there were."""
        requests = self.store.requests()
        sound = [request for request in requests if self.recalibration.is_sound(request)]
        now_us = START_US + round(at_s * 1e6)
        with self.store.atomic():
            events = self.store.add_events(
                [
                    NewEvent(now_us, r.kind, r.bay, {**r.data, "asked": iso_from_us(r.at_us)})
                    for r in sound
                ]
            )
            self.store.drop_requests([request.id for request in requests])
        self.recalibration.take(events, self.decoder)
        return len(sound)
