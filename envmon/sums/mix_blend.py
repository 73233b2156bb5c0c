"""``envmon mix blend``: hot and cold water to a wanted temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.physics.water import (
    SCALD_C,
    Portion,
    blend_temp_c,
    can_reach,
    portion_to_reach,
    portions_for_total,
)
from envmon.shop.stages import stage_by_id
from envmon.sums.mix_answer import MixAnswer, Question
from envmon.sums.mix_texts import (
    both_texts,
    celsius_from_text,
    celsius_text,
    litres_from_text,
    volume_text,
)

if TYPE_CHECKING:
    from envmon.units import UnitSystem

_WARM = ("foam", "wash")
"""Stages that want warm water."""


@dataclass(frozen=True)
class BlendQuestion(Question):
    """Hot and cold water.

    Attributes:
        hot: Temperature of the hot water.
        cold: Temperature of the cold water.
        want: Wanted temperature.
        total: Volume of the blend.
        hot_amount: Or the volume of hot water that is there.
        cold_amount: Or the volume of cold water that is there; both without a wanted temperature.
    """

    hot: str = ""
    cold: str = ""
    want: str = ""
    total: str = ""
    hot_amount: str = ""
    cold_amount: str = ""

    def answer(self, units: UnitSystem) -> MixAnswer:
        """Return what to pour, or how warm it gets.

        Raises:
            InputError: A text cannot be read, or too little or too much was given.
        """
        for name in ("hot", "cold"):
            if not self.given(name):
                raise InputError(f"give the temperature of the {name} water")
        hot_c, cold_c = (celsius_from_text(text, units) for text in (self.hot, self.cold))
        if hot_c < cold_c:
            hot, cold = (celsius_text(each, units) for each in (hot_c, cold_c))
            raise InputError(
                f"hot water is {hot}, cold water {cold}; allowed is hot water at least as warm as "
                "the cold: exchange them"
            )
        given = self.given("total", "hot_amount", "cold_amount")
        if not self.want.strip():
            return self._as_poured(hot_c, cold_c, given, units)
        want_c = celsius_from_text(self.want, units)
        if len(given) != 1:
            raise InputError("give one volume: of the blend, or of the hot or the cold water")
        if not can_reach(hot_c, cold_c, want_c) or _needs_endless(given[0], hot_c, cold_c, want_c):
            return _no_blend(hot_c, cold_c, want_c, units)
        volume_l = litres_from_text(getattr(self, given[0]), given[0].replace("_", " "))
        return blend_answer(_poured(given[0], (hot_c, cold_c, want_c), volume_l), units)

    def _as_poured(
        self, hot_c: float, cold_c: float, given: list[str], units: UnitSystem
    ) -> MixAnswer:
        if given != ["hot_amount", "cold_amount"]:
            raise InputError("give the wanted temperature, or how much hot and cold water there is")
        volumes = (litres_from_text(getattr(self, name), name.replace("_", " ")) for name in given)
        hot_l, cold_l = volumes
        return blend_answer((Portion(hot_l, hot_c), Portion(cold_l, cold_c)), units)


def _needs_endless(given: str, hot_c: float, cold_c: float, want_c: float) -> bool:
    """Return whether what is there can only be brought to the wanted temperature by no end."""
    have, other = (hot_c, cold_c) if given == "hot_amount" else (cold_c, hot_c)
    return given != "total" and want_c == other != have


def _poured(
    given: str, temps_c: tuple[float, float, float], volume_l: float
) -> tuple[Portion, Portion]:
    hot_c, cold_c, want_c = temps_c
    if given == "total":
        return portions_for_total(hot_c, cold_c, want_c, volume_l)
    if given == "hot_amount":
        hot = Portion(volume_l, hot_c)
        return hot, portion_to_reach(hot, cold_c, want_c)
    cold = Portion(volume_l, cold_c)
    return portion_to_reach(cold, hot_c, want_c), cold


def blend_answer(portions: tuple[Portion, Portion], units: UnitSystem) -> MixAnswer:
    """Return what hot and cold water give together."""
    hot, cold = portions
    temp_c = blend_temp_c(portions)
    total_l = hot.volume_l + cold.volume_l
    values = {
        "hot_l": hot.volume_l, "cold_l": cold.volume_l, "total_l": total_l,
        "hot_temp_c": hot.temp_c, "cold_temp_c": cold.temp_c, "water_temp_c": temp_c,
    }  # fmt: skip
    say = (
        f"{volume_text(cold.volume_l, units)} cold and {volume_text(hot.volume_l, units)} hot give "
        f"{celsius_text(temp_c, units)}"
    )
    lines = (
        (f"cold, {celsius_text(cold.temp_c, units)}", both_texts(cold.volume_l, units)),
        (f"hot, {celsius_text(hot.temp_c, units)}", both_texts(hot.volume_l, units)),
        ("together", both_texts(total_l, units)),
        *(_suits(stage, temp_c, units) for stage in _WARM),
        ("ranges", "common practice"),
    )
    return MixAnswer(values, say, lines, _warm_cautions(hot.temp_c, temp_c, units))


def _suits(stage_id: str, temp_c: float, units: UnitSystem) -> tuple[str, str]:
    """Return a stage with its range for water, and whether this water suits it."""
    stage = stage_by_id(stage_id)
    (limit,) = [each for each in stage.limits if each.quantity == "water_temp_c"]
    low, high = float(limit.low or 0), float(limit.high or 100)
    word = "too cold" if temp_c < low - 0.05 else "too hot" if temp_c > high + 0.05 else "suits"
    lowest = celsius_text(low, units).split(" ")[0]
    return stage.name, f"{word}: {lowest} to {celsius_text(high, units)}"


def _warm_cautions(hot_c: float, temp_c: float, units: UnitSystem) -> tuple[str, ...]:
    scald = celsius_text(SCALD_C, units)
    always = "Cold first, then hot. Measure it before a hand goes in; the bucket takes some heat."
    if temp_c > SCALD_C:
        return (f"Over {scald}: this scalds, and foam made with it dries on.", always)
    if hot_c > SCALD_C:
        return (f"The hot water is over {scald}: it scalds while you pour.", always)
    return (always,)


def _no_blend(hot_c: float, cold_c: float, want_c: float, units: UnitSystem) -> MixAnswer:
    low, high = sorted((hot_c, cold_c))
    want, lowest, highest = (celsius_text(each, units) for each in (want_c, low, high))
    do = "Heat some of it further." if want_c >= high else "Find colder water, or let it stand."
    why_not = f"{want} cannot be blended from water of {lowest} and {highest}. {do}"
    values = {"hot_temp_c": hot_c, "cold_temp_c": cold_c, "wanted_temp_c": want_c}
    return MixAnswer(values, why_not, cautions=_warm_cautions(hot_c, high, units), why_not=why_not)
