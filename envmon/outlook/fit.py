"""A bay's constants from its own history: least error of forecasts, held by what is believed.

The error is that of forecasts over minutes to two hours, not of single steps, so that sensor lag
and noise do not speak. Logarithms of the constants are sought; each has a belief, so a constant
the data say nothing of stays where it was, and its spread shows it.
"""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from envmon.outlook.constants import BELIEFS, NEEDS, Learned, learned_from
from envmon.outlook.forward import Course, forward
from envmon.outlook.hidden import Inputs, hidden_states, inputs_of
from envmon.physics.room import CONSTANTS, Room, RoomState

if TYPE_CHECKING:
    import numpy.typing as npt

    from envmon.outlook.constants import Priors
    from envmon.outlook.frame import BayFrame, Values

STEP_MIN = 1
"""Steps of two minutes blur a heater that is on for three, and its bay's constants with it."""
LEADS_MIN = (10, 20, 30, 60, 90, 120)
SPREADS = {"air_c": 0.35, "share": 0.03, "panel_c": 0.6}
"""Errors at which a forecast counts as good: K, 0…1, K."""
WINDOWS = 240
LEAST_WINDOWS = 25
LEAST_ROWS = 6 * 60
"""Rows to look ahead from; with less than half a day in all a bay is guessed."""
WARM_UP = 180
REACH = 3.0
"""A constant is sought within so many spreads of its belief."""
ALONE = 1e-6
"""Air changes with neighbours of a bay that has none; its own air would stand in for theirs, and
what is to be foreseen would be known [1/h]."""
AT_ONCE = 2
"""Sets of constants whose whole history is held at once: 8 weeks of a set are 5 MB or more."""
STORES = fields(RoomState)
OVERLAP = 6.0
"""Errors at several leads and of neighbouring windows say the same: so many count as one."""


class Windows(NamedTuple):
    """Places of a history from which forecasts are made, and what came of them."""

    rows: npt.NDArray[np.intp]
    course: Course
    heater_known: bool
    truth: dict[str, Values]
    """Quantity -> shape (leads, windows); NaN where not known."""


class Fitted(NamedTuple):
    """What a fit gives: constants, and how far its forecasts were off (a typical error)."""

    learned: dict[str, Learned]
    typical: dict[str, float]
    windows: int


def room_of(values: dict[str, Any]) -> Room:
    """Return the room of named constants."""
    return Room(**{name: values[name] for name in CONSTANTS})


def room_from(learned: dict[str, Learned]) -> Room:
    """Return the room of learned constants."""
    return room_of({name: one.value for name, one in learned.items()})


def fit_constants(frame: BayFrame, priors: Priors, seed: int = 1) -> Fitted | None:
    """Return the constants that forecast a history best; None when there is too little of it.

    Args:
        frame: Rows of the history.
        priors: What the shop file says.
        seed: For the draw of windows.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415 - slow to import

    inputs = inputs_of(frame)
    windows = _windows(frame, inputs, seed)
    if windows is None:
        return None
    believed = priors.believed()
    if not _shares(frame):
        believed["shared"] = (ALONE, believed["shared"][1])
    free = _free(frame)
    centre = np.log([believed[name][0] for name in free])
    spread = np.array([believed[name][1] for name in free])
    problem = _Problem(inputs, windows, believed, free)

    def residuals(z: Values) -> Values:
        return problem.errors(centre + spread * z[None, :])[0]

    def slopes(z: Values) -> Values:
        step = 1e-3
        lanes = np.vstack([z, z + step * np.eye(len(z))])
        errors = problem.errors(centre + spread * lanes)
        return ((errors[1:] - errors[0]) / step).T

    found = least_squares(
        residuals, np.zeros(len(free)), jac=slopes, bounds=(-REACH, REACH), loss="soft_l1",
        max_nfev=25, ftol=1e-3, xtol=1e-4,
    )  # fmt: skip
    return _fitted(found, problem, free, believed)


def _free(frame: BayFrame) -> list[str]:
    """Return the constants that the measured quantities can say anything of."""
    return [
        name
        for name in BELIEFS
        if name != "air_share"
        and (name != "shared" or _shares(frame))
        and all(frame.has(q) for q in NEEDS.get(name, ("rel_hum_pct",)))
    ]


def _shares(frame: BayFrame) -> bool:
    """Return whether a bay of the same air was measured at all."""
    return bool((np.isfinite(frame.shared_c) & np.isfinite(frame.shared_ratio)).any())


def _fitted(
    found: Any, problem: _Problem, free: list[str], believed: dict[str, tuple[float, float]]
) -> Fitted:
    # The Jacobian comes scaled by the robust loss; beliefs are its last rows.
    z, data = found.x, found.jac[: -len(free)]
    precision = data.T @ data / OVERLAP + np.eye(len(free))
    sd = np.sqrt(np.diag(np.linalg.inv(precision)))
    learned = {name: learned_from(median, s, s) for name, (median, s) in believed.items()}
    for name, place, share in zip(free, z, sd, strict=True):
        median, s = believed[name]
        learned[name] = learned_from(float(median * np.exp(s * place)), float(s * share), s)
    return Fitted(learned, problem.typical, problem.count)


def _windows(frame: BayFrame, inputs: Inputs, seed: int) -> Windows | None:
    last = len(frame) - max(LEADS_MIN) - 1
    if last < WARM_UP + LEAST_ROWS:
        return None
    usable = frame.read & np.isfinite(frame["air_temp_c"]) & np.isfinite(frame["rel_hum_pct"])
    usable[:WARM_UP] = False
    usable[max(last, 0) :] = False
    eventful = _eventful(frame, inputs)
    draw = np.random.default_rng(seed)
    rows = np.concatenate(
        [
            _some(draw, np.flatnonzero(usable & eventful), 2 * WINDOWS // 3),
            _some(draw, np.flatnonzero(usable & ~eventful), WINDOWS // 3),
        ]
    )
    if len(rows) < LEAST_WINDOWS:
        return None
    leads = np.array(LEADS_MIN)[:, None]
    measured = {
        "air_c": frame["air_temp_c"],
        "share": frame["rel_hum_pct"] / 100,
        "panel_c": frame["panel_temp_c"],
    }
    truth = {name: values[rows + leads] for name, values in measured.items()}
    return Windows(rows, _course(inputs, rows), frame.has("heater_on"), truth)


def _some(
    draw: np.random.Generator, places: npt.NDArray[np.intp], count: int
) -> npt.NDArray[np.intp]:
    return np.sort(draw.choice(places, min(count, len(places)), replace=False))


def _eventful(frame: BayFrame, inputs: Inputs) -> npt.NDArray[np.bool_]:
    """Return whether water, a door or a stage acts within the next two hours."""
    acts = (inputs.wetting > 0) | (inputs.door > 0) | (frame.stage != "")
    ahead = np.cumsum(acts)
    reach = max(LEADS_MIN)
    return np.concatenate((ahead[reach:] > ahead[:-reach], np.zeros(reach, dtype=bool)))


def _course(inputs: Inputs, rows: npt.NDArray[np.intp]) -> Course:
    """Return what really acted after each window's start."""
    steps = max(LEADS_MIN) // STEP_MIN
    places = rows + STEP_MIN * np.arange(steps)[:, None]

    def mean(values: Values) -> Values:
        return (values[places] + values[places + 1]) / 2

    return Course(
        mean(inputs.outdoor_c), mean(inputs.outdoor_ratio), mean(inputs.shared_c),
        mean(inputs.shared_ratio), inputs.pressure_pa[places], mean(inputs.door),
        mean(inputs.wetting), mean(inputs.fanned), mean(inputs.people), mean(inputs.heater),
    )  # fmt: skip


