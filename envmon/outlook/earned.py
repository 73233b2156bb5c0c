"""Trust from a history: experts' weights, and the errors of days those weights have not seen."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.outlook.conformal import AS_THEY_ARE, PROVEN, Moments, blocks_of, calibrated
from envmon.outlook.experts import FORECAST, LEADS_MIN
from envmon.outlook.lean import LEANT, lean_from
from envmon.outlook.likeness import MARKS
from envmon.outlook.mixing import drawn, learn_weights, weights_before
from envmon.outlook.model import Trust
from envmon.outlook.situations import SITUATIONS
from envmon.outlook.trust import PATHS, expected_of, off_paths, packed, whole_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.outlook.frame import Values
    from envmon.outlook.mixing import Weights
    from envmon.outlook.trust import Judged

LEAST_PATHS = 12
ALWAYS = -1e9
"""Like moments move a forecast that leans, whatever that has been worth."""
USUAL_ERROR = {"air_temp_c": 1.0, "rel_hum_pct": 6.0, "panel_temp_c": 1.5}
"""Error of a forecast an hour ahead where the bay has shown none yet (a guess)."""
CALM = {"moving": 0.75, "calm": 0.5}
"""Share of that error where no water is drying (a guess)."""
USUAL_PATHS = 40
LEAST_BLOCKS = 8
"""Until a bay has shown so many times of three hours, errors of a usual bay speak along."""
HEARD = {
    "wetting": 12.0,
    "rinsed": 12.0,
    "drying": 12.0,
    "dried": 20.0,
    "moving": 25.0,
    "calm": 40.0,
}
"""Situation -> past moments heard at least. A wash is rare and each its own; a calm hour is not,
and of twelve moments the outermost two hold no more than 85 %."""


def usual_trust(situation: str) -> Trust:
    """Return the trust in a bay that has said nothing yet."""
    paths = _usual_paths(situation)
    marks = [[0.0] * len(MARKS)] * len(paths)
    return Trust(weights_before(), marks, packed(paths), *AS_THEY_ARE, HEARD[situation])


def _usual_paths(situation: str) -> Values:
    """Return errors of a usual bay, which grow with the root of time."""
    draw = np.random.default_rng(7)
    grow = np.sqrt(LEADS_MIN / 60)
    sizes = np.array([USUAL_ERROR[name] for name in FORECAST]) / 0.674 * CALM.get(situation, 1.0)
    return draw.normal(size=(USUAL_PATHS, len(FORECAST), 1)) * sizes[:, None] * grow


def trust_from(judged: Judged) -> dict[str, Trust]:
    """Return situation -> trust.

    Errors of even days are those of weights learned on odd days, and the other way round, so that
    no error is one the weights have seen.
    """
    halves = [judged.part(judged.rows // 1440 % 2 == half) for half in (0, 1)]
    if min(len(half.rows) for half in halves) < LEAST_PATHS:
        halves = [judged]
    everywhere = _weights(judged) or weights_before()
    found = {}
    for place, name in enumerate(SITUATIONS):
        weights = _weights(judged.of(place)) or everywhere
        leaning = _leaning(name, halves, place, weights) if name in LEANT else None
        found[name] = leaning or _trust(name, _unseen_of(halves, place), weights)
    return found


def _weights(judged: Judged) -> Weights | None:
    if len(judged.rows) < 2 * LEAST_PATHS:
        return None
    days = len(np.unique(judged.rows // 1440))
    return drawn(learn_weights(judged.forecasts, judged.truth), days)


class Unseen(NamedTuple):
    """Past moments with their signs, their errors and what swung around those."""

    moments: Moments
    signs: Values
    swing: Values

    def kept(self) -> Unseen:
        """Return as many as are kept, spread evenly."""
        count = len(self.moments.rows)
        chosen = np.unique(np.linspace(0, max(0, count - 1), min(count, PATHS)).astype(int))
        moments = Moments(*(part[chosen] for part in self.moments))
        return Unseen(moments, self.signs[chosen], self.swing[chosen])


def _unseen_of(halves: Sequence[Judged], place: int, weights: Weights | None = None) -> Unseen:
    """Return the errors of a situation, those of each half with the weights of the other.

    With weights given, they are what a lean goes by: errors of these, without the swing.
    """
    parts = [half.of(place) for half in halves]
    taught = [
        _weights(part) or _weights(half) or weights_before()
        for part, half in zip(parts, halves, strict=True)
    ]
    if weights is not None:
        taught = [weights] * len(parts)
    pairs = zip(parts, reversed(taught), strict=True)
    smooth = weights is not None
    found = [off_paths(part, expected_of(part, one), smooth=smooth) for part, one in pairs]
    off, swing = (np.concatenate(each, axis=2) for each in zip(*found, strict=True))
    rows = np.concatenate([part.rows for part in parts])
    marks = np.concatenate([part.marks for part in parts])
    signs = np.concatenate([part.signs for part in parts])
    order = np.argsort(rows, kind="stable")
    whole, off = whole_of(off[:, :, order])
    order = order[whole]
    moments = Moments(rows[order], marks[order], off.transpose(2, 0, 1))
    return Unseen(moments, signs[order], swing.transpose(2, 0, 1)[order])


def _trust(situation: str, unseen: Unseen, weights: Weights) -> Trust:
    if len(unseen.moments.rows) < LEAST_PATHS:
        return msgspec.structs.replace(usual_trust(situation), weights=weights)
    kept = unseen.kept().moments
    # Washes are few, and what the model leaves out of drying is much the same in each.
    scale, moved = calibrated(kept, HEARD[situation], PROVEN if situation in CALM else 0.0)
    paths, marks = _with_usual(situation, kept)
    return Trust(weights, marks.tolist(), packed(paths), scale, moved, HEARD[situation])


def _leaning(
    situation: str, halves: Sequence[Judged], place: int, weights: Weights
) -> Trust | None:
    """Return trust in forecasts that lean; None where no lean has helped."""
    kept, signs, swing = _unseen_of(halves, place, weights).kept()
    lean, left = lean_from(signs, kept.off, kept.rows // 1440)
    if not lean:
        return None
    kept, heard = kept._replace(off=left), HEARD[situation]
    scale, moved = calibrated(kept, heard, ALWAYS, swing)
    steady = calibrated(kept, heard, ALWAYS).scale
    paths, marks = _with_usual(situation, kept)
    return Trust(weights, marks.tolist(), packed(paths), scale, moved, heard, lean, steady)


def _with_usual(situation: str, kept: Moments) -> tuple[Values, Values]:
    """Return errors and marks, of few blocks with errors of a usual bay before them."""
    lacking = max(0, LEAST_BLOCKS - blocks_of(kept.rows))
    usual = _usual_paths(situation)[: USUAL_PATHS * lacking // LEAST_BLOCKS]
    alike = kept.marks[np.arange(len(usual)) % len(kept.marks)]
    return np.concatenate((usual, kept.off)), np.concatenate((alike, kept.marks))
