"""The watch's hand on calibrations: what is asked for, what the chain says, what is decoded by."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.facts import CALIBRATION_ACCEPTED
from envmon.intake.calibration_record import record_from
from envmon.intake.calibrations import Calibrations

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.facts import Event
    from envmon.intake.decode import Decoder
    from envmon.shop.models import Shop
    from envmon.store.base import Request, Store

log = logging.getLogger("envmon.watch")


class Recalibration:
    """Calibrations in force while the watch runs.

    Args:
        shop: The shop file, checked.
        store: Where the chain is; read once, here.
    """

    def __init__(self, shop: Shop, store: Store) -> None:
        self.calibrations = Calibrations.of_shop(shop, store.events_of(CALIBRATION_ACCEPTED))

    def lines(self) -> dict[tuple[str, str], tuple[float, float]]:
        """Return gain and offset of every series, for a new decoder."""
        return self.calibrations.lines()

    def is_sound(self, request: Request) -> bool:
        """Return whether a request may become an event; what is wrong goes to the log."""
        if request.kind != CALIBRATION_ACCEPTED:
            return False
        try:
            record = record_from(request.data)
        except InputError as error:
            log.warning("a calibration asked for is refused: %s", error)
            return False
        known = self.calibrations.knows(record.point, record.quantity)
        if not known:
            log.warning("a calibration is refused: no %s at %r", record.quantity, record.point)
        return known and not request.bay

    def take(self, events: Iterable[Event], decoder: Decoder) -> set[tuple[str, str]]:
        """Decode by the calibrations among events of the chain from now on.

        Call it when they are committed.

        Returns:
            The series (point, quantity) calibrated anew; their values may step.
        """
        changed = self.calibrations.take(events)
        if changed:
            decoder.recalibrate(self.calibrations.lines())
        return changed