class _Problem:
    """Errors of forecasts as a function of the constants, many sets at once."""

    def __init__(
        self,
        inputs: Inputs,
        windows: Windows,
        believed: dict[str, tuple[float, float]],
        free: list[str],
    ) -> None:
        self._inputs, self._windows, self._free = inputs, windows, free
        self._believed = believed
        self.count = len(windows.rows)
        self.typical: dict[str, float] = {}

    def errors(self, logs: Values) -> Values:
        """Return errors in units of good ones, beliefs last; shape (sets, errors)."""
        lanes = len(logs)
        values: dict[str, Any] = {name: m for name, (m, _) in self._believed.items()}
        values |= {name: np.exp(logs[:, n : n + 1]) for n, name in enumerate(self._free)}
        room, rows = room_of(values), self._windows.rows
        state = _hidden_at(values, self._inputs, rows, lanes)
        course = self._windows.course
        if not self._windows.heater_known:
            course = _thermostat(course, self._inputs.air_c[rows])
        ahead = forward(room, state, course, values["fan_above"], STEP_MIN / 60)
        places = [lead // STEP_MIN for lead in LEADS_MIN]
        parts = []
        for name, truth in self._windows.truth.items():
            off = (getattr(ahead, name)[places] - truth[:, None, :]) / SPREADS[name]
            off = np.where(np.isfinite(off), off, 0.0)
            self.typical[name] = float(np.median(np.abs(off[:, 0])) * SPREADS[name])
            parts.append(off.transpose(1, 0, 2).reshape(lanes, -1))
        centre = np.log([self._believed[name][0] for name in self._free])
        spread = np.array([self._believed[name][1] for name in self._free])
        parts.append((logs - centre) / spread)
        return np.concatenate(parts, axis=1)


def _thermostat(course: Course, air_c: Values) -> Course:
    """Return a course in which an unseen heater holds what the air has."""
    return Course(
        course.outdoor_c, course.outdoor_ratio, course.shared_c, course.shared_ratio,
        course.pressure_pa, course.door, course.wetting, course.fanned, course.people,
        None, np.broadcast_to(air_c, course.outdoor_c.shape), swings=False,
    )  # fmt: skip


def _hidden_at(
    values: dict[str, Any], inputs: Inputs, rows: npt.NDArray[np.intp], lanes: int
) -> RoomState:
    """Return what a bay held in some rows, for each set; few sets at once hold a whole history."""
    parts = []
    for first in range(0, lanes, AT_ONCE):
        some = slice(first, min(first + AT_ONCE, lanes))
        room = room_of({n: v[some] if isinstance(v, np.ndarray) else v for n, v in values.items()})
        parts.append(_at(hidden_states(room, inputs, some.stop - first), rows))
    return RoomState(
        *(np.concatenate([getattr(part, store.name) for part in parts]) for store in STORES)
    )


def _at(states: RoomState, rows: npt.NDArray[np.intp]) -> RoomState:
    return RoomState(
        states.air_c[:, rows], states.mass_c[:, rows], states.ratio[:, rows],
        states.film[:, rows], states.held[:, rows], states.panel_c[:, rows],
        states.core_c[:, rows],
    )  # fmt: skip


def state_at(states: RoomState, rows: npt.NDArray[np.intp]) -> RoomState:
    """Return what a bay held in some rows of one set's history, shape (rows,)."""
    found = _at(states, rows)
    return RoomState(
        found.air_c[0], found.mass_c[0], found.ratio[0], found.film[0], found.held[0],
        found.panel_c[0], found.core_c[0],
    )  # fmt: skip
