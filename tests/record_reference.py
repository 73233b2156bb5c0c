"""A record's numbers worked out again from an exported CSV with plain pandas.

Nothing of envmon is used here. The rules are those printed in the record itself: a reading holds
until the next good one of its point and quantity, at most for the point's stale time; of several
points the median counts; a mean is weighted by time; inside means low <= value <= high.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import psychrolib

if TYPE_CHECKING:
    from pathlib import Path

GOOD_FLAGS = {"late", "rate", "wet", "apart"}
"""Words that leave a reading a good value of its time."""
SECOND_US = 1_000_000
MARGIN_TOLERANCE_K = 0.1
"""Dew points of good libraries lie 0.03 K apart; a Magnus formula below 0 °C adds its own."""


class Limit(NamedTuple):
    """A limit of a stage; an end that is not limited is infinite."""

    quantity: str
    low: float = -math.inf
    high: float = math.inf


def readings_of(csv: Path, seen_until: str | None = None) -> pd.DataFrame:
    """Return the good readings of an export, in order of time: point, quantity, t [µs], value."""
    frame = pd.read_csv(csv, dtype={"flag": str}).fillna({"flag": ""})
    words = frame["flag"].map(lambda text: set(text.split("+")) - {""})
    frame = frame[words.map(lambda said: said <= GOOD_FLAGS)]
    if seen_until is not None:
        frame = frame[_us(frame["seen"]) <= us(seen_until)]
    frame = frame.assign(t=_us(frame["time"]))
    return frame[["point", "quantity", "t", "value"]].sort_values("t", kind="stable")


def us(text: str) -> int:
    """Return an ISO time as µs since 1970."""
    return int(_us(pd.Series([text])).iloc[0])


def _us(texts: pd.Series[Any]) -> pd.Series[Any]:
    times = pd.to_datetime(texts, utc=True, format="ISO8601")
    return (times - pd.Timestamp(0, tz="UTC")) // pd.Timedelta(microseconds=1)


def held(
    readings: pd.DataFrame, stale_s: dict[str, float], ends: tuple[int, int]
) -> pd.Series[Any]:
    """Return the median in force: a series over its change points [µs], NaN where unknown."""
    columns = []
    for point, stale in stale_s.items():
        own = readings[readings["point"] == point]
        values = pd.Series(own["value"].to_numpy(), index=own["t"].to_numpy())
        stops = values.index + round(stale * SECOND_US)
        # A stop that comes before the next reading ends the hold; infinity marks it for ffill.
        late = pd.Series(np.inf, index=stops[:-1][stops[:-1] < values.index[1:]])
        last = pd.Series(np.inf, index=stops[-1:])
        columns.append(pd.concat([values, late, last]).sort_index())
    edges = sorted({*ends, *(t for column in columns for t in column.index)})
    table = pd.concat([column.reindex(edges).ffill() for column in columns], axis=1)
    whole: pd.Series[Any] = table.replace(np.inf, np.nan).median(axis=1)
    return whole.loc[(whole.index >= ends[0]) & (whole.index <= ends[1])]


def spans_s(index: pd.Index[Any]) -> pd.Series[Any]:
    """Return how long each row of a series holds; the last has no length [s]."""
    rows = pd.Series(index, index=index)
    return (rows.shift(-1) - rows).fillna(0) / SECOND_US


def numbers(whole: pd.Series[Any], limit: Limit) -> dict[str, float]:
    """Return min, mean, max, seconds inside, outside and unknown, and the number of excursions."""
    lasts = spans_s(whole.index)
    whole, lasts = whole[lasts > 0], lasts[lasts > 0]
    known = whole.notna()
    inside = known & whole.between(limit.low, limit.high)
    out = known & ~inside
    total = lasts[known].sum()
    return {
        "min": whole.min(),
        "mean": (whole * lasts).sum() / total if total else math.nan,
        "max": whole.max(),
        "inside_s": lasts[inside].sum(),
        "outside_s": lasts[out].sum(),
        "unknown_s": lasts[~known].sum(),
        "excursions": int((out & ~out.shift(1, fill_value=False)).sum()),
    }


def dew_margin(air_c: pd.Series[Any], hum: pd.Series[Any], panel: pd.Series[Any]) -> pd.Series[Any]:
    """Return the panel above the saturation temperature of the air [K], at every change."""
    edges = sorted({*air_c.index, *hum.index, *panel.index})
    table = pd.concat([part.reindex(edges).ffill() for part in _marked(air_c, hum, panel)], axis=1)
    table = table.replace(np.inf, np.nan)
    worked = [
        math.nan if row.isna().any() else row.iloc[2] - _saturation_c(*row)
        for _, row in table.iterrows()
    ]
    return pd.Series(worked, index=edges)


def _marked(*parts: pd.Series[Any]) -> list[pd.Series[Any]]:
    return [part.fillna(np.inf) for part in parts]


def _saturation_c(air_c: float, rel_hum_pct: float, panel_c: float) -> float:
    """Return dew point, or below 0 °C of the panel the frost point [°C].

    Above 0 °C psychrolib (ASHRAE Fundamentals 2017, ch. 1); below it a Magnus formula over water
    or ice with the coefficients of WMO-No. 8 (from memory).
    """
    psychrolib.SetUnitSystem(psychrolib.SI)
    dew_c = float(psychrolib.GetTDewPointFromRelHum(air_c, min(rel_hum_pct, 100.0) / 100.0))
    if dew_c >= 0:
        return dew_c
    vapour = rel_hum_pct / 100.0 * 6.112 * math.exp(17.62 * air_c / (243.12 + air_c))
    a, b = (22.46, 272.62) if panel_c < 0 else (17.62, 243.12)
    log = math.log(vapour / 6.112)
    return b * log / (a - log)
