"""A shop with procedures, products and a button, and a watch by hand with a desk to ask."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from envmon.job.events import JOB_ACT
from tests.guard_support import SHOP, START_US
from tests.watch_support import HandWatch, senml

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.facts import Event
    from envmon.job.model import Job

JOB_SHOP = (
    SHOP.replace('procedure = "work"\n', "")
    + """
[[product]]
id = "clear_wipe"
name = "Clear wipe"
sheet = 2025-02-12
source = "Clear wipe data sheet, edition 2"
flash_off = 120

[[product]]
id = "hard_coat"
name = "Hard coat"
sheet = 2025-06-01
source = "Hard coat data sheet, edition 3"
flash = [120, 300]
flash_at = 20
rain_safe = "1 h"
full_cure = "8 h"
first_wash_days = 7

[[product.limit]]
stage = "coating"
quantity = "air_temp_c"
low = 16
high = 28

[[product.limit]]
stage = "early_cure"
quantity = "air_temp_c"
low = 16
high = 28

[[procedure]]
id = "coat"
name = "Coat"
step = [
    { stage = "polish" }, { stage = "wipe", product = "clear_wipe" },
    { stage = "coating", product = "hard_coat" }, { stage = "early_cure", product = "hard_coat" },
    { stage = "cure", product = "hard_coat" }, { stage = "hand_over" },
]

[[body]]
id = "trike"
name = "Trike"
panels = ["Tank", "Seat cowl", "Fairing"]

[[button]]
id = "pedal"
bay = "one"
topic = "hall/pedal"
"""
)


class JobHand(HandWatch):
    """A watch on a hand-fed link whose desk is asked as a board asks it."""

    def __init__(self, folder: Path, text: str = JOB_SHOP) -> None:
        super().__init__(folder, text)
        self.at_s = 0.0

    def air(self, temp_c: float = 20.0, rh: float = 45.0, panel_c: float = 20.0) -> None:
        """Let every sensor of bay one say something now."""
        at_s = self.at_s
        pack = [
            {"n": "temp", "v": temp_c, "t": self.clock.at_us / 1e6},
            {"n": "rh", "v": rh, "t": self.clock.at_us / 1e6},
        ]
        self.link.put("hall/air-a", json.dumps(pack).encode())
        self.link.put("hall/air-b", senml("temp", temp_c, at_s))
        self.link.put("hall/panel", senml("temp", panel_c, at_s))

    def go(self, seconds: float, every_s: float = 20.0, **air: float) -> None:
        """Let time go by, the sensors speaking all the while."""
        end_s = self.at_s + seconds
        while self.at_s < end_s:
            self.at_s = min(end_s, self.at_s + every_s)
            self.clock.at_us = START_US + round(self.at_s * 1_000_000)
            self.air(**air)
            self.watch.turn(0)

    def ask(self, act: str, bay: str = "one", **data: Any) -> list[Event]:
        """Ask the desk as a board does and return what the watch made of it."""
        number = self.store.ask(JOB_ACT, bay, {"act": act, **data}, self.clock.at_us)
        self.look_now()
        self.at_s += 0.5
        self.turn(self.at_s)
        return [event for event in self.store.events() if event.data.get("ask") == number]

    def look_now(self) -> None:
        """Let the next turn look for requests, however soon it comes."""
        self.watch._requests_at = 0.0

    def job(self, bay: str = "one") -> Job:
        job = self.watch.desk.book.in_bay(bay)
        assert job is not None
        return job
