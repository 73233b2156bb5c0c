"""What a job takes down when it is opened: its products' sheets and the limits in force."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from envmon.guard.plan import GuardPlan, HeldLimit
    from envmon.shop.models import Shop
    from envmon.shop.work import Procedure, Product

_OF_SHEET = (
    "name", "source", "carrier", "flash_at", "flash_rh_at", "flash_per_10_rh", "flash_off",
    "rain_safe", "full_cure", "overnight", "first_wash_days", "settle",
)  # fmt: skip


def products_used(
    shop: Shop, procedure: Procedure, batches: dict[str, str]
) -> dict[str, dict[str, Any]]:
    """Return the products of a procedure with what their sheets say.

    Args:
        shop: The shop file.
        procedure: What is worked.
        batches: Product id -> batch number, where it was given.
    """
    used = {step.product for step in procedure.step if step.product}
    return {
        product.id: {**_sheet(product), "batch": batches.get(product.id, "")}
        for product in shop.product
        if product.id in used
    }


def _sheet(product: Product) -> dict[str, Any]:
    said = {name: getattr(product, name) for name in _OF_SHEET}
    flash = None if product.flash is None else list(product.flash)
    return {**said, "sheet": product.sheet.isoformat(), "flash": flash}


def limits_in_force(
    plan: GuardPlan, bay: str, procedure: Procedure
) -> dict[str, list[dict[str, Any]]]:
    """Return the limits of a procedure's stages as the guard holds them, or the person by hand.

    Args:
        plan: The compiled shop file.
        bay: Id of the bay.
        procedure: What is worked.
    """
    wanted = {step.stage for step in procedure.step}
    return {
        stage.id: [
            *(_limit(limit) for limit in stage.limits),
            *({**_limit(limit), "by_hand": True} for limit in stage.by_hand),
        ]
        for stage in plan.variant(bay, procedure.id).stages
        if stage.id in wanted
    }


def _limit(limit: HeldLimit) -> dict[str, Any]:
    return {
        "quantity": limit.quantity,
        "low": limit.low if math.isfinite(limit.low) else None,
        "high": limit.high if math.isfinite(limit.high) else None,
        "source": limit.source,
    }
