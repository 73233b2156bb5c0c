"""Points of a shop file held against the whole: topics, bays, payload places, units."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple, cast

from envmon.errors import InputError
from envmon.shop.calibration import line_through, offset_in_unit
from envmon.shop.raw import Finding, Path, Table, ids, lacks, tables, word
from envmon.shop.schema import MEASURED
from envmon.shop.sensor_health import DIFFERENCES, TIMES, health_faults
from envmon.shop.words import did_you_mean, path_text, show, unknown
from envmon.units import FORECASTS, QUANTITIES, allowed_units

if TYPE_CHECKING:
    from collections.abc import Iterator

_TEMPLATE = re.compile(r"\{([1-9])\}")
# One meter or boiler may serve the whole shop, and air pressure is the same indoors and out.
_ANYWHERE = {
    "air_pressure_pa", "heater_on", "heater_power_w", "energy_kwh", "fuel_m3", "fuel_l",
}  # fmt: skip


class _Claim(NamedTuple):
    path: Path
    topic: str
    record: str | None
    quantity: str


def check_points(data: Table) -> Iterator[Finding]:
    """Yield every fault of points that only shows beside the rest of the file."""
    claims: list[_Claim] = []
    yield from _formats(data)
    for path, point in tables(data, ("point",)):
        yield from _topic(path, point)
        yield from _templates(path, point)
        bay = word(point, "bay")
        if bay is not None and not _TEMPLATE.fullmatch(bay) and lacks(data, "bay", bay):
            yield Finding((*path, "bay"), unknown("bay", bay, ids(data, "bay")))
        yield from _reads(path, point)
        claims += _claims(path, point)
    yield from _written_out(data)
    yield from _claimed_twice(claims)


def _topic(path: Path, point: Table) -> Iterator[Finding]:
    topic = word(point, "topic")
    if not topic:
        return
    wrong = [
        ("#" in topic, "# is not allowed; use + for each level that varies"),
        (any("+" in level and level != "+" for level in topic.split("/")),
         "+ stands for a whole level only, as in shop/+/air"),
        ("\0" in topic, "a NUL character is not allowed; take it away"),
        (topic.startswith("$"), "topics with a leading $ belong to the broker; use another"),
    ]  # fmt: skip
    for is_wrong, message in wrong:
        if is_wrong:
            yield Finding((*path, "topic"), f"topic is {show(topic)}; {message}")


def _formats(data: Table) -> Iterator[Finding]:
    """Find a topic that two points read by different formats: a message has one."""
    known: list[tuple[Path, str, object]] = []
    for path, point in tables(data, ("point",)):
        topic, form = word(point, "topic"), point.get("format", "senml")
        if not topic:
            continue
        other = next((one for one in known if one[2] != form and overlap(topic, one[1])), None)
        if other is not None:
            message = (
                f"format is {show(form)} on topic {show(topic)}, which {path_text(other[0])} reads "
                f"as {show(other[2])}; a message has one format: give both points the same, or a "
                "topic of their own"
            )
            yield Finding((*path, "format") if "format" in point else (*path, "topic"), message)
        known.append((path, topic, form))


def _templates(path: Path, point: Table) -> Iterator[Finding]:
    name, bay = word(point, "id") or "", word(point, "bay") or ""
    wildcards = (word(point, "topic") or "").split("/").count("+")
    in_name, in_bay = set(_TEMPLATE.findall(name)), set(_TEMPLATE.findall(bay))
    for key, text, numbers in (("id", name, in_name), ("bay", bay, in_bay)):
        highest = max(map(int, numbers), default=0)
        if highest > wildcards:
            message = (
                f"{key} is {show(text)}, but the topic has {wildcards} level(s) of +; "
                f"{{{highest}}} needs {highest}: put + into the topic or write the name"
            )
            yield Finding((*path, key), message)
            return
    if name and in_name != in_bay:
        message = (
            f"id is {show(name)} and bay {show(bay)}; allowed is the same {{n}} in both, so that "
            "each bay has a point of its own, or in neither"
        )
        yield Finding((*path, "id"), message)
    if set("{}") & set(_TEMPLATE.sub("", name)):
        message = f"id is {show(name)}; braces are allowed only as {{1}} to {{9}}"
        yield Finding((*path, "id"), message)


def _written_out(data: Table) -> Iterator[Finding]:
    """Find a template that, with a bay's id put in, comes to the id of another point."""
    names = ids(data, "point")
    for path, point in tables(data, ("point",)):
        name = word(point, "id") or ""
        filled = (bay.join(_TEMPLATE.split(name)[::2]) for bay in ids(data, "bay"))
        taken = [text for text in filled if text != name and text in names]
        if taken:
            message = (
                f"id is {show(name)}, which gives {show(taken[0])}, the id of another point; "
                "each point needs an id of its own; rename one"
            )
            yield Finding((*path, "id"), message)


