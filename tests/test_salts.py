"""Humidity over saturated salt solutions, held to the cited table of the check collection."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from envmon.errors import InputError
from envmon.physics.salts import CAUTIONS, SALTS, rel_hum_pct_over_salt, salt_name

TABLE = Path(__file__).parents[1] / "fixtures" / "check" / "handbook_values.json"
"""Greenspan 1977, J. Res. NBS 81A:89 (from memory, as each row says, some confirmed otherwise)."""
NAME = "equilibrium RH over saturated "


def rows() -> list[tuple[str, float, float, float]]:
    """Return salt, temperature [°C], humidity [%] and uncertainty [%]."""
    found = []
    for row in json.loads(TABLE.read_text()):
        if row["quantity"].startswith(NAME):
            temp, within = row["conditions"].split(" C, uncertainty +-")
            salt = row["quantity"].removeprefix(NAME)
            found.append((salt, float(temp), float(row["value"]), float(within)))
    return found


def test_the_table_has_five_salts_at_five_temperatures() -> None:
    assert {row[0] for row in rows()} == set(SALTS)
    assert len(rows()) == 25


@pytest.mark.parametrize(("salt", "temp_c", "value", "within"), rows())
def test_values_of_the_table(salt: str, temp_c: float, value: float, within: float) -> None:
    """To 0.02 % RH: the table gives hundredths, its polynomial was fitted to finer values."""
    found = rel_hum_pct_over_salt(salt, temp_c)
    assert found.rel_hum_pct == pytest.approx(value, abs=0.02)
    assert found.within_pct == within


@pytest.mark.parametrize("salt", SALTS)
def test_between_the_rows_it_lies_between_their_values(salt: str) -> None:
    known = {temp: (value, within) for name, temp, value, within in rows() if name == salt}
    for low, high in ((10, 15), (15, 20), (20, 25), (25, 30)):
        (at_low, within_low), (at_high, within_high) = known[low], known[high]
        found = rel_hum_pct_over_salt(salt, (low + high) / 2)
        assert min(at_low, at_high) - 0.04 <= found.rel_hum_pct <= max(at_low, at_high) + 0.04
        assert found.within_pct == max(within_low, within_high)


def test_a_table_of_another_hand_says_the_same_at_25_degrees() -> None:
    """CRC Handbook, section 15, RH = A exp(B/T), itself good to 2 %: rows of the collection."""
    for salt, value in (("LiCl", 11.3), ("MgCl2", 32.8), ("NaCl", 75.3), ("KCl", 84.2)):
        assert rel_hum_pct_over_salt(salt, 25).rel_hum_pct == pytest.approx(value, rel=0.02)


@pytest.mark.parametrize("temp_c", [9.99, 30.01, -5.0, 71.0, math.nan, math.inf])
def test_outside_the_table_it_says_so(temp_c: float) -> None:
    with pytest.raises(InputError, match=r"temperature of the jar is .*allowed is 10 to 30 °C"):
        rel_hum_pct_over_salt("NaCl", temp_c)


def test_names_of_salts() -> None:
    assert salt_name(" nacl ") == "NaCl"
    with pytest.raises(InputError, match="salt is 'sugar'; there are values for LiCl, MgCl2"):
        salt_name("sugar")


def test_the_usual_caution_is_there() -> None:
    """Common practice, deferring to the safety data sheet."""
    text = " ".join(CAUTIONS)
    for word in ("eye protection", "safety data sheet", "mains"):
        assert word in text
