"""How forecasts have done: experts' weights, and past errors with what the moment looked like."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.outlook.experts import (
    FORECAST,
    LEADS_MIN,
    model_forecasts,
    shared_ahead,
    simple_forecasts,
)
from envmon.outlook.likeness import MARKS, marks_of, voices, weighted_quantiles
from envmon.outlook.mixing import (
    learn_weights,
    mixed,
    touched,
    truth_at,
    weights_before,
)
from envmon.outlook.model import Trust
from envmon.outlook.situations import SITUATIONS, situations_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from envmon.outlook.experts import Bay
    from envmon.outlook.frame import Values
    from envmon.outlook.mixing import Weights

PATHS = 200
"""Past moments kept for each situation."""
LEAST_PATHS = 12
HUNDREDTHS = 100
KNOWN_SHARE = 0.8
"""A path of errors counts when it is known for so much of its length."""
USUAL_ERROR = {"air_temp_c": 1.0, "rel_hum_pct": 6.0, "panel_temp_c": 1.5}
"""Error of a forecast an hour ahead where the bay has shown none yet (a guess)."""
MISS = 0.10
"""Share of outcomes that may lie outside an interval."""
ADAPTS, MOST_ROWS, LEAST_SCALE, MOST_SCALE = 0.005, 40, 0.5, 3.0
"""How eagerly intervals follow a single outcome, how many count at once, and their bounds."""
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


class Judged(NamedTuple):
    """Forecasts from rows of a history and what came."""

    rows: npt.NDArray[np.intp]
    situation: npt.NDArray[np.intp]
    marks: Values
    forecasts: dict[str, Values]
    truth: dict[str, Values]

    def part(self, chosen: npt.NDArray[np.bool_]) -> Judged:
        """Return some of the rows."""
        return Judged(
            self.rows[chosen],
            self.situation[chosen],
            self.marks[chosen],
            {name: said[:, :, chosen] for name, said in self.forecasts.items()},
            {name: came[:, chosen] for name, came in self.truth.items()},
        )

    def of(self, place: int) -> Judged:
        """Return the rows of one situation."""
        return self.part(self.situation == place)


def judge(bay: Bay, rows: npt.NDArray[np.intp], others: Sequence[Bay] = ()) -> Judged:
    """Return what every expert says in some rows of a history, and what came.

    Args:
        bay: The bay.
        rows: Places to look ahead from.
        others: Bays of the same air, with frames of the same start and length.
    """
    simple = simple_forecasts(bay.frame, rows)
    model = model_forecasts(bay, rows, shared_ahead(others, rows))
    said = {name: np.concatenate([simple[name], model[name]]) for name in FORECAST}
    came = {name: truth_at(bay.frame[name], rows) for name in FORECAST}
    situation = situations_of(bay.frame, bay.habits)[rows]
    return Judged(rows, situation, marks_of(bay.frame, bay.habits, rows), said, came)


def usual_trust(situation: str) -> Trust:
    """Return the trust in a bay that has said nothing yet: errors grow with the root of time."""
    draw = np.random.default_rng(7)
    grow = np.sqrt(LEADS_MIN / 60)
    sizes = np.array([USUAL_ERROR[name] for name in FORECAST]) / 0.674
    paths = draw.normal(size=(40, len(FORECAST), 1)) * sizes[:, None] * grow
    marks = [[0.0] * len(MARKS)] * len(paths)
    scale = dict.fromkeys(FORECAST, 1.0)
    return Trust(weights_before(), marks, _packed(paths), scale, HEARD[situation])


def trust_from(judged: Judged) -> dict[str, Trust]:
    """Return situation -> trust.

    Weights are learned on every second day, errors with them on the others, so that errors are
    those of days the weights have not seen.
    """
    day = judged.rows // 1440
    teach, test = judged.part(day % 2 == 0), judged.part(day % 2 == 1)
    if len(test.rows) < LEAST_PATHS or len(teach.rows) < LEAST_PATHS:
        teach = test = judged
    everywhere = _weights(teach) or weights_before()
    return {
        name: _trust(
            name, judged.of(place), test.of(place), _weights(teach.of(place)) or everywhere
        )
        for place, name in enumerate(SITUATIONS)
    }


def _weights(judged: Judged) -> Weights | None:
    if len(judged.rows) < 2 * LEAST_PATHS:
        return None
    return learn_weights(judged.forecasts, judged.truth)


def _trust(situation: str, every: Judged, test: Judged, weights: Weights) -> Trust:
    # A wash a day is little: where the other days are few, all of them speak.
    part = test if len(test.rows) >= PATHS else every
    whole, off = _whole(off_paths(part, weights))
    if off.shape[2] < LEAST_PATHS:
        return msgspec.structs.replace(usual_trust(situation), weights=weights)
    keep = np.unique(np.linspace(0, off.shape[2] - 1, PATHS).astype(int))
    paths = off[:, :, keep].transpose(2, 0, 1)
    marks = part.marks[whole][keep].tolist()
    scale = dict.fromkeys(FORECAST, 1.0)
    return Trust(weights, marks, _packed(paths), scale, HEARD[situation])


def off_paths(judged: Judged, weights: Weights) -> Values:
    """Return how the mixture was off, shape (quantities, leads, rows)."""
    return np.stack(
        [judged.truth[name] - mixed(judged.forecasts[name], weights[name]) for name in FORECAST]
    )


def _whole(off: Values) -> tuple[npt.NDArray[np.bool_], Values]:
    """Return which paths are known almost throughout, and those with their gaps bridged.

    A panel nobody measures errs by nothing.
    """
    whole = np.isfinite(off[:2]).mean(axis=1).min(axis=0) > KNOWN_SHARE
    chosen = off[:, :, whole].copy()
    leads = np.arange(off.shape[1])
    for quantity, path in np.ndindex(chosen.shape[0], chosen.shape[2]):
        series = chosen[quantity, :, path]
        known = np.isfinite(series)
        if not known.all():
            series[:] = np.interp(leads, leads[known], series[known]) if known.any() else 0.0
    return whole, chosen


def _packed(paths: Values) -> bytes:
    hundredths = np.clip(np.rint(HUNDREDTHS * paths), -32_000, 32_000)
    return bytes(hundredths.astype("<i2").tobytes())


def paths_of(trust: Trust) -> Values:
    """Return past errors, stretched, shape (moments, quantities, leads)."""
    found = np.frombuffer(trust.paths, dtype="<i2").astype(float)
    found = found.reshape(-1, len(FORECAST), len(LEADS_MIN))
    scale = np.array([trust.scale[name] for name in FORECAST])
    return found / HUNDREDTHS * scale[:, None]


def center_of(judged: Judged, trust: dict[str, Trust]) -> Values:
    """Return the forecast, corrected by the middle of like errors: (quantities, leads, rows)."""
    return bands_of(judged, trust, (0.5,))[0]


def bands_of(judged: Judged, trust: dict[str, Trust], quantiles: tuple[float, ...]) -> Values:
    """Return quantiles of what is expected, shape (quantiles, quantities, leads, rows)."""
    shape = (len(quantiles), len(FORECAST), len(LEADS_MIN), len(judged.rows))
    found = np.empty(shape)
    for place, name in enumerate(SITUATIONS):
        chosen = np.flatnonzero(judged.situation == place)
        if len(chosen) == 0:
            continue
        part, one = judged.of(place), trust[name]
        mixture = np.stack([mixed(part.forecasts[q], one.weights[q]) for q in FORECAST])
        paths, marks = paths_of(one), np.array(one.marks)
        for n, row in enumerate(chosen):
            off = weighted_quantiles(paths, voices(marks, part.marks[n], one.heard), quantiles)
            found[..., row] = mixture[:, :, n] + off
    return found


def moved_on(trust: dict[str, Trust], judged: Judged) -> dict[str, Trust]:
    """Return trust with new errors taken in: weights, errors and their stretch follow them."""
    found = dict(trust)
    for place, name in enumerate(SITUATIONS):
        part = judged.of(place)
        if len(part.rows):
            found[name] = _moved_on(trust[name], part)
    return found


def _moved_on(trust: Trust, part: Judged) -> Trust:
    off = off_paths(part, trust.weights)
    scale = _stretched(trust, part, off)
    whole, new = _whole(off)
    length = 2 * len(FORECAST) * len(LEADS_MIN)
    paths = trust.paths + _packed(new.transpose(2, 0, 1))
    marks = [*trust.marks, *part.marks[whole].tolist()]
    weights = touched(trust.weights, part.forecasts, part.truth)
    return Trust(weights, marks[-PATHS:], paths[-PATHS * length :], scale, trust.heard)


def _stretched(trust: Trust, part: Judged, off: Values) -> dict[str, float]:
    """Return the stretch of errors, wider where too much lay outside (adaptive conformal).

    Gibbs and Candès 2021, from memory: the step is proportional to misses less those allowed.
    """
    paths, marks, scale = paths_of(trust), np.array(trust.marks), dict(trust.scale)
    bands = np.stack(
        [
            weighted_quantiles(paths, voices(marks, m, trust.heard), (MISS / 2, 1 - MISS / 2))
            for m in part.marks
        ],
        axis=-1,
    )
    for place, name in enumerate(FORECAST):
        known = np.isfinite(off[place])
        if known.any():
            outside = (off[place] < bands[0, place]) | (off[place] > bands[1, place])
            missed = float(outside[known].mean()) - MISS
            eager = ADAPTS * min(len(part.rows), MOST_ROWS)
            wider = scale[name] * float(np.exp(eager * missed / MISS))
            scale[name] = min(max(wider, LEAST_SCALE), MOST_SCALE)
    return scale
