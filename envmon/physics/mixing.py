"""Concentrate and water: ratio and share, what a lance leaves of it, what to pour.

Volumes add up, as is usual at the sink. A ratio 1:n is one part concentrate to n parts water.
"""

from __future__ import annotations

from typing import NamedTuple

from envmon.errors import InputError

MOST_PARTS = 100_000.0
"""No one dilutes further than 1:100 000."""


class Mix(NamedTuple):
    """Concentrate and water together.

    Attributes:
        concentrate_l: Concentrate [l].
        water_l: Water [l].
    """

    concentrate_l: float
    water_l: float

    @property
    def total_l(self) -> float:
        """Both together [l]."""
        return self.concentrate_l + self.water_l

    @property
    def share(self) -> float:
        """Part of the whole that is concentrate, 0…1."""
        return self.concentrate_l / self.total_l

    @property
    def water_parts(self) -> float:
        """Parts of water to one part concentrate."""
        return self.water_l / self.concentrate_l


def share_from_water_parts(water_parts: float) -> float:
    """Return the share of concentrate in a ratio 1:n.

    Args:
        water_parts: n, parts of water to one part concentrate, 0…100 000.

    Returns:
        Concentrate over the whole, above 0 up to 1.

    Raises:
        InputError: n is outside its range.
    """
    if not 0 <= water_parts <= MOST_PARTS:
        raise InputError(
            f"parts of water are {water_parts:g}; allowed is 0 to {MOST_PARTS:g}, as in 1:10"
        )
    return 1 / (1 + water_parts)


def water_parts_from_share(share: float) -> float:
    """Return n of the ratio 1:n for a share of concentrate.

    Args:
        share: Concentrate over the whole, above 0 up to 1.

    Raises:
        InputError: The share is outside its range.
    """
    ensure_share(share, "share of concentrate")
    return (1 - share) / share


def ensure_share(share: float, name: str) -> None:
    """Refuse what is no share of a mix that could be poured.

    Raises:
        InputError: Not between 1:100 000 and pure, NaN among them.
    """
    if not 1 / (1 + MOST_PARTS) <= share <= 1:
        raise InputError(f"{name} is {100 * share:g} %; allowed is above 0.001 % to 100 %")


def lance_dilution(passing_parts: float) -> float:
    """Return total flow over drawn flow of a foam lance.

    Args:
        passing_parts: Parts of passing water to one part drawn from the bottle, 0…1000.

    Raises:
        InputError: It is outside its range.
    """
    if not 0 <= passing_parts <= 1000:
        raise InputError(
            f"passing water is {passing_parts:g} parts to 1 from the bottle; allowed is 0 to 1000"
        )
    return 1 + passing_parts


def lance_dilution_from_flows(total_flow: float, drawn_flow: float) -> float:
    """Return total flow over drawn flow from two flows in one unit.

    Args:
        total_flow: What comes out of the lance.
        drawn_flow: What of that is drawn from the bottle, above 0 up to the total.

    Raises:
        InputError: No flow, or more is drawn than comes out.
    """
    if not 0 < drawn_flow <= total_flow < float("inf"):
        raise InputError(
            f"{drawn_flow:g} is drawn of a total flow of {total_flow:g}; allowed is above 0 up to "
            "the total: measure what comes out of the lance, bottle mix and water together"
        )
    return total_flow / drawn_flow


def bottle_share(impact_ratio: float, dilution: float) -> float:
    """Return the share of concentrate the bottle needs for an aim on the panel.

    Above 1 the lance cannot reach the aim: even pure concentrate is too thin.

    Args:
        impact_ratio: Panel impact ratio, share of concentrate in what lands, above 0 up to 1.
        dilution: Total flow over drawn flow, 1 or more.

    Raises:
        InputError: One of them is outside its range.

    Source: common practice; a balance of the concentrate through the lance.
    """
    ensure_share(impact_ratio, "panel impact ratio")
    _ensure_dilution(dilution)
    return impact_ratio * dilution


def impact_ratio(share_in_bottle: float, dilution: float) -> float:
    """Return the panel impact ratio of a bottle mix through a lance.

    Args:
        share_in_bottle: Share of concentrate in the bottle, above 0 up to 1.
        dilution: Total flow over drawn flow, 1 or more.

    Raises:
        InputError: One of them is outside its range.

    Source: common practice; a balance of the concentrate through the lance.
    """
    ensure_share(share_in_bottle, "share in the bottle")
    _ensure_dilution(dilution)
    return share_in_bottle / dilution


def _ensure_dilution(dilution: float) -> None:
    if not 1 <= dilution < float("inf"):
        raise InputError(f"total flow over drawn flow is {dilution:g}; allowed is 1 or more")


def mix_of_total(share: float, total_l: float) -> Mix:
    """Return what fills a bottle: concentrate and water that make a total [l] together.

    Raises:
        InputError: Share or total is outside its range.
    """
    ensure_share(share, "share of concentrate")
    _ensure_volume(total_l, "the whole mix")
    return Mix(share * total_l, (1 - share) * total_l)


def mix_into_water(share: float, water_l: float) -> Mix:
    """Return what a bucket of water [l] needs: the concentrate comes on top.

    Raises:
        InputError: Share or water is outside its range; pure concentrate has no water.
    """
    ensure_share(share, "share of concentrate")
    _ensure_volume(water_l, "the water")
    if share == 1:
        raise InputError("share of concentrate is 100 %; that leaves no room for water")
    return Mix(water_l * share / (1 - share), water_l)


def mix_of_amounts(concentrate_l: float, water_l: float) -> Mix:
    """Return the mix of two volumes [l].

    Raises:
        InputError: One of them is no volume, or thinner than 1:100 000.
    """
    _ensure_volume(concentrate_l, "the concentrate")
    if water_l != 0:
        _ensure_volume(water_l, "the water")
    mix = Mix(concentrate_l, water_l)
    ensure_share(mix.share, "share of concentrate")
    return mix


def _ensure_volume(volume_l: float, name: str) -> None:
    if not 1e-6 <= volume_l <= 100_000:
        raise InputError(f"{name} is {volume_l:g} l; allowed is 0.001 ml to 100 000 l")
