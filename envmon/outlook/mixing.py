"""Experts mixed by what they have proved to be worth: per situation, quantity and lead.

Weights are found by exponentiated gradient on the absolute error (Kivinen and Warmuth 1997, from
memory), so they stay a share each, and one bad hour moves them little.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envmon.outlook.experts import EXPERTS, FORECAST, LEADS_MIN, SIMPLE

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.frame import Values

GROUPS_MIN = (15, 35, 65, 125, 180)
"""Leads up to each of these share their weights [min]."""
GROUP_OF = np.searchsorted(np.array(GROUPS_MIN), LEADS_MIN)
BLENDED_MIN = 15.0
"""Around the edges between the further groups weights pass over into each other [min]."""
BEFORE = np.array([0.08, 0.05, 0.02, 0.05, 0.15, 0.35, 0.2, 0.1])
"""Weights of the experts before they have proved anything; the trend counts near at hand."""
BEFORE_NEAR = np.array([0.15, 0.1, 0.05, 0.05, 0.45, 0.1, 0.05, 0.05])
LEAST_ROWS = 12
ENOUGH_DAYS = 10
"""Rows of so many days say all there is to say on how the simple rules share."""
NEAR_GROUPS = 2
"""Further ahead a trend says little, and rows of few days are all there is."""
SIMPLE_BEFORE = np.array([0.1, 0.0, 0.2, 0.0, 0.7])
"""How they share before: of all that know nothing of a bay, a fading trend is the least wrong."""
ROUNDS, EAGER = 200, 2.0
MEAN_ROWS = 11
"""The swing of a thermostat is gone in a mean over so many minutes."""
TOUCH, MOST_ROWS = 0.002, 40
"""How eagerly weights follow a single new error, and how many count at once."""

Weights = dict[str, list[list[float]]]
"""Quantity -> a row for each group of leads, a share for each expert."""


def _blend() -> Values:
    """Return how much each group has to say at each lead, shape (leads, groups)."""
    found = np.zeros((len(LEADS_MIN), len(GROUPS_MIN)))
    found[np.arange(len(LEADS_MIN)), GROUP_OF] = 1.0
    for group in range(NEAR_GROUPS, len(GROUPS_MIN) - 1):
        middle = GROUPS_MIN[group] + 2.5
        upper = np.clip((LEADS_MIN - middle) / (2 * BLENDED_MIN) + 0.5, 0, 1)
        passing = (upper > 0) & (upper < 1)
        found[passing] = 0.0
        found[passing, group], found[passing, group + 1] = 1 - upper[passing], upper[passing]
    return found


BLEND = _blend()


def weights_before() -> Weights:
    """Return the weights of a bay that has said nothing yet."""
    rows = [BEFORE_NEAR if group < 2 else BEFORE for group in range(len(GROUPS_MIN))]
    return {name: [row.tolist() for row in rows] for name in FORECAST}


def learn_weights(forecasts: dict[str, Values], truth: dict[str, Values]) -> Weights:
    """Return the weights with which the experts would have erred least.

    Args:
        forecasts: Quantity -> shape (experts, leads, rows).
        truth: Quantity -> shape (leads, rows), NaN where not known.
    """
    found = weights_before()
    for name in FORECAST:
        for group in range(len(GROUPS_MIN)):
            places = np.equal(GROUP_OF, group)
            said = forecasts[name][:, places].reshape(len(EXPERTS), -1)
            came = truth[name][places].reshape(-1)
            known = np.isfinite(came) & np.isfinite(said).all(axis=0)
            if known.sum() >= LEAST_ROWS * places.sum():
                before = np.array(found[name][group])
                found[name][group] = _sought(said[:, known], came[known], before).tolist()
    return found


def _sought(said: Values, came: Values, before: Values) -> Values:
    scale = float(np.mean(np.abs(said - came))) + 1e-9
    logs, total = np.log(before), np.zeros(len(before))
    for turn in range(ROUNDS):
        weights = _shares(logs)
        sign = np.sign(weights @ said - came)
        logs = logs - EAGER / np.sqrt(1 + turn) * (said - came) @ sign / (len(came) * scale)
        if turn >= ROUNDS // 2:
            total += weights
    return np.round(total / total.sum(), 4)


def drawn(weights: Weights, days: int) -> Weights:
    """Return weights of a few days, near at hand drawn to what is thought of simple rules before.

    Rows of one day say nearly the same, and the next days may be others.

    Args:
        weights: As learned.
        days: Days they come from.
    """
    learned, simple = min(1.0, days / ENOUGH_DAYS), len(SIMPLE)
    found: Weights = {}
    for name, rows in weights.items():
        found[name] = list(rows)
        # A panel goes where the air is, whatever its trend.
        for group, row in enumerate(rows[:NEAR_GROUPS] if name != "panel_temp_c" else ()):
            part = np.array(row[:simple])
            part = learned * part + (1 - learned) * part.sum() * SIMPLE_BEFORE
            found[name][group] = [*np.round(part, 4).tolist(), *row[simple:]]
    return found


def _shares(logs: Values) -> Values:
    raised = np.exp(logs - logs.max())
    return raised / raised.sum()


def mixed(forecasts: Values, weights: list[list[float]]) -> Values:
    """Return the mixture of forecasts.

    An expert that has nothing to say leaves its share to persistence.

    Args:
        forecasts: Shape (experts, leads, rows).
        weights: A row for each group of leads.
    """
    filled = np.where(np.isfinite(forecasts), forecasts, forecasts[0])
    by_lead = BLEND @ np.array(weights)
    return np.einsum("le,elr->lr", by_lead, filled)


def touched(weights: Weights, forecasts: dict[str, Values], truth: dict[str, Values]) -> Weights:
    """Return weights moved a little by new errors.

    Args:
        weights: As they were.
        forecasts: Quantity -> shape (experts, leads, rows).
        truth: Quantity -> shape (leads, rows), NaN where not known.
    """
    found: Weights = {}
    for name, rows in weights.items():
        found[name] = [
            _touched(np.array(row), forecasts[name][:, g == GROUP_OF], truth[name][g == GROUP_OF])
            for g, row in enumerate(rows)
        ]
    return found


def _touched(row: Values, said: Values, came: Values) -> list[float]:
    known = np.isfinite(came) & np.isfinite(said).all(axis=0)
    if not known.any():
        return [float(share) for share in row]
    off = said[:, known] - came[known]
    scale = float(np.mean(np.abs(off))) + 1e-9
    sign = np.sign(row @ said[:, known] - came[known])
    # No share falls to nothing, or it could never come back.
    eager = TOUCH * min(said.shape[2], MOST_ROWS)
    logs = np.log(np.maximum(row, 0.002)) - eager * (off * sign).mean(axis=1) / scale
    return [round(float(share), 4) for share in _shares(logs)]


def around_mean(values: Values, rows: int = MEAN_ROWS) -> Values:
    """Return the mean of the rows known around each, NaN where none is."""
    known = np.isfinite(values)
    kernel = np.ones(rows)
    count = np.convolve(known, kernel, "same")
    total = np.convolve(np.where(known, values, 0.0), kernel, "same")
    return np.where(count > 0.5, total / np.maximum(count, 1.0), np.nan)


def truth_at(values: Values, rows: npt.NDArray[np.intp], leads_min: Values = LEADS_MIN) -> Values:
    """Return what came after some rows, shape (leads, rows); NaN past the end."""
    places = rows + np.asarray(leads_min, dtype=int)[:, None]
    return np.where(places < len(values), values[np.minimum(places, len(values) - 1)], np.nan)
