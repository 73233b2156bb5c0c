"""Products, procedures, bodies and buttons of a shop file, seen as a whole."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from envmon.shop.cross_points import overlap
from envmon.shop.raw import Finding, Path, Table, ids, lacks, tables, word, words
from envmon.shop.stages import STAGE_IDS
from envmon.shop.words import path_text, show, unknown
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator

_OF_FLASH = ("flash_at", "flash_rh_at", "flash_per_10_rh")
_OF_COATINGS = ("flash", "rain_safe", "full_cure", "overnight")


def check_work(data: Table) -> Iterator[Finding]:
    """Yield every fault of the work's tables that no field shows by itself."""
    yield from _products(data)
    yield from _procedures(data)
    yield from _bodies(data)
    yield from _buttons(data)


def _products(data: Table) -> Iterator[Finding]:
    for path, product in tables(data, ("product",)):
        yield from _limits(data, path)
        yield from _flash(path, product)
        yield from _of_coatings(data, path, product)


def sheets_ahead(data: Table, today: date) -> Iterator[Finding]:
    """Yield the products whose sheet is dated after today."""
    for path, product in tables(data, ("product",)):
        sheet = product.get("sheet")
        if isinstance(sheet, date) and sheet > today:
            message = (
                f"sheet is {sheet}, and today is {today}; allowed is the date printed on the "
                "product's sheet, today at the latest; correct it"
            )
            yield Finding((*path, "sheet"), message)


def _limits(data: Table, above: Path) -> Iterator[Finding]:
    seen: dict[tuple[str, str], Path] = {}
    for path, limit in tables(data, (*above, "limit")):
        stage, quantity = word(limit, "stage"), word(limit, "quantity")
        if stage is not None and stage not in STAGE_IDS:
            yield Finding((*path, "stage"), unknown("stage", stage, STAGE_IDS))
        if quantity is not None and quantity not in QUANTITIES:
            yield Finding((*path, "quantity"), unknown("quantity", quantity, QUANTITIES))
        if stage is None or quantity is None:
            continue
        if (stage, quantity) in seen:
            message = (
                f"quantity is {show(quantity)}, limited in {show(stage)} before by "
                f"{path_text(seen[stage, quantity])}; allowed is one limit a quantity and "
                "stage; put low and high into one"
            )
            yield Finding((*path, "quantity"), message)
        seen.setdefault((stage, quantity), path)


def _flash(path: Path, product: Table) -> Iterator[Finding]:
    """Find what would correct a flash that the product does not have."""
    for key in _OF_FLASH:
        if key in product and "flash" not in product:
            message = f"{key} stands without flash, which it speaks of; add flash or take it away"
            yield Finding((*path, key), message)


def _of_coatings(data: Table, path: Path, product: Table) -> Iterator[Finding]:
    """Find what only a coating has, on a product that the procedures never coat with."""
    used = {
        stage
        for _, step in _steps(data)
        if (stage := word(step, "stage")) and word(step, "product") == word(product, "id")
    }
    if not used or "coating" in used or not used <= set(STAGE_IDS):
        return
    for key in _OF_COATINGS:
        if key in product:
            message = (
                f"{key} is of a product for coating, but the procedures use this one in "
                f"{', '.join(sorted(used))} only; take it away, or name the product in the step "
                "of coating; how long a product dries off is flash_off"
            )
            yield Finding((*path, key), message)


def _steps(data: Table) -> Iterator[tuple[Path, Table]]:
    for above, _procedure in tables(data, ("procedure",)):
        yield from tables(data, (*above, "step"))


def _procedures(data: Table) -> Iterator[Finding]:
    for above, _procedure in tables(data, ("procedure",)):
        seen: set[str] = set()
        for path, step in tables(data, (*above, "step")):
            stage, product = word(step, "stage"), word(step, "product")
            if stage is not None and stage not in STAGE_IDS:
                yield Finding((*path, "stage"), unknown("stage", stage, STAGE_IDS))
            elif stage is not None and stage in seen:
                message = (
                    f"stage is {show(stage)} a second time; allowed is each stage once in a "
                    "procedure; take one away"
                )
                yield Finding((*path, "stage"), message)
            if product is not None and lacks(data, "product", product):
                message = unknown("product", product, ids(data, "product"))
                yield Finding((*path, "product"), message)
            seen.add(stage or "")


def _bodies(data: Table) -> Iterator[Finding]:
    for path, body in tables(data, ("body",)):
        seen: set[str] = set()
        for index, name in words(body, "panels"):
            plain = name.strip().casefold()
            if name and not plain:
                message = f"panel is {show(name)}; allowed is a name a person can read; write one"
                yield Finding((*path, "panels", index), message)
            elif plain in seen:
                message = f"panel is {show(name)} twice; allowed is each once; rename or take one"
                yield Finding((*path, "panels", index), message)
            seen.add(plain)


def _buttons(data: Table) -> Iterator[Finding]:
    taken: list[tuple[Path, str]] = []
    for path, point in tables(data, ("point",)):
        taken += [((*path, "topic"), topic)] if (topic := word(point, "topic")) else []
    for path, button in tables(data, ("button",)):
        bay, topic = word(button, "bay"), word(button, "topic")
        if bay is not None and lacks(data, "bay", bay):
            yield Finding((*path, "bay"), unknown("bay", bay, ids(data, "bay")))
        if topic:
            yield from _topic((*path, "topic"), topic, taken)
            taken.append(((*path, "topic"), topic))


def _topic(path: Path, topic: str, taken: list[tuple[Path, str]]) -> Iterator[Finding]:
    wrong = [
        ("+" in topic or "#" in topic,
         "wildcards (+ and #) are not allowed; a button has one topic and one bay"),
        ("\0" in topic, "a NUL character is not allowed; take it away"),
        (topic.startswith("$"), "topics with a leading $ belong to the broker; use another"),
        (f"{topic}/".startswith("envmon/"), "envmon speaks under envmon/ itself; use another"),
    ]  # fmt: skip
    found = [Finding(path, f"topic is {show(topic)}; {text}") for is_so, text in wrong if is_so]
    other = next((place for place, text in taken if overlap(text, topic)), None)
    if not found and other is not None:
        message = (
            f"topic is {show(topic)}, which {path_text(other)} takes already; each button needs "
            "a topic of its own"
        )
        found.append(Finding(path, message))
    yield from found
