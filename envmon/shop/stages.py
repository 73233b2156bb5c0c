"""The built-in stages with common-practice limits; a product's sheet replaces them.

The ranges are common practice in vehicle surface care. The 3 K rule is from ISO 12944-7 and
ISO 8502-4 (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.shop.limits import Limit, Stage, StageLimit

if TYPE_CHECKING:
    from envmon.shop.models import Bay, Shop
    from envmon.shop.work import Product

PRACTICE = "common practice"
THREE_K = "3 K rule, ISO 12944-7 and ISO 8502-4 (from memory)"
DRY_SURFACE = "a surface under the saturation temperature of the air is wet"

_VAPOUR = (
    "Flammable vapour: ventilate, no flame, spark or unsealed heater.",
    "Breathing protection as the safety data sheet says.",
)
_ALKALI = (
    "Alkaline foam and acid shampoo burn skin and eyes: rinse between them, never mix products.",
    "Gloves and eye protection as the safety data sheet says.",
    "Water and mains: residual-current protection and equipment rated for wet places.",
    "Water over 50 °C scalds.",
)
_IRON = ("Iron removers give off foul, irritating fumes: ventilate, follow the safety data sheet.",)
_WET = ("Water and mains: residual-current protection and equipment rated for wet places.",)
_HEAT = ("Fuel heaters make carbon monoxide: have a certified CO alarm; this screen is not one.",)


def _limit(
    quantity: str, low: float | None, high: float | None, source: str = PRACTICE, **more: float
) -> Limit:
    return Limit(quantity=quantity, low=low, high=high, source=source, **more)


def _cure_limits() -> tuple[Limit, ...]:
    return (
        _limit("air_temp_c", 15, 25),
        _limit("rel_hum_pct", 30, 65),
        _limit("dew_margin_k", 3, None, THREE_K),
    )


BUILT_IN: tuple[Stage, ...] = (
    Stage(
        id="warm_up", name="Warm-up", goal=True, cautions=_HEAT,
        limits=(
            _limit("panel_temp_c", 10, None),
            _limit("dew_margin_k", 0, None, DRY_SURFACE),
        ),
    ),
    Stage(
        id="foam", name="Foam pre-wash", cautions=_ALKALI,
        limits=(_limit("water_temp_c", 30, 45), _limit("panel_temp_c", 5, 30)),
    ),
    Stage(
        id="wash", name="Contact wash", cautions=_ALKALI,
        limits=(_limit("water_temp_c", 30, 40), _limit("panel_temp_c", 5, 30)),
    ),
    Stage(
        id="decontamination", name="Decontamination", cautions=_IRON,
        limits=(_limit("panel_temp_c", 10, 30),),
    ),
    Stage(
        id="rinse", name="Final rinse", cautions=_WET,
        limits=(_limit("dissolved_solids_ppm", None, 10, margin=2, deadband=1),),
    ),
    Stage(
        id="drying", name="Drying", goal=True, cautions=_WET,
        limits=(
            _limit("dew_margin_k", 0, None, DRY_SURFACE),
            _limit("rel_hum_pct", None, 60),
        ),
    ),
    Stage(
        id="polish", name="Polishing",
        limits=(
            _limit("air_temp_c", 15, 27),
            _limit("panel_temp_c", 10, 35),
            _limit("rel_hum_pct", None, 65),
        ),
    ),
    Stage(
        id="wipe", name="Solvent wipe", cautions=_VAPOUR, settle=300,
        limits=(_limit("air_temp_c", 15, 27),),
    ),
    Stage(
        id="coating", name="Coating", cautions=_VAPOUR, settle=600,
        limits=(
            _limit("air_temp_c", 18, 24, aim_low=20, aim_high=20),
            _limit("rel_hum_pct", 35, 60, aim_low=40, aim_high=45),
            _limit("panel_temp_c", 15, 25),
            _limit("dew_margin_k", 3, None, THREE_K),
        ),
    ),
    Stage(id="early_cure", name="Early cure", cautions=_VAPOUR, limits=_cure_limits()),
    Stage(id="cure", name="Full cure", cautions=_HEAT, limits=_cure_limits()),
    Stage(id="hand_over", name="Hand-over"),
)  # fmt: skip

STAGE_IDS: tuple[str, ...] = tuple(stage.id for stage in BUILT_IN)


def stage_by_id(stage_id: str) -> Stage:
    """Return a built-in stage.

    Raises:
        InputError: No such stage.
    """
    for stage in BUILT_IN:
        if stage.id == stage_id:
            return stage
    raise InputError(f"stage is {stage_id!r}; allowed: {', '.join(STAGE_IDS)}")


def stages_in_force(shop: Shop, bay: Bay) -> tuple[Stage, ...]:
    """Return every stage with the limits that hold in a bay by its usual procedure."""
    return stages_of(shop, bay.procedure)


def stages_of(shop: Shop, procedure_id: str | None) -> tuple[Stage, ...]:
    """Return every stage with the limits that hold in a procedure: the maker's sheet wins.

    A sheet's limit replaces the built-in one for the same quantity and adds the others.

    Args:
        shop: The shop file, checked.
        procedure_id: It says which product is used in which stage; None or one that is not there
            uses none.
    """
    products = {product.id: product for product in shop.product}
    used: dict[str, Product] = {}
    for procedure in shop.procedure:
        if procedure.id == procedure_id:
            used = {s.stage: products[s.product] for s in procedure.step if s.product}
    return tuple(_with_sheet(stage, used.get(stage.id)) for stage in BUILT_IN)


def _with_sheet(stage: Stage, product: Product | None) -> Stage:
    if product is None:
        return stage
    sheet = {limit.quantity: limit for limit in product.limit if limit.stage == stage.id}
    if not sheet and product.settle is None:
        return stage
    kept = [limit for limit in stage.limits if limit.quantity not in sheet]
    added = [_plain(limit, product) for limit in sheet.values()]
    order = [limit.quantity for limit in stage.limits]
    limits = sorted([*kept, *added], key=lambda limit: _place(order, limit.quantity))
    settle = stage.settle if product.settle is None else product.settle
    return stage.model_copy(
        update={
            "limits": tuple(limits),
            "settle": settle,
            "sheet": product.sheet,
            "product": product.id,
        }
    )


def _place(order: list[str], quantity: str) -> int:
    return order.index(quantity) if quantity in order else len(order)


def _plain(limit: StageLimit, product: Product) -> Limit:
    fields = limit.model_dump(exclude={"stage"})
    fields["source"] = limit.source or product.source
    return Limit(**fields)
