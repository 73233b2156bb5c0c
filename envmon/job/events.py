"""The names of what happens to a job, as they stand in the chain.

Every such event carries ``job``; one that answers a request carries ``ask``, the request's id, so
that whoever asked can tell. Acts are what a person asks for; the watch judges them and writes one
of the events, or ``REFUSED``.
"""

from __future__ import annotations

from typing import Literal, get_args

from envmon import facts

JOB_ACT = "job_act"
"""Kind of request: its data has ``act`` and what the act needs."""

Act = Literal[
    "open", "start", "finish", "skip", "apply", "level", "wipe", "inspect", "undo",
    "note", "panels", "batch", "in_flight", "close", "record", "erase",
]  # fmt: skip
"""What a person can ask for.

open: procedure, body or panels, reference, batches, in_flight. start: step, reason. finish: step.
skip: step, reason. apply, level, wipe: panel. inspect: panel, result. undo: seq. note: text.
panels: panels. batch: product, batch. in_flight: in_flight. close: reason. record: digest, form.
erase: job. All may have ``by``.
"""
ACTS: frozenset[str] = frozenset(get_args(Act))

OPENED = facts.JOB_OPENED
CLOSED = facts.JOB_CLOSED
NOTED = "job_note"
PANELS_CHANGED = "panels_changed"
BATCH_SET = "product_batch"
IN_FLIGHT_SET = "in_flight_set"
SKIPPED = "stage_skipped"
STAGE_STARTED = "stage_started"
STAGE_ENDED = "stage_ended"
APPLIED = "panel_applied"
LEVELLED = "panel_levelled"
WIPED = "panel_wiped"
INSPECTED = "panel_inspected"
UNDONE = "panel_undone"
CURE_FITNESS = facts.CURE_FITNESS
"""Found by the guard while a coated vehicle stands in a bay: the cure window's verdict changed."""
REFUSED = "act_refused"
RECORD_MADE = "record_made"
ERASED = "reference_erased"

PANEL_EVENTS: dict[str, str] = {
    "apply": APPLIED, "level": LEVELLED, "wipe": WIPED, "inspect": INSPECTED,
}  # fmt: skip
"""Act on a panel -> the event it becomes."""

OF_JOBS = frozenset({
    OPENED, CLOSED, NOTED, PANELS_CHANGED, BATCH_SET, IN_FLIGHT_SET, SKIPPED, STAGE_STARTED,
    STAGE_ENDED, APPLIED, LEVELLED, WIPED, INSPECTED, UNDONE, CURE_FITNESS, RECORD_MADE, ERASED,
})  # fmt: skip
"""What a job is made of; ``REFUSED`` changes nothing."""
