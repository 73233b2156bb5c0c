"""How forecasts have done: past errors, what the moment looked like, and what follows for now."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.outlook.conformal import (
    LEAST_SCALE,
    MISS,
    MOST_SCALE,
)
from envmon.outlook.experts import (
    FORECAST,
    LEADS_MIN,
    model_forecasts,
    shared_ahead,
    simple_forecasts,
)
from envmon.outlook.lean import LEANS, leant, signs_of
from envmon.outlook.likeness import marks_of, voices, weighted_quantiles
from envmon.outlook.mixing import (
    around_mean,
    mixed,
    touched,
    truth_at,
)
from envmon.outlook.situations import SITUATIONS, situations_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from envmon.outlook.conformal import ByLead
    from envmon.outlook.experts import Bay
    from envmon.outlook.frame import Values
    from envmon.outlook.mixing import Weights
    from envmon.outlook.model import Trust

PATHS = 200
"""Past moments kept for each situation."""
HUNDREDTHS = 100
KNOWN_SHARE = 0.8
"""A path of errors counts when it is known for so much of its length."""
ADAPTS, MOST_ROWS = 0.005, 40
"""How eagerly intervals follow a single outcome, and how many count at once."""


class Judged(NamedTuple):
    """Forecasts from rows of a history and what came, also without the thermostat's swing."""

    rows: npt.NDArray[np.intp]
    situation: npt.NDArray[np.intp]
    marks: Values
    forecasts: dict[str, Values]
    truth: dict[str, Values]
    signs: Values
    means: dict[str, Values]

    def part(self, chosen: npt.NDArray[np.bool_]) -> Judged:
        """Return some of the rows."""
        return Judged(
            self.rows[chosen],
            self.situation[chosen],
            self.marks[chosen],
            {name: said[:, :, chosen] for name, said in self.forecasts.items()},
            {name: came[:, chosen] for name, came in self.truth.items()},
            self.signs[chosen],
            {name: came[:, chosen] for name, came in self.means.items()},
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
    shared = shared_ahead(others, rows)
    model = model_forecasts(bay, rows, shared)
    said = {name: np.concatenate([simple[name], model[name]]) for name in FORECAST}
    came = {name: truth_at(bay.frame[name], rows) for name in FORECAST}
    situation = situations_of(bay.frame, bay.habits)[rows]
    means = {name: truth_at(around_mean(bay.frame[name]), rows) for name in FORECAST}
    marks = marks_of(bay.frame, bay.habits, rows)
    signs = signs_of(bay.frame, marks, rows, shared)
    return Judged(rows, situation, marks, said, came, signs, means)


def expected_of(judged: Judged, weights: Weights, lean: bytes = b"") -> Values:
    """Return what the mixture and its lean expect, shape (quantities, leads, rows)."""
    said = [mixed(judged.forecasts[name], weights[name]) for name in FORECAST]
    return np.stack(said) + leant(lean, judged.signs)


def off_paths(judged: Judged, expected: Values, *, smooth: bool) -> tuple[Values, Values]:
    """Return how what was expected was off, shape (quantities, leads, rows), and what swung.

    Args:
        judged: Forecasts and what came.
        expected: From ``expected_of``.
        smooth: Of the humidity's mean, around which it swings with the thermostat; so a forecast
            that leans is taken.
    """
    off = np.stack([judged.truth[name] for name in FORECAST]) - expected
    if not smooth:
        return off, np.zeros_like(off)
    steady = off.copy()
    steady[LEANS] = judged.means[FORECAST[LEANS]] - expected[LEANS]
    return steady, np.nan_to_num(off - steady)


def whole_of(off: Values) -> tuple[npt.NDArray[np.bool_], Values]:
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


def packed(paths: Values) -> bytes:
    """Return errors in 16-bit hundredths."""
    hundredths = np.clip(np.rint(HUNDREDTHS * paths), -32_000, 32_000)
    return bytes(hundredths.astype("<i2").tobytes())


def paths_of(trust: Trust) -> Values:
    """Return past errors as they were, shape (moments, quantities, leads)."""
    found = np.frombuffer(trust.paths, dtype="<i2").astype(float)
    return found.reshape(-1, len(FORECAST), len(LEADS_MIN)) / HUNDREDTHS


def errors_for(trust: Trust, marks: Values, *, stretched: bool = True) -> tuple[Values, Values]:
    """Return the errors to be expected of a moment, and how much each of them has to say.

    Args:
        trust: How forecasts have done in its situation.
        marks: What the moment looks like, shape (marks,).
        stretched: So that intervals of values cover. Not for when a limit is crossed: that is
            asked of whole paths, and intervals of such times cover without (as measured).
    """
    paths, weights = paths_of(trust), voices(np.array(trust.marks), marks, trust.heard)
    middle = weighted_quantiles(paths, weights, (0.5,))[0]
    moved = _grid(trust.moved) * middle
    scale = _grid(trust.scale) if stretched else _grid(trust.steady) if trust.steady else 1.0
    return moved + scale * (paths - middle), weights


def _grid(values: ByLead) -> Values:
    return np.array([values[name] for name in FORECAST])


def center_of(judged: Judged, trust: dict[str, Trust]) -> Values:
    """Return the middle of what is expected, shape (quantities, leads, rows)."""
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
        expected = expected_of(part, one.weights, one.lean)
        for n, row in enumerate(chosen):
            off, weights = errors_for(one, part.marks[n])
            found[..., row] = expected[:, :, n] + weighted_quantiles(off, weights, quantiles)
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
    expected = expected_of(part, trust.weights, trust.lean)
    off, swing = off_paths(part, expected, smooth=bool(trust.lean))
    scale = _stretched(trust, part, off + swing)
    whole, new = whole_of(off)
    length = 2 * len(FORECAST) * len(LEADS_MIN)
    paths = trust.paths + packed(new.transpose(2, 0, 1))
    marks = [*trust.marks, *part.marks[whole].tolist()]
    return msgspec.structs.replace(
        trust,
        weights=touched(trust.weights, part.forecasts, part.truth),
        marks=marks[-PATHS:],
        paths=paths[-PATHS * length :],
        scale=scale,
    )


def _stretched(trust: Trust, part: Judged, off: Values) -> ByLead:
    """Return the stretch of errors, wider where too much lay outside (adaptive conformal).

    Gibbs and Candès 2021, from memory: the step is proportional to misses less those allowed.
    """
    edges = (MISS / 2, 1 - MISS / 2)
    bands = np.stack(
        [weighted_quantiles(*errors_for(trust, m), edges) for m in part.marks], axis=-1
    )
    scale = dict(trust.scale)
    for place, name in enumerate(FORECAST):
        known = np.isfinite(off[place])
        if known.any():
            outside = (off[place] < bands[0, place]) | (off[place] > bands[1, place])
            missed = float(outside[known].mean()) - MISS
            eager = ADAPTS * min(len(part.rows), MOST_ROWS)
            wider = np.array(scale[name]) * np.exp(eager * missed / MISS)
            scale[name] = np.round(np.clip(wider, LEAST_SCALE, MOST_SCALE), 4).tolist()
    return scale
