"""From a history to ``ModelFacts``, and a little further with every error that becomes known."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from envmon.clock import MINUTE_US
from envmon.outlook.ahead import AHEAD_MIN
from envmon.outlook.constants import Learned, guessed
from envmon.outlook.drying import with_washes
from envmon.outlook.earned import trust_from, usual_trust
from envmon.outlook.experts import FORECAST, LEADS_MIN, Bay
from envmon.outlook.fit import WARM_UP, fit_constants, room_from
from envmon.outlook.habits import habits_from, usual_habits
from envmon.outlook.model import ModelFacts
from envmon.outlook.situations import SITUATIONS, situations_of
from envmon.outlook.trust import center_of, judge, moved_on
from envmon.physics.room import heat_loss_w_k

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from envmon.outlook.constants import Priors
    from envmon.outlook.frame import BayFrame, Values
    from envmon.outlook.habits import Habits
    from envmon.outlook.trust import Judged

ROWS_EACH = 400
"""Rows of each situation from which forecasts are judged."""
SCORED_MIN = (10, 30, 60, 120)
UPDATE_MIN = 15
"""Every so many minutes of a past hour its forecast is judged."""


class Neighbour(NamedTuple):
    """A bay of the same air: what is learned of it, and its rows of the same times."""

    facts: ModelFacts
    frame: BayFrame


def fresh_facts(priors: Priors, at_us: int = 0) -> ModelFacts:
    """Return the facts of a bay that has said nothing yet: guesses, and wide intervals."""
    return ModelFacts(
        made_us=at_us,
        updated_us=at_us,
        guessing=True,
        days=0.0,
        constants=guessed(priors),
        air_j_k=None,
        loss_w_k=None,
        habits=usual_habits(priors.zone),
        trust={name: usual_trust(name) for name in SITUATIONS},
        errors={},
    )


def fit_bay(frame: BayFrame, priors: Priors) -> ModelFacts:
    """Learn all there is to learn of a bay that shares its air with none; see ``fit_hall``."""
    return fit_hall({"": frame}, {"": priors})[""]


def fit_hall(frames: Mapping[str, BayFrame], priors: Mapping[str, Priors]) -> dict[str, ModelFacts]:
    """Learn all there is to learn of the bays of one air from their history.

    Args:
        frames: Bay -> rows of up to some weeks, all of the same times, each with the others as
            neighbours; less than about half a day teaches nothing.
        priors: Bay -> what the shop file says.

    Returns:
        Bay -> facts; ``guessing`` where the history was too short.
    """
    bays: dict[str, Bay] = {}
    for name, frame in frames.items():
        fitted = fit_constants(frame, priors[name])
        if fitted is not None:
            habits = habits_from(frame, priors[name].zone)
            habits = with_washes(habits, frame, fitted.learned)
            bays[name] = Bay(frame, fitted.learned, habits)
    found = {}
    for name, frame in frames.items():
        if name not in bays:
            found[name] = fresh_facts(priors[name], frame.end_us)
            continue
        others = [bay for other, bay in bays.items() if other != name]
        found[name] = _facts(bays[name], others, priors[name])
    return found


def _facts(bay: Bay, others: Sequence[Bay], priors: Priors) -> ModelFacts:
    judged = judge(bay, _rows_to_judge(bay.frame, bay.habits), others)
    trust = trust_from(judged)
    air_j_k, loss = _watts(bay.frame, bay.learned, priors)
    return ModelFacts(
        made_us=bay.frame.end_us,
        updated_us=bay.frame.end_us,
        guessing=False,
        days=round(len(bay.frame) / 1440, 2),
        constants=bay.learned,
        air_j_k=air_j_k,
        loss_w_k=loss,
        habits=bay.habits,
        trust=trust,
        errors=_errors(judged, center_of(judged, trust)),
    )


def usable_rows(frame: BayFrame) -> Values:
    """Return in which rows air and humidity were really read."""
    return frame.read & np.isfinite(frame["air_temp_c"]) & np.isfinite(frame["rel_hum_pct"])


def _rows_to_judge(frame: BayFrame, habits: Habits) -> npt.NDArray[np.intp]:
    usable = usable_rows(frame)
    usable[:WARM_UP] = False
    usable[max(0, len(frame) - AHEAD_MIN // 2) :] = False
    situation = situations_of(frame, habits)
    chosen = []
    for place in range(len(SITUATIONS)):
        rows = np.flatnonzero(usable & (situation == place))
        chosen.append(rows[:: max(1, -(-len(rows) // ROWS_EACH))])
    return np.sort(np.concatenate(chosen))


def _errors(judged: Judged, center: Values) -> dict[str, tuple[float, ...]]:
    places = np.searchsorted(LEADS_MIN, SCORED_MIN)
    found = {}
    for place, name in enumerate(FORECAST):
        off = np.abs(judged.truth[name][places] - center[place, places])
        if np.isfinite(off).any(axis=1).all():
            found[name] = tuple(round(float(v), 3) for v in np.nanmedian(off, axis=1))
    return found


def _watts(
    frame: BayFrame, learned: dict[str, Learned], priors: Priors
) -> tuple[float | None, Learned | None]:
    """Return heat capacity [J/K] and heat loss [W/K], where the heater's output is known."""
    power = frame["heater_power_w"]
    with np.errstate(invalid="ignore"):
        running = power[(power > 0) & (frame["heater_on"] > 0.5)]
    heater_w = float(np.median(running)) if len(running) > 30 else priors.heater_w
    if heater_w is None or not learned["heater_k_h"].told:
        return None, None
    air_j_k = heater_w * 3600 / learned["heater_k_h"].value
    loss = float(heat_loss_w_k(room_from(learned), air_j_k))
    through = learned["loss_mass"], learned["loss_air"]
    # Glazing and slab are told apart worse than their sum, so the better told one counts.
    spread = min(one.high / one.low for one in through) ** 0.5
    spread *= (learned["heater_k_h"].high / learned["heater_k_h"].low) ** 0.5
    return air_j_k, Learned(loss, loss / spread, loss * spread, any(one.told for one in through))


def update(facts: ModelFacts, recent: BayFrame, neighbours: Sequence[Neighbour] = ()) -> ModelFacts:
    """Return facts moved on by the errors that have become known since they were last.

    Args:
        facts: As they were.
        recent: Rows up to now; seven hours and more before ``facts.updated_us`` where there are.
        neighbours: Bays of the same air.
    """
    last = len(recent) - AHEAD_MIN
    first = (facts.updated_us - recent.start_us) // MINUTE_US - AHEAD_MIN
    rows = _rows_known(recent, max(WARM_UP, first), last)
    if len(rows) == 0:
        return facts
    bay = Bay(recent, facts.constants, facts.habits)
    judged = judge(bay, rows, [as_bay(neighbour) for neighbour in neighbours])
    trust = moved_on(facts.trust, judged)
    return msgspec.structs.replace(facts, trust=trust, updated_us=recent.end_us)


def _rows_known(recent: BayFrame, first: int, last: int) -> npt.NDArray[np.intp]:
    """Return a row that was read in each quarter of an hour, however slowly the sensor speaks."""
    rows = np.arange(first, max(first, last))
    rows = rows[usable_rows(recent)[rows]]
    quarter = (recent.start_us // MINUTE_US + rows) // UPDATE_MIN
    return np.asarray(rows[np.unique(quarter, return_index=True)[1]], dtype=np.intp)


def as_bay(neighbour: Neighbour) -> Bay:
    """Return a neighbour as a bay to be simulated."""
    return Bay(neighbour.frame, neighbour.facts.constants, neighbour.facts.habits)
