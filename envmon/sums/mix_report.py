"""``envmon mix ratio`` and ``pir``: what to pour, and what of it lands on the panel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from envmon.errors import InputError
from envmon.physics.mixing import (
    Mix,
    bottle_share,
    impact_ratio,
    lance_dilution,
    lance_dilution_from_flows,
    mix_into_water,
    mix_of_amounts,
    mix_of_total,
)
from envmon.sums.mix_answer import MixAnswer, Question
from envmon.sums.mix_texts import (
    both_texts,
    digits,
    litres_from_text,
    number_from_text,
    parts_from_text,
    percent_text,
    ratio_text,
    share_from_text,
    volume_text,
)

if TYPE_CHECKING:
    from envmon.units import UnitSystem


@dataclass(frozen=True)
class RatioQuestion(Question):
    """How much concentrate and water.

    Attributes:
        mix: Ratio or share, such as ``1:10`` or ``2 %``.
        total: Volume of both together: a bottle to fill.
        water: Volume of the water alone: a bucket that is filled already.
        concentrate: Volume of the concentrate.
    """

    mix: str = ""
    total: str = ""
    water: str = ""
    concentrate: str = ""

    def answer(self, units: UnitSystem) -> MixAnswer:
        """Return the mix.

        Raises:
            InputError: A text cannot be read, or too little or too much was given.
        """
        mix, amount = self._mix()
        values: dict[str, Any] = {"share_pct": 100 * mix.share, "water_parts": mix.water_parts}
        same = (("ratio", ratio_text(mix.share)), ("share", percent_text(mix.share)))
        if not amount:
            return MixAnswer(values, f"{same[0][1]} is {same[1][1]}", same)
        values |= mix_values(mix)
        return MixAnswer(values, mix_say(mix, units), (*same, *mix_lines(mix, units)))

    def _mix(self) -> tuple[Mix, bool]:
        """Return the mix, and whether its amount was given."""
        volumes = self.given("total", "water", "concentrate")
        if not self.mix.strip():
            if volumes != ["water", "concentrate"]:
                raise InputError("give a ratio such as 1:10, or concentrate and water")
            return mix_of_amounts(self._litres("concentrate"), self._litres("water")), True
        share = share_from_text(self.mix, "mix")
        if len(volumes) > 1:
            raise InputError(
                f"{' and '.join(volumes)} are given; allowed is one of them beside a ratio"
            )
        if not volumes:
            return mix_of_total(share, 1.0), False
        volume_l = self._litres(volumes[0])
        if volumes[0] == "total":
            return mix_of_total(share, volume_l), True
        if volumes[0] == "water":
            return mix_into_water(share, volume_l), True
        return mix_of_total(share, volume_l / share), True

    def _litres(self, name: str) -> float:
        return litres_from_text(getattr(self, name), name)


def mix_values(mix: Mix) -> dict[str, float]:
    """Return the amounts of a mix by their names."""
    return {
        "concentrate_l": mix.concentrate_l, "water_l": mix.water_l, "total_l": mix.total_l,
    }  # fmt: skip


def mix_say(mix: Mix, units: UnitSystem) -> str:
    """Return what to pour in one line."""
    if mix.water_l == 0:
        return f"{volume_text(mix.concentrate_l, units)} concentrate, no water"
    return (
        f"{volume_text(mix.water_l, units)} water, then "
        f"{volume_text(mix.concentrate_l, units)} concentrate"
    )


def mix_lines(mix: Mix, units: UnitSystem) -> tuple[tuple[str, str], ...]:
    """Return the amounts of a mix, each in both systems of units."""
    amounts = (
        ("water", mix.water_l), ("concentrate", mix.concentrate_l), ("together", mix.total_l),
    )  # fmt: skip
    return tuple((what, both_texts(volume_l, units)) for what, volume_l in amounts)


@dataclass(frozen=True)
class ImpactQuestion(Question):
    """What must be in the bottle so that enough lands on the panel, or the other way round.

    Attributes:
        aim: Panel impact ratio, such as ``5 %``.
        in_bottle: Or what is in the bottle, such as ``1:4``.
        lance: Parts of passing water to one part the lance draws, ``9`` or ``1:9``.
        flow: Or what comes out of the lance, in any unit.
        draw: And what of it the lance draws from the bottle, in the same unit.
        bottle: Volume of the bottle.
    """

    aim: str = ""
    in_bottle: str = ""
    lance: str = ""
    flow: str = ""
    draw: str = ""
    bottle: str = ""

    def answer(self, units: UnitSystem) -> MixAnswer:
        """Return what belongs into the bottle, or what lands on the panel.

        Raises:
            InputError: A text cannot be read, or too little or too much was given.
        """
        dilution = self._dilution()
        if len(self.given("aim", "in_bottle")) != 1:
            raise InputError("give either the aim on the panel or what is in the bottle")
        if self.aim.strip():
            aim = share_from_text(self.aim, "aim")
            share = bottle_share(aim, dilution)
            if share > 1 + 1e-12:
                return _out_of_reach(aim, share, dilution)
            return self._told(aim, min(share, 1.0), dilution, units)
        share = share_from_text(self.in_bottle, "in the bottle")
        return self._told(impact_ratio(share, dilution), share, dilution, units)

    def _dilution(self) -> float:
        given = self.given("lance", "flow", "draw")
        if given == ["lance"]:
            return lance_dilution(parts_from_text(self.lance, "lance"))
        if given == ["flow", "draw"]:
            flows = (number_from_text(getattr(self, name), name) for name in given)
            return lance_dilution_from_flows(*flows)
        raise InputError(
            "give how the lance draws: either parts of passing water to one part from the bottle, "
            "or its flow and its draw"
        )

    def _told(self, aim: float, share: float, dilution: float, units: UnitSystem) -> MixAnswer:
        values: dict[str, Any] = _impact_values(aim, share, dilution)
        lines = [
            ("on the panel", f"{percent_text(aim)} ({ratio_text(aim)})"),
            ("in the bottle", f"{percent_text(share)} ({ratio_text(share)})"),
            ("lance", f"draws 1:{digits(dilution - 1)}"),
        ]
        if not self.bottle.strip():
            say = f"bottle {ratio_text(share)} puts {percent_text(aim)} on the panel"
            return MixAnswer(values, say, tuple(lines))
        mix = mix_of_total(share, litres_from_text(self.bottle, "bottle"))
        values |= mix_values(mix)
        lines += mix_lines(mix, units)
        return MixAnswer(values, mix_say(mix, units), tuple(lines))


def _impact_values(aim: float, share: float, dilution: float) -> dict[str, Any]:
    return {
        "impact_ratio_pct": 100 * aim,
        "bottle_share_pct": 100 * share,
        "lance_dilution": dilution,
        "highest_impact_ratio_pct": 100 / dilution,
    }


def _out_of_reach(aim: float, share: float, dilution: float) -> MixAnswer:
    why_not = (
        f"{percent_text(aim)} on the panel cannot be reached with this lance: the bottle would "
        f"have to hold {percent_text(share)}. Pure concentrate puts {percent_text(1 / dilution)} "
        f"on the panel. Use a lance that draws 1 part to at most {digits(1 / aim - 1)} parts of "
        "water, or a lower aim that the label allows."
    )
    return MixAnswer(_impact_values(aim, share, dilution), why_not, why_not=why_not)
