from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from envmon.physics import air


def test_frost_and_dew_points_of_a_year_at_a_cold_coast() -> None:
    """Within 0.16 K of the measured file away from month joins.

    Source: TMY3, NREL, station 703165 (Sand Point, Alaska), in pvlib's wheel. The file takes RH
    and dew point over ice below 0 °C. Months of different years meet at a join; seven hours on
    either side are left out.
    """
    pvlib = pytest.importorskip("pvlib", reason="pvlib carries the TMY3 file")
    path = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    frame, _ = pvlib.iotools.read_tmy3(path, map_variables=True)
    temp_c = frame["temp_air"].to_numpy(float)
    rel_hum = frame["relative_humidity"].to_numpy(float)
    over_ice = temp_c <= 0.01
    found = air.frost_point_c(temp_c, rel_hum)
    found[over_ice] = air.frost_point_c(temp_c[over_ice], rel_hum[over_ice], over="ice")

    months = frame.index.month.to_numpy()
    joins = np.flatnonzero(np.diff(months)) + 1
    hours = np.arange(len(months))
    away = np.min([np.abs(hours - join) for join in (0, *joins)], axis=0) > 7
    assert len(joins) == 12
    assert away.sum() > 8500
    assert (over_ice & away).sum() > 1000
    wrong = np.abs(found - frame["temp_dew"].to_numpy(float))
    assert wrong[away].max() <= 0.16
