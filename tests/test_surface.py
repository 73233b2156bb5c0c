from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from envmon.errors import InputError
from envmon.physics import air
from envmon.physics.surface import (
    THREE_K_RULE,
    THREE_K_SOURCE,
    condensation_verdict,
    dew_margin_k,
)

if TYPE_CHECKING:
    from collections.abc import Callable


def verdict(surface_c: float, dew_c: float, frost_c: float) -> str:
    return str(condensation_verdict(surface_c, dew_margin_k(surface_c, dew_c, frost_c)))


def test_the_cold_car_in_the_warm_bay() -> None:
    """A bay of 20 °C and 45 % has a dew point of 7.7 °C (common practice)."""
    dew, frost = air.dew_point_c(20, 45), air.frost_point_c(20, 45)
    assert dew_margin_k(12, dew, frost) == pytest.approx(12 - 7.7, abs=0.05)
    assert verdict(12, dew, frost) == "dry"
    assert verdict(9, dew, frost) == "at_risk"
    assert verdict(5, dew, frost) == "wet"
    assert verdict(-15, dew, frost) == "frost"


def test_below_zero_the_frost_point_counts() -> None:
    """−5 °C dew is −4.43 °C frost (check collection's conventions): frost comes earlier."""
    assert dew_margin_k(-4.7, -5, -4.43) == pytest.approx(-0.27)
    assert verdict(-4.7, -5, -4.43) == "frost"
    assert verdict(-4.3, -5, -4.43) == "at_risk"


def test_margin_steps_where_the_surface_crosses_zero() -> None:
    assert dew_margin_k(0.0, -5, -4.43) == pytest.approx(5)
    assert dew_margin_k(-1e-9, -5, -4.43) == pytest.approx(4.43)


def test_margin_is_exactly_nil_on_the_saturation_line() -> None:
    assert dew_margin_k(7.7, 7.7, 7.7) == 0
    assert verdict(7.7, 7.7, 7.7) == "wet"
    assert verdict(0.0, 0.0, 0.0) == "wet"
    assert verdict(-4.43, -5, -4.43) == "frost"


def test_three_k_rule_counts_its_border_as_dry() -> None:
    """ "At least 3 K above the dew point": ISO 12944-7 and ISO 8502-4 (from memory)."""
    assert THREE_K_RULE == 3
    assert "ISO 12944-7" in THREE_K_SOURCE
    assert verdict(13.0, 10.0, 10.0) == "dry"
    assert verdict(math.nextafter(13.0, 0), 10.0, 10.0) == "at_risk"


@pytest.mark.parametrize("function", [dew_margin_k, verdict])
def test_what_is_missing_is_never_dry(function: Callable[..., Any]) -> None:
    for place, name in enumerate(("surface temperature", "dew point", "frost point")):
        values = [20.0, 5.0, 5.0]
        for bad in (math.nan, math.inf, -math.inf, 1000.0):
            values[place] = bad
            with pytest.raises(InputError, match=f"{name} is"):
                function(*values)


def test_arrays_give_margins_and_verdicts_place_by_place() -> None:
    surface = np.array([20.0, 6.0, 4.0, -3.0, math.nan, 999.0])
    margin = dew_margin_k(surface, 5.0, 5.0)
    np.testing.assert_allclose(margin, [15, 1, -1, -8, math.nan, math.nan])
    assert condensation_verdict(surface, margin).tolist() == [
        "dry",
        "at_risk",
        "wet",
        "frost",
        "unknown",
        "unknown",
    ]


def test_a_missing_margin_is_refused_or_unknown() -> None:
    for bad in (math.nan, math.inf, -1000.0):
        with pytest.raises(InputError, match="dew margin is"):
            condensation_verdict(20, bad)
    assert condensation_verdict(20, [math.nan, 5.0]).tolist() == ["unknown", "dry"]
    assert condensation_verdict([math.nan, 20.0], 5.0).tolist() == ["unknown", "dry"]


def test_number_in_float_and_word_out() -> None:
    assert type(dew_margin_k(20, 5, 5)) is float
    assert type(condensation_verdict(20, 15)) is str
    assert condensation_verdict([[20.0], [4.0]], [5.0, 1.0]).shape == (2, 2)