def _reads(path: Path, point: Table) -> Iterator[Finding]:
    reads = point.get("reads")
    if not isinstance(reads, dict):
        return
    form = point.get("format", "senml")
    if form == "number" and len(reads) > 1:
        message = (
            f"reads has {len(reads)} quantities; allowed is one, as a number payload carries one; "
            "write a point for each topic"
        )
        yield Finding((*path, "reads"), message)
    for quantity, read in reads.items():
        place = (*path, "reads", quantity)
        yield from _quantity(place, quantity, has_bay="bay" in point)
        if quantity in FORECASTS and form != "senml":
            message = (
                f"{quantity} comes as format {show(form)}; allowed is 'senml', whose records carry "
                "the time they speak of"
            )
            yield Finding(place, message)
        if isinstance(read, dict):
            yield from _payload_place(place, read, form)
            if quantity in QUANTITIES:
                yield from _unit(place, read, quantity)
                yield from _calibration(place, read, quantity)
                yield from _health(place, read, quantity)


def _quantity(place: Path, quantity: str, *, has_bay: bool) -> Iterator[Finding]:
    known = QUANTITIES.get(quantity)
    if known is None:
        yield Finding(place, unknown("quantity", quantity, MEASURED))
    elif known.derived:
        message = (
            f"quantity is {quantity!r}, which envmon works out and no sensor sends; "
            f"allowed: {', '.join(MEASURED)}"
        )
        yield Finding(place, message)
    elif quantity.startswith("outdoor_") and has_bay:
        message = f"{quantity} is outdoors, but the point has a bay; take bay away"
        yield Finding(place, message)
    elif not quantity.startswith("outdoor_") and not has_bay and quantity not in _ANYWHERE:
        yield Finding(place, f"{quantity} belongs to a bay, but the point names none; add bay")


def _payload_place(place: Path, read: Table, form: object) -> Iterator[Finding]:
    wanted = {"senml": "name", "json": "pointer", "number": ""}.get(str(form))
    if wanted is None:
        return
    if wanted and wanted not in read:
        what = "the SenML record's name" if wanted == "name" else "a JSON Pointer such as '/t'"
        yield Finding(place, f"{wanted} is missing; format {form!r} needs {what}; add it")
    for key in ("name", "pointer"):
        if key != wanted and key in read:
            message = f"{key} is not allowed with format {form!r}; take it away"
            yield Finding((*place, key), message)


def _unit(place: Path, read: Table, quantity: str) -> Iterator[Finding]:
    unit = word(read, "unit")
    allowed = allowed_units(QUANTITIES[quantity].dimension, quantity)
    if unit is not None and unit not in allowed:
        message = (
            f"unit is {show(unit)} for {quantity}; {did_you_mean(unit, allowed)}"
            f"allowed: {', '.join(allowed)}"
        )
        yield Finding((*place, "unit"), message)


def _calibration(place: Path, read: Table, quantity: str) -> Iterator[Finding]:
    offset, pairs = read.get("offset", 0.0), read.get("two_point")
    if pairs is not None and ("gain" in read or "offset" in read):
        message = "two_point stands beside gain or offset; allowed is one way; take the other away"
        yield Finding((*place, "two_point"), message)
    try:
        if _is_number(offset):
            offset_in_unit(offset, quantity)
    except InputError as error:
        yield Finding((*place, "offset"), str(error))
    try:
        if _is_two_pairs(pairs):
            line_through(cast("tuple[tuple[float, float], tuple[float, float]]", pairs), quantity)
    except InputError as error:
        yield Finding((*place, "two_point"), str(error))


def _health(place: Path, read: Table, quantity: str) -> Iterator[Finding]:
    given = {key: read[key] for key in (*DIFFERENCES, *TIMES) if _is_number(read.get(key))}
    for key, text in health_faults(given, quantity):
        yield Finding((*place, key), text)


def _is_number(value: object) -> bool:
    if isinstance(value, int) and value.bit_length() > 1000:
        return False  # beyond a float; the field rules name it
    return isinstance(value, int | float | str) and not isinstance(value, bool)


def _is_two_pairs(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(pair, list) and len(pair) == 2 for pair in value)
        and all(_is_number(number) for pair in value for number in pair)
    )


def _claims(path: Path, point: Table) -> Iterator[_Claim]:
    topic, reads = word(point, "topic"), point.get("reads")
    if topic is None or not isinstance(reads, dict):
        return
    key = {"json": "pointer", "number": None}.get(str(point.get("format")), "name")
    for quantity, read in reads.items():
        record = word(read, key) if key and isinstance(read, dict) else None
        if record is not None or key is None:
            yield _Claim((*path, "reads", quantity), topic, record, quantity)


def _claimed_twice(claims: list[_Claim]) -> Iterator[Finding]:
    for index, claim in enumerate(claims):
        for other in claims[:index]:
            same_point = claim.path[:2] == other.path[:2] and claim.record is not None
            same_thing = claim.quantity == other.quantity or same_point
            if claim.record == other.record and same_thing and overlap(claim.topic, other.topic):
                message = (
                    f"topic {show(claim.topic)} gives this reading to {path_text(other.path)} "
                    "already; allowed is one place for each; change topic, name or pointer"
                )
                yield Finding(claim.path, message)
                break


def overlap(one: str, other: str) -> bool:
    """Return whether one message could match both topics, ``+`` standing for any level."""
    levels, others = one.split("/"), other.split("/")
    return len(levels) == len(others) and all(
        a == b or "+" in {a, b} for a, b in zip(levels, others, strict=True)
    )
