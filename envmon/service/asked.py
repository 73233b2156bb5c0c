"""What people ask for through the store, and which of it the watch makes into events."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from envmon.clock import iso_from_us
from envmon.facts import CALIBRATION_ACCEPTED, OUTLOOK_SAID, NewEvent
from envmon.guard.alarm_acts import ACTS

if TYPE_CHECKING:
    from envmon.guard.plan import GuardPlan
    from envmon.service.calibration.desk import Recalibration
    from envmon.store.base import Request

log = logging.getLogger("envmon.watch")

HISTORY_IMPORTED = "history_imported"
"""Event: a file was imported; kept in the chain, nothing to the guard."""
HEAT_BILLED = "heat_billed"
"""Event: a bill for heat was entered; the heating log reads it, nothing to the guard."""
STAGES = frozenset({"stage_started", "stage_ended"})


def is_sound(request: Request, plan: GuardPlan, recalibration: Recalibration) -> bool:
    """Return whether a request may become an event; one refused is named in the log.

    Args:
        request: What was asked for.
        plan: The compiled shop file.
        recalibration: Judges what is asked about calibrations.
    """
    if request.kind == CALIBRATION_ACCEPTED:
        return recalibration.is_sound(request)
    place = plan.places.get(request.bay)
    sound = request.kind in {HISTORY_IMPORTED, HEAT_BILLED}
    sound |= request.kind in STAGES | {OUTLOOK_SAID} and request.bay in plan.bays
    if request.kind in ACTS and place is not None:
        sound |= request.data.get("alarm") in place.alarms
    if not sound:
        log.warning("%s asked for in %r is refused: not there", request.kind, request.bay)
    return sound


def event_of(request: Request, at_us: int) -> NewEvent:
    """Return the event a request becomes, effective when it is taken up [µs]."""
    data = {**request.data, "asked": iso_from_us(request.at_us)}
    return NewEvent(at_us, request.kind, request.bay, data)
