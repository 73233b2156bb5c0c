"""A shop whose chain and store tell of a whole job: readings every few seconds, and its events."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Any

import numpy as np

from envmon.clock import HOUR_US, MINUTE_US, SECOND_US, ManualClock, iso_from_us, us_from_iso
from envmon.facts import Flag, NewEvent, Reading, kept_value
from envmon.job import events as names
from envmon.job.reference import reference_digest
from envmon.service.record.make import RecordDesk
from envmon.shop.load import check_text
from envmon.store.base import Reference
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from envmon.shop.models import Shop

OPENED_US = us_from_iso("2026-01-27T08:00:00+01:00")
JOB = "260127-1"
SALT = "5f" * 16
REFERENCE = "grey estate, plate on file"

SHOP = """
[shop]
name = "Fjord Lane Surface Care"
site = "fjord_lane"
timezone = "Europe/Oslo"

[[bay]]
id = "north"
name = "North bay"

[[bay]]
id = "south"
name = "South bay"

[[point]]
id = "air-a"
bay = "north"
topic = "north/air-a"
stale_after = 60
reads = { air_temp_c = { name = "temp" }, rel_hum_pct = { name = "rh" } }

[[point]]
id = "air-b"
bay = "north"
topic = "north/air-b"
stale_after = 90
reads = { air_temp_c = { name = "temp", offset = 0.2 } }

[[point]]
id = "panel"
bay = "north"
topic = "north/panel"
stale_after = 120
reads = { panel_temp_c = { name = "temp" } }

