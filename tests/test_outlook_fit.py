"""What a bay's history teaches: its own constants where it shows them, and nothing else.

The reference is the model itself: a bay that is exactly as the model has it, with sensor noise,
must give its constants back. (That it is near a richer bay is judged in test_outlook_judged.)
"""

from __future__ import annotations

import math

import pytest

from envmon.errors import InputError
from envmon.outlook.constants import BELIEFS, Priors
from envmon.outlook.learning import fit_bay, fresh_facts
from envmon.outlook.model import ModelFacts
from envmon.physics.room import heat_loss_w_k
from tests.outlook_support import bay, lived_frame, still_frame

TRUE = {
    "mass_rate": 7.0, "mass_share": 11.0, "loss_air": 0.45, "loss_mass": 0.8, "heater_k_h": 110.0,
    "leak": 0.3, "door": 12.0, "fan": 2.4, "film": 4.0, "film_dry_h": 0.5, "mist": 4.0,
    "panel_rate": 7.0, "core_rate": 2.5, "core_h": 4.5,
}  # fmt: skip
FAN_ABOVE = 0.52
HEATER_W, DAYS = 14e3, 4
WITHIN = {
    "mass_rate": 0.2, "heater_k_h": 0.15, "door": 0.2, "fan": 0.25, "mist": 0.25,
    "panel_rate": 0.3, "fan_above": 0.04,
}  # fmt: skip
"""By how much the constants that matter may be off; the door's five minutes a day are few."""


@pytest.fixture(scope="module")
def facts() -> ModelFacts:
    frame = lived_frame(bay(**TRUE), FAN_ABOVE, DAYS, seed=4, heater_w=HEATER_W)
    return fit_bay(frame, Priors(200))


@pytest.mark.parametrize(("name", "share"), WITHIN.items())
def test_a_bay_as_the_model_has_it_gives_its_constants_back(
    facts: ModelFacts, name: str, share: float
) -> None:
    true = {**TRUE, "fan_above": FAN_ABOVE}[name]
    assert facts.constants[name].told
    assert facts.constants[name].value == pytest.approx(true, rel=share)


def test_a_bay_that_shares_its_air_with_none_learns_no_exchange_of_air() -> None:
    """With none beside it nothing can be told of neighbours, nor may it help the rest."""
    frame = lived_frame(bay(**TRUE), FAN_ABOVE, 2, seed=4, heater_w=HEATER_W)
    frame.shared_c[:] = math.nan
    facts = fit_bay(frame, Priors(200))
    assert not facts.constants["shared"].told
    assert facts.constants["shared"].value < 0.01
    assert "shared" in facts.untold


def test_ranges_hold_the_truth(facts: ModelFacts) -> None:
    """At 90 % two of fourteen may lie outside, and none by more than as much again."""
    outside = 0
    for name, true in TRUE.items():
        one = facts.constants[name]
        reach = math.log(one.high / one.low) / 2
        off = abs(math.log(one.value / true))
        assert off < 2.5 * reach, name
        outside += off > reach
    assert outside <= 3


def test_heat_loss_is_in_watts_since_the_heaters_output_is_known(facts: ModelFacts) -> None:
    true = heat_loss_w_k(bay(**TRUE), HEATER_W * 3600 / TRUE["heater_k_h"])
    assert facts.loss_w_k is not None
    assert facts.loss_w_k.value == pytest.approx(true, rel=0.2)
    assert facts.loss_w_k.low < true < facts.loss_w_k.high


def test_without_the_heaters_output_there_are_time_constants_and_no_watts() -> None:
    frame = lived_frame(bay(**TRUE), FAN_ABOVE, 2, seed=4)
    frame.columns["heater_power_w"][:] = math.nan
    facts = fit_bay(frame, Priors(200))
    assert facts.constants["heater_k_h"].told
    assert facts.air_j_k is None
    assert facts.loss_w_k is None


def test_a_bay_in_which_nothing_happens_tells_nothing() -> None:
    facts = fit_bay(still_frame(3), Priors(200))
    for name in ("mass_rate", "loss_air", "loss_mass", "heater_k_h", "door", "fan", "mist"):
        one, belief = facts.constants[name], BELIEFS[name]
        assert not one.told, name
        assert one.value == pytest.approx(belief.median, rel=0.35), name
    assert set(facts.untold) >= {"mass_rate", "door", "fan"}


@pytest.mark.parametrize("rows", [0, 60, 400])
def test_too_short_a_history_is_a_guess_that_says_so(rows: int) -> None:
    facts = fit_bay(still_frame(1).rows(0, rows), Priors(200))
    assert facts.guessing
    assert all(not one.told for one in facts.constants.values())


def test_facts_come_back_from_json(facts: ModelFacts) -> None:
    assert ModelFacts.from_json(facts.to_json()) == facts
    fresh = fresh_facts(Priors(200))
    assert ModelFacts.from_json(fresh.to_json()) == fresh


def test_a_rated_heater_makes_the_guess_better() -> None:
    with_it = fresh_facts(Priors(200, heater_w=14e3)).constants["heater_k_h"]
    without = fresh_facts(Priors(200)).constants["heater_k_h"]
    assert with_it.value == pytest.approx(14e3 / (1.2 * 1006 * 200 / 0.6) * 3600)
    assert with_it.high / with_it.low < without.high / without.low


def test_an_impossible_volume_and_unknown_beliefs_are_refused() -> None:
    with pytest.raises(InputError, match="volume is 2"):
        Priors(2)
    with pytest.raises(InputError, match="luck"):
        Priors(200, beliefs={"luck": (1.0, 1.0)})
