"""A meter's count, and when it is time to tell and to keep it. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from envmon_node.config import PulseInfo
    from envmon_node.said import Values

KEEP_US = 2_000_000
"""Pulses are on the disk after so long at most; a power cut loses those in between [µs]."""
_UNITS = {"energy_kwh": "kWh", "fuel_m3": "m3"}


class Meter:
    """One meter.

    Args:
        info: As the node file has it.
        count: Pulses counted before.
        every_us: How often it is told [µs].
    """

    def __init__(self, info: PulseInfo, count: int, every_us: int) -> None:
        self.name, self.count = info.called, count
        self._info, self._every_us = info, every_us
        self._kept, self._kept_us, self._told_us = count, 0, -every_us

    def update(self, pulses: int) -> None:
        """Count new pulses."""
        self.count += pulses

    def must_tell(self, up_us: int) -> bool:
        """Return whether it is time to tell what the meter shows."""
        return up_us - self._told_us >= self._every_us

    def must_keep(self, up_us: int) -> bool:
        """Return whether it is time to keep the count."""
        return self.count != self._kept and up_us - self._kept_us >= KEEP_US

    @property
    def values(self) -> Values:
        """What the meter shows."""
        info = self._info
        shows = info.starts_at + self.count * info.per_pulse
        return ((info.quantity, _UNITS[info.quantity], round(shows, 6)),)

    def kept(self, up_us: int, *, told: bool) -> None:
        """Note that the count is on the disk, and whether it was told as well."""
        self._kept, self._kept_us = self.count, up_us
        if told:
            self._told_us = up_us