[[point]]
id = "other-air"
bay = "south"
topic = "south/air"
reads = { air_temp_c = { name = "temp" } }
"""

PRODUCT = {
    "name": "Fjord Shell (invented)", "sheet": "2025-10-01", "batch": "",
    "source": "Fjord Shell sheet, edition 2, section 4 (invented)", "carrier": "2-propanol",
    "flash": [120, 300], "flash_at": 20.0, "flash_rh_at": 45.0, "flash_per_10_rh": None,
    "flash_off": None, "rain_safe": 3600.0, "full_cure": 28800.0, "overnight": None,
    "first_wash_days": 10, "settle": None,
}  # fmt: skip
WIPE = {**PRODUCT, "name": "Clear Wipe (invented)", "flash": None, "first_wash_days": None}
LIMITS: dict[str, list[dict[str, Any]]] = {
    "warm_up": [
        {"quantity": "panel_temp_c", "low": 10.0, "high": None, "source": "common practice"},
    ],
    "wipe": [{"quantity": "air_temp_c", "low": 15.0, "high": 27.0, "source": "common practice"}],
    "coating": [
        {"quantity": "air_temp_c", "low": 18.0, "high": 24.0, "source": PRODUCT["source"]},
        {"quantity": "rel_hum_pct", "low": 35.0, "high": 60.0, "source": PRODUCT["source"]},
        {"quantity": "panel_temp_c", "low": 15.0, "high": 25.0, "source": "common practice"},
        {"quantity": "dew_margin_k", "low": 3.0, "high": None, "source": "3 K rule"},
        {"quantity": "vapour_ppm", "low": None, "high": 50.0, "source": "sheet", "by_hand": True},
    ],
    "cure": [
        {"quantity": "air_temp_c", "low": 15.0, "high": 25.0, "source": "common practice"},
        {"quantity": "rel_hum_pct", "low": 30.0, "high": 65.0, "source": "common practice"},
        {"quantity": "dew_margin_k", "low": 3.0, "high": None, "source": "3 K rule"},
    ],
}  # fmt: skip
STEPS = [
    {"stage": "warm_up"}, {"stage": "wash"}, {"stage": "wipe", "product": "clear_wipe"},
    {"stage": "coating", "product": "fjord_shell"}, {"stage": "cure"},
]  # fmt: skip


def at_us(minutes: float) -> int:
    """Return a time so many minutes after the opening [µs]."""
    return OPENED_US + round(minutes * MINUTE_US)


def shop_from(text: str = SHOP) -> Shop:
    shop, faults = check_text(text, "record.toml")
    assert shop is not None, faults
    return shop


class Story:
    """A shop in a folder, told event by event.

    Args:
        folder: Where the shop file and its data are.
        panels: Names of the panels.
        reference: What the vehicle is called; empty for nothing.
    """

    def __init__(
        self,
        folder: Path,
        panels: Sequence[str] = ("Bonnet", "Roof", "Left door"),
        reference: str = REFERENCE,
        text: str = SHOP,
    ) -> None:
        self.folder, self.data = folder, folder / "data"
        self.shop_file = folder / "shop.toml"
        self.shop_file.write_text(text, encoding="utf-8")
        self.shop = shop_from(text)
        self.panels = [{"id": f"p{n}", "name": name} for n, name in enumerate(panels, 1)]
        self.reference = reference
        self.coat_sheet: dict[str, Any] = {**PRODUCT, "batch": "A-17"}
        self.store = SqliteStore(self.data)

    def say(self, minutes: float, kind: str, bay: str = "north", **data: Any) -> int:
        """Append an event and return its place in the chain."""
        (event,) = self.store.add_events([NewEvent(at_us(minutes), kind, bay, data)])
        return event.seq

    def job_says(self, minutes: float, kind: str, **data: Any) -> int:
        asked: dict[str, Any] = {"ask": 7, "asked": iso_from_us(at_us(minutes))}
        return self.say(minutes, kind, job=JOB, by="Siv", **asked, **data)

    def open(self) -> None:
        digest = reference_digest(SALT, self.reference) if self.reference else ""
        if self.reference:
            self.store.keep_reference(Reference(JOB, self.reference, SALT))
        products = {"clear_wipe": WIPE, "fjord_shell": self.coat_sheet}
        self.job_says(
            0, names.OPENED, procedure="winter", procedure_name="Winter coating",
            body="Estate", steps=STEPS, products=products, limits=LIMITS, panels=self.panels,
            in_flight=2, reference_digest=digest,
        )  # fmt: skip

    def start(self, minutes: float, step: int, **data: Any) -> None:
        self.job_says(minutes, names.STAGE_STARTED, step=step, stage=STEPS[step]["stage"], **data)

    def coat(self, minutes: float) -> float:
        """Coat all panels, three minutes each; return when the last is done."""
        for n, panel in enumerate(self.panels):
            then = minutes + 3 * n
            flash = {
                "from_s": 130.0, "to_s": 325.0, "sheet_from_s": 120.0, "sheet_to_s": 300.0,
                "factor": 1.08 + n / 100, "why": ["panel 18.2 °C: 8 % later than at 20 °C"],
                "outside_sheet": "ends 25 s after the sheet's longest",
            }  # fmt: skip
            name = panel["id"]
            self.job_says(then, names.APPLIED, panel=name, flash=flash, conditions={})
            self.job_says(then + 2.5, names.LEVELLED, panel=name)
            self.job_says(then + 3.5, names.WIPED, panel=name)
            self.job_says(then + 4, names.INSPECTED, panel=name, result="clean")
        return minutes + 3 * len(self.panels) + 4

    def whole(self, *, close: bool = True) -> float:
        """Tell a whole job, with others' entries in between; return its last minute."""
        self.say(-30, "stage_started", "south", stage="wash")
        self.open()
        self.start(1, 0)
        self.say(5, "alarm_raised", "south", alarm="south-window", what="window", text="SECRET")
        self.job_says(30, names.SKIPPED, step=1, stage="wash", reason="washed <b>yesterday</b>")
        self.start(31, 2)
        self.job_says(36, names.NOTED, text="Mix: 1:10, 32 °C")
        self.say(38, names.CURE_FITNESS, stage="cure", fitness="fit")
        self.start(40, 3, against=["settle: 4 min more"], reason="held all morning")
        done = self.coat(41)
        self.job_says(done, names.STAGE_ENDED, step=3, stage="coating")
        self.start(done, 4)
        alarm = {"alarm": "north-cure_break", "what": "cure_break", "priority": "high"}
        self.say(done + 60, names.CURE_FITNESS, stage="cure", fitness="unfit")
        self.say(
            done + 63, "alarm_raised", **alarm, stage="cure", text="Cure interrupted: air 14.2 °C"
        )
        self.say(done + 70, "alarm_acknowledged", alarm="north-cure_break", by="Siv", via="wall")
        self.say(done + 90, names.CURE_FITNESS, stage="cure", fitness="fit")
        self.say(done + 95, "alarm_cleared", **alarm, stage="cure", why="")
        end = done + 600
        if close:
            self.job_says(end, names.STAGE_ENDED, step=4, stage="cure")
            self.job_says(end, names.CLOSED, reason="")
        self.say(end + 5, "stage_ended", "south")
        return end

    def hear(self, minutes: tuple[float, float], every_s: float = 10.0, seed: int = 1) -> None:
        """Keep readings of all points of the north bay over a span, with gaps and bad ones."""
        times = np.arange(minutes[0] * 60, minutes[1] * 60, every_s)
        rng = np.random.default_rng(seed)
        cold = np.where((times > 6900) & (times < 8000), -6.5, 0.0)
        wave = 1.5 * np.sin(times / 900)
        self._keep("air-a", "air_temp_c", times, 20.5 + wave + cold, rng)
        self._keep("air-b", "air_temp_c", times + 0.37, 20.9 + wave + cold, rng, lost=(3000, 3300))
        self._keep("air-a", "rel_hum_pct", times, 47 + 9 * np.sin(times / 2500), rng)
        self._keep("panel", "panel_temp_c", times + 1.9, 17.5 + cold / 3, rng, lost=(2600, 3000))
        self._keep("other-air", "air_temp_c", times, 5 + wave, rng)

    def _keep(
        self, point: str, quantity: str, times: Any, values: Any, rng: Any,
        lost: tuple[float, float] = (0, 0),
    ) -> None:  # fmt: skip
        noisy = values + rng.normal(0, 0.05, len(times))
        flags = rng.choice([0, 1, 16, 64, 128, 4, 8, 32], len(times), p=[0.93, *[0.01] * 7])
        rows = [
            Reading(
                point, quantity, OPENED_US + round(t * SECOND_US),
                kept_value(v if flag != Flag.RANGE else 99.0), Flag(int(flag)),
                OPENED_US + round((t + 0.2) * SECOND_US),
            )
            for t, v, flag in zip(times.tolist(), noisy.tolist(), flags, strict=True)
            if not lost[0] < t < lost[1]
        ]  # fmt: skip
        self.store.add_readings(rows)

    def desk(self, minutes: float) -> RecordDesk:
        return RecordDesk(self.shop, self.store, self.data, at_us(minutes))

    def clock(self, minutes: float) -> ManualClock:
        return ManualClock(at_us(minutes))

    def enter_asked(self, minutes: float) -> int:
        """Make the records asked for into events, as the watch does; return how many."""
        requests = self.store.requests()
        for request in requests:
            if request.kind == names.JOB_ACT and request.data["act"] == "record":
                data = {k: request.data[k] for k in ("job", "digest", "form")}
                self.say(minutes, names.RECORD_MADE, request.bay, **data)
        self.store.drop_requests([request.id for request in requests])
        return len(requests)


def told_story(folder: Path, **options: Any) -> Story:
    """Return a story told to its end, with its readings."""
    story = Story(folder, **options)
    end = story.whole()
    story.hear((-5, end + 10))
    return story


__all__ = ["HOUR_US", "JOB", "Story", "closing", "told_story"]
