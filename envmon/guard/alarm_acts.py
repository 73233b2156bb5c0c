"""Events about alarms: what the guard finds, what a person does, what the watch reports.

All of them stand in the event chain. Data of each:

- ``alarm_raised``: alarm, what, priority, stage, under, text, do; and what the kind adds.
- ``alarm_cleared``: alarm, what, stage, why (empty when the condition cleared).
- ``alarm_again``: alarm, what, priority, stage: it still stands and its re-alarm time is over, or
  a stage began in which it matters more.
- ``alarm_shelf_over``: alarm, what: the time it was shelved for is over.
- A person's acts: alarm, by, via (``wall``, ``link``, ``command``); ``alarm_shelved`` also
  minutes and reason, ``alarm_removed`` reason. ``alarm_unshelved`` is asked by a person.
- ``trouble_began``: what (``broker``, ``disk``, ``clock``, ``archive``, ``notice``,
  ``flood``, ``asking``), text. ``trouble_over``: what.
- ``listening``: the broker is there for the first time since sensors are waited for; wait_s is
  how long they have for a first word.
"""

from __future__ import annotations

RAISED = "alarm_raised"
CLEARED = "alarm_cleared"
AGAIN = "alarm_again"
SHELF_OVER = "alarm_shelf_over"
ACKNOWLEDGED = "alarm_acknowledged"
RESET = "alarm_reset"
SHELVED = "alarm_shelved"
UNSHELVED = "alarm_unshelved"
REMOVED = "alarm_removed"
"""Taken out of service."""
RETURNED = "alarm_returned"
"""Put back into service."""
TROUBLE_BEGAN = "trouble_began"
TROUBLE_OVER = "trouble_over"
LISTENING = "listening"

ACTS = frozenset({ACKNOWLEDGED, RESET, SHELVED, UNSHELVED, REMOVED, RETURNED})
"""What a person can do to an alarm."""
FOUND = frozenset({RAISED, CLEARED, AGAIN, SHELF_OVER})
"""What the guard finds."""
TROUBLES = frozenset({TROUBLE_BEGAN, TROUBLE_OVER})
"""What the watch reports to be wrong with itself."""
OF_WATCH = TROUBLES | {LISTENING}
"""What the watch reports of itself."""
