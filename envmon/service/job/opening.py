"""A job opened: its procedure and panels, its products' sheets and the limits in force."""

from __future__ import annotations

import math
import secrets
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from envmon.clock import SECOND_US
from envmon.errors import InputError
from envmon.job import events as names
from envmon.job.bodies import body_of
from envmon.job.reference import reference_digest
from envmon.service.job.case import Outcome, Refusal
from envmon.service.job.panels import panels_asked
from envmon.store.base import Reference

if TYPE_CHECKING:
    from envmon.guard.plan import GuardPlan, HeldLimit
    from envmon.service.job.case import Case
    from envmon.shop.models import Shop
    from envmon.shop.work import Procedure, Product

_OF_SHEET = (
    "name", "source", "carrier", "flash_at", "flash_rh_at", "flash_per_10_rh", "flash_off",
    "rain_safe", "full_cure", "overnight", "first_wash_days", "settle",
)  # fmt: skip


def open_job(case: Case) -> Outcome:
    """Open a job in a bay that has none.

    Raises:
        Refusal: There is one, or the procedure, body, panels or batches cannot be.
    """
    there = case.ledger.book.in_bay(case.bay)
    if there is not None:
        by = f" by {there.by}" if there.by else ""
        at = case.clock(there.opened_us)
        why = f"job {there.id} was opened here already at {at}{by}; close it first"
        raise Refusal(why, conflict=True)
    procedure = _procedure(case)
    body, panels = _body(case, procedure)
    job_id = _new_id(case)
    reference = _reference(case, job_id)
    digest = reference_digest(reference.salt, reference.text) if reference else ""
    event = case.event(
        names.OPENED,
        job_id,
        procedure=procedure.id,
        procedure_name=procedure.name,
        body=body,
        steps=[step.model_dump(exclude_none=True) for step in procedure.step],
        products=products_used(case.shop, procedure, _batches(case, procedure)),
        limits=limits_in_force(case.plan, case.bay, procedure),
        panels=panels,
        in_flight=_in_flight(case),
        reference_digest=digest,
    )
    return Outcome((*_stage_before(case), event), keep=reference)


def _stage_before(case: Case) -> tuple[tuple[str, dict[str, Any]], ...]:
    """Return the end of a stage that was started here without a job."""
    stage = case.look().bay.stage
    return () if stage is None else ((names.STAGE_ENDED, {"stage": stage, **case.told}),)


def _procedure(case: Case) -> Procedure:
    wanted = case.text("procedure", 60)
    for procedure in case.shop.procedure:
        if procedure.id == wanted:
            return procedure
    known = ", ".join(procedure.id for procedure in case.shop.procedure) or "none in the shop file"
    raise Refusal(f"procedure is {wanted!r}; allowed: {known}")


def _body(case: Case, procedure: Procedure) -> tuple[str, list[dict[str, str]]]:
    """Return the name of the body shape and its panels: the list asked for wins over the shape."""
    wanted = case.text("body", 60, needed=False)
    try:
        body = body_of(case.shop, wanted) if wanted else None
    except InputError as error:
        raise Refusal(str(error)) from error
    if case.data.get("panels"):
        return (body.name if body else ""), panels_asked(case)
    if body is not None:
        return body.name, [panel._asdict() for panel in body.panels]
    if any(step.stage == "coating" for step in procedure.step):
        raise Refusal("a coating needs panels: choose a body shape, or name the panels")
    return "", []


def _new_id(case: Case) -> str:
    """Return the next id of the day: the local date and a number never given before."""
    zone = ZoneInfo(case.plan.timezone)
    day = f"{datetime.fromtimestamp(case.now_us / SECOND_US, zone):%y%m%d}"
    numbers = [
        int(job_id.partition("-")[2]) for job_id in case.ledger.bays if job_id.startswith(f"{day}-")
    ]
    return f"{day}-{max(numbers, default=0) + 1}"


def _reference(case: Case, job_id: str) -> Reference | None:
    text = case.text("reference", 200, needed=False)
    return Reference(job_id, text, secrets.token_hex(16)) if text else None


def _batches(case: Case, procedure: Procedure) -> dict[str, str]:
    batches = case.data.get("batches") or {}
    sound = isinstance(batches, dict) and all(
        isinstance(text, str) and len(text) <= 60 for pair in batches.items() for text in pair
    )
    if not sound:
        raise Refusal("batches must be product ids with a batch number up to 60 each")
    used = {step.product for step in procedure.step if step.product}
    for product in batches:
        if product not in used:
            known = ", ".join(sorted(used)) or "none in this procedure"
            raise Refusal(f"batch is of product {product!r}; allowed: {known}")
    return dict(batches)


def _in_flight(case: Case) -> int:
    if case.data.get("in_flight") is None:
        return case.shop.bench.in_flight
    return case.whole("in_flight", 1, 4)


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
