"""Dew point, wet bulb and humidity ratio of a million states, beside psychrolib and CoolProp.

Run as ``python tests/benchmarks/moist_air.py [--states N] [--loop N] [--rounds N]``. All run in
the same process on the same states: the air of a shop over a winter, −10…35 °C, 5…100 % RH,
90…103 kPa, mixed. psychrolib and CoolProp work one state at a time; they get the first states
of the same arrays and their time is carried forward to the whole. Ours is the best and the
median of several rounds; the load of the machine is printed, as absolute figures follow it.
psychrolib and CoolProp take RH over ice below 0.01 °C, so values are compared from there up.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import importlib.util
import os
import statistics
import time
import timeit
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import psychrolib
from CoolProp.HumidAirProp import HAPropsSI

from envmon.physics import air

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

Triple = tuple[Any, Any, Any]
"""Dew point [°C], wet bulb [°C], humidity ratio [kg/kg]."""

COMPARED = (("dew point [K]", 0.03), ("wet bulb [K]", 0.05), ("humidity ratio [%]", 0.8))
"""What the three are compared in, and what holds between good libraries."""


@dataclass(frozen=True, slots=True)
class States:
    """Moist air, arrays of one length.

    Attributes:
        temp_c: Air temperature [°C].
        rel_hum_pct: Relative humidity [%].
        pressure_pa: Air pressure [Pa].
    """

    temp_c: NDArray[np.float64]
    rel_hum_pct: NDArray[np.float64]
    pressure_pa: NDArray[np.float64]

    @classmethod
    def drawn(cls, count: int) -> States:
        """Return so many states, the same ones in every run."""
        rng = np.random.default_rng(20)
        ranges = ((-10, 35), (5, 100), (90_000, 103_000))
        return cls(*(rng.uniform(low, high, count) for low, high in ranges))

    def rows(self, count: int) -> list[tuple[float, float, float]]:
        """Return the first states as plain numbers."""
        columns = (self.temp_c, self.rel_hum_pct, self.pressure_pa)
        return list(zip(*(column[:count].tolist() for column in columns), strict=True))


def one_by_one(t: Any, rh: Any, p: Any) -> Triple:
    """Call our three functions, for numbers or arrays."""
    return air.dew_point_c(t, rh), air.wet_bulb_c(t, rh, p), air.humidity_ratio_kg_kg(t, rh, p)


def jointly(t: Any, rh: Any, p: Any) -> Triple:
    """Call our joint function, which works out four quantities more."""
    state = air.moist_air_state(t, rh, p)
    return state.dew_point_c, state.wet_bulb_c, state.humidity_ratio_kg_kg


def by_psychrolib(t: float, rh: float, p: float) -> Triple:
    """Call psychrolib's three functions."""
    fraction = rh / 100
    return (
        psychrolib.GetTDewPointFromRelHum(t, fraction),
        psychrolib.GetTWetBulbFromRelHum(t, fraction, p),
        psychrolib.GetHumRatioFromRelHum(t, fraction, p),
    )


def by_coolprop(t: float, rh: float, p: float) -> Triple:
    """Call CoolProp's humid air three times."""
    inputs = ("T", t + 273.15, "R", rh / 100, "P", p)
    dew, wet, ratio = (HAPropsSI(name, *inputs) for name in ("Tdp", "Twb", "W"))
    return dew - 273.15, wet - 273.15, ratio


def array_seconds(call: Callable[..., Triple], states: States, rounds: int) -> list[float]:
    """Return the time of the whole array, round by round [s]; one round first warms up."""
    columns = (states.temp_c, states.rel_hum_pct, states.pressure_pa)
    return timeit.repeat(lambda: call(*columns), number=1, repeat=rounds + 1)[1:]


def loop(
    call: Callable[..., Triple], rows: list[tuple[float, float, float]]
) -> tuple[float, NDArray[np.float64]]:
    """Return the time of one state in a plain loop [µs], and what came out."""
    call(*rows[0])
    start = time.perf_counter()
    found = [call(*row) for row in rows]
    return (time.perf_counter() - start) / len(rows) * 1e6, np.array(found)


def differences(found: NDArray[np.float64], rows: list[tuple[float, float, float]]) -> list[float]:
    """Return the largest difference from ours of each quantity.

    Air from 0.01 °C up only (below it RH lies over ice there), and no wet bulb within 0.9 K of
    0 °C, where the equation has a solution with ice and one with water, and the libraries split.
    """
    kept = [i for i, row in enumerate(rows) if row[0] >= 0.01]
    states = [rows[i] for i in kept]
    ours, theirs = np.array([one_by_one(*row) for row in states]), found[kept]
    frost = np.array([air.frost_point_c(t, rh) for t, rh, _ in states])
    split = np.abs(ours[:, 1]) < 0.9
    return [
        float(np.abs(theirs[:, 0] - frost).max()),
        float(np.abs(theirs[:, 1] - ours[:, 1])[~split].max()),
        float(np.abs(theirs[:, 2] / ours[:, 2] - 1).max() * 100),
    ]


def print_line(name: str, seconds: float, note: str, base: float) -> None:
    """Print one row of the table: time for a million states, and how psychrolib compares."""
    print(f"{name:<34} {seconds:>9.3f} s {base / seconds:>9.1f} ×   {note}")


def report_arrays(states: States, rounds: int, psychrolib_s: float) -> None:
    """Print what our array calls need, carried to a million states."""
    scale = 1e6 / states.temp_c.size
    for name, call in (("ours, three functions", one_by_one), ("ours, joint (7 values)", jointly)):
        spent = [scale * second for second in array_seconds(call, states, rounds)]
        note = f"best of {rounds}; median {statistics.median(spent):.3f} s"
        print_line(name, min(spent), note, psychrolib_s)


def machine() -> str:
    """Return what the figures depend on."""
    parts = [f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "psychrolib")]
    parts.append(f"CoolProp {importlib.metadata.version('CoolProp')}")
    numba = "with" if importlib.util.find_spec("numba") else "without"
    load = os.getloadavg()[0]
    return f"{', '.join(parts)}, {numba} numba; {os.cpu_count()} cores, load {load:.1f}"


def report(count: int, loop_count: int, rounds: int) -> None:
    """Print the table."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    states = States.drawn(count)
    rows = states.rows(loop_count)
    print(machine())
    print(f"{'1 000 000 states':<34} {'time':>11} {'psychrolib':>11}")
    lib_us, lib_found = loop(by_psychrolib, rows)
    print_line("psychrolib, loop", lib_us, f"{len(rows)} states measured", lib_us)
    cool_us, cool_found = loop(by_coolprop, rows[: max(1, loop_count // 10)])
    print_line("CoolProp, loop", cool_us, f"{len(cool_found)} states measured", lib_us)
    for name, call in (("ours, loop, three functions", one_by_one), ("ours, loop, joint", jointly)):
        micros, _ = loop(call, rows)
        print_line(name, micros, f"{micros:.1f} µs a state", lib_us)
    report_arrays(states, rounds, lib_us)
    for name, found in (("psychrolib", lib_found), ("CoolProp", cool_found)):
        largest = differences(found, rows[: len(found)])
        pairs = zip(COMPARED, largest, strict=True)
        said = ", ".join(f"{what} {value:.3f} (≤ {slack})" for (what, slack), value in pairs)
        print(f"largest difference from {name}: {said}")


def main() -> None:
    """Read the options and print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--states", type=int, default=1_000_000)
    parser.add_argument("--loop", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=7)
    options = parser.parse_args()
    report(options.states, options.loop, options.rounds)


if __name__ == "__main__":
    main()
