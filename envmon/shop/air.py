"""Which bays share their air."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from envmon.shop.models import Shop


def air_spaces(shop: Shop) -> list[tuple[str, ...]]:
    """Return the bays that share their air, together; a bay of its own stands alone."""
    groups: dict[str, list[str]] = {}
    for bay in shop.bay:
        groups.setdefault(f"space {bay.air_space}" if bay.air_space else bay.id, []).append(bay.id)
    return [tuple(group) for group in groups.values()]


def others_in_air(shop: Shop) -> dict[str, tuple[str, ...]]:
    """Return bay -> the other bays of its air, in the order of the shop file."""
    return {
        bay: tuple(other for other in group if other != bay)
        for group in air_spaces(shop)
        for bay in group
    }
