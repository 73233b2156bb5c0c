"""One line for a wall: when a stage will be fit, or how long it stays so.

Nothing more exact than it is known, and nothing that flickers. A time once said stands as a moment
of the day and only counts down, until the outlook has moved away from it by more than its own blur.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from envmon.clock import MINUTE_US
from envmon.outlook.model import Said

if TYPE_CHECKING:
    from envmon.outlook.model import Span

Turns = Literal["", "enters", "leaves"]

HOLDS_US = 2 * MINUTE_US
"""A turn the other way round is said when it has been due for so long."""
LEAST_MOVE_MIN, MOVE_SHARE = 4.0, 0.2
"""A moment once said moves when the outlook is off by this, or by this share of the time left."""
BLUR = 0.5
"""An interval wider than this share of its middle is said as an interval."""
SOON_MIN, LONG_MIN = 4.0, 120.0
SURE_MIN = 30.0
"""A least time shorter than this says nothing, when no middle is known."""


def said_of(
    turns: Turns,
    span: Span | None,
    now_us: int,
    before: Said | None,
    *,
    guessing: bool = False,
) -> Said:
    """Return what to say of a stage.

    Args:
        turns: Whether it is expected to enter or to leave its window; empty for not known.
        span: When, counted from now; None with empty ``turns``.
        now_us: Time [µs].
        before: What was said last, or None.
        guessing: The bay has taught nothing yet.
    """
    if not turns or span is None or (guessing and turns == "enters" and span.middle is None):
        return Said()
    if before is not None and before.turns and before.turns != turns:
        since_us = now_us if before.other_since_us is None else before.other_since_us
        if now_us - since_us < HOLDS_US:
            return _counted_down(before, now_us, since_us, guessing=guessing)
        before = None
    fresh = Said("", turns, *(_moment(minutes, now_us) for minutes in _order(span)))
    if before is not None and before.turns == turns and not _moved(before, fresh, now_us):
        return _counted_down(before, now_us, None, guessing=guessing)
    return _counted_down(fresh, now_us, None, guessing=guessing)


def _order(span: Span) -> tuple[float | None, float | None, float | None]:
    return span.middle, span.early, span.late


def _moment(minutes: float | None, now_us: int) -> int | None:
    return None if minutes is None else now_us + round(minutes * MINUTE_US)


def _counted_down(said: Said, now_us: int, other_since_us: int | None, *, guessing: bool) -> Said:
    middle, early, late = (
        None if moment is None else max(0.0, (moment - now_us) / MINUTE_US)
        for moment in (said.middle_us, said.early_us, said.late_us)
    )
    text = text_of(said.turns, middle, early, late, guessing=guessing)
    return Said(text, said.turns, said.middle_us, said.early_us, said.late_us, other_since_us)


def _moved(before: Said, fresh: Said, now_us: int) -> bool:
    """Return whether the outlook has moved away from what was said."""
    if before.middle_us is None or fresh.middle_us is None:
        return before.middle_us != fresh.middle_us
    left_min = max(fresh.middle_us, before.middle_us) - now_us
    allowed_us = max(LEAST_MOVE_MIN * MINUTE_US, MOVE_SHARE * left_min)
    return abs(before.middle_us - fresh.middle_us) > allowed_us


def text_of(
    turns: Turns,
    middle: float | None,
    early: float | None,
    late: float | None,
    *,
    guessing: bool = False,
) -> str:
    """Return the line.

    Args:
        turns: Whether the stage enters or leaves its window.
        middle: When [min]; None for not within three hours.
        early: 5 % lie before this [min].
        late: 5 % lie after this [min].
        guessing: The bay has taught nothing yet: an end that is not known is not hinted at.
    """
    if turns == "enters":
        return _enters(middle, early, late)
    if turns == "leaves":
        endless = guessing and (middle is None or late is None)
        return "fit now" if endless else _leaves(middle, early, late)
    return ""


def _enters(middle: float | None, early: float | None, late: float | None) -> str:
    if middle is None:
        if early is None or early >= LONG_MIN:
            return "not fit within 3 h"
        if early < SURE_MIN:
            return "not fit yet, perhaps for long"
        return f"not fit before {rounded(early)}, perhaps much later"
    if middle < SOON_MIN:
        return "fit in a few minutes"
    if late is None:
        return f"fit in {rounded(middle)} or later"
    return f"fit in {_blurred(middle, early, late)}"


def _leaves(middle: float | None, early: float | None, late: float | None) -> str:
    if middle is None:
        if early is None or early >= LONG_MIN:
            return "fit for 2 h and more"
        return "fit now" if early < SURE_MIN else f"fit for {rounded(early)} at least"
    if middle < SOON_MIN:
        return "closing in a few minutes"
    if middle > LONG_MIN:
        return f"fit for about {rounded(middle)}"
    if late is None:
        return f"closing in {rounded(middle)} or later"
    return f"closing in {_blurred(middle, early, late)}"


def _blurred(middle: float, early: float | None, late: float) -> str:
    low = middle if early is None else early
    first, last = rounded(low), rounded(late)
    if late - low <= BLUR * middle or first == last:
        return f"about {rounded(middle)}"
    number, _, unit = first.partition(" ")
    return f"{number}–{last}" if last.endswith(unit) else f"{first} to {last}"


def rounded(minutes: float | None) -> str:
    """Return a time no finer than it can be known: 5 min, from an hour 10, from two half hours."""
    if minutes is None:
        return "3 h"
    step = 5 if minutes < 57.5 else 10 if minutes < 115 else 30
    whole = max(5, step * round(minutes / step))
    if whole < 60 or (whole < 120 and whole % 60):
        return f"{whole} min"
    halves = "½" if whole % 60 else ""
    return f"{whole // 60}{halves} h"
