"""A heating log in sentences, from its document: for the terminal, the paper and the board."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.heating.sums import winter_name, winter_year
from envmon.heating.words import UNKNOWN, Words, counted, full_day, number, percent

if TYPE_CHECKING:
    from collections.abc import Mapping

_FUELS = {
    "natural_gas": "natural gas", "propane": "propane", "heating_oil": "heating oil",
    "electricity": "electricity", "district_heat": "district heat",
}  # fmt: skip


def words_of(document: Mapping[str, Any]) -> Words:
    """Return how the shop of a document reads it."""
    costs = document["costs"]
    return Words(document["shop"]["units"], costs["currency"], costs["digits"])


def fuel_words(document: Mapping[str, Any]) -> str:
    """Return the fuel, its heating value with the source, and the efficiency."""
    fuel = document["fuel"]
    text = _FUELS[fuel["fuel"]].capitalize()
    if fuel["heating_value_kwh"] is not None:
        unit = {"m3": "m³"}.get(fuel["heating_value_unit"], fuel["heating_value_unit"])
        value = number(fuel["heating_value_kwh"], 2)
        text += f", {value} kWh per {unit} ({fuel['heating_value_source']})"
    elif (
        document["whole"]["billed_kwh"] is not None and not document["whole"]["known"]["energy_kwh"]
    ):
        text += ", energy in kWh as billed"
    return f"{text}, efficiency {number(100 * fuel['efficiency'])} %"


def degree_day_words(document: Mapping[str, Any], words: Words) -> str:
    """Return what degree days are counted from, and how."""
    of = document["degree_days"]
    if not of["words"]:
        return "No degree days: outdoor temperatures are not known."
    how = of["words"].partition(", ")[2]
    asked = " (the shop's balance point)" if of["balance_asked"] else ""
    base = f"{words.temp(of['base_c'])} {words.temp_unit}"
    return f"Degree days in {words.degree_day_unit}: base {base}{asked}, {how}."


def signature_lines(document: Mapping[str, Any], words: Words) -> list[str]:
    """Return the energy signature in words, with its intervals."""
    if document["sides"]:
        return [_side_line(one, document, words) for one in document["sides"]]
    found = document["signature"]
    if found is None:
        return [f"No energy signature: {document['why_no_signature']}."]
    lines = [f"Heat lost: {_loss(found, words)}."]
    if found["change_point_c"] is not None:
        lines.append(_bend(found, words))
    if found["days_apart"]:
        lines.append(_apart(found))
    return lines


def _side_line(one: Mapping[str, Any], document: Mapping[str, Any], words: Words) -> str:
    """Return the signature of the days on one side of a change."""
    when = side_words(one, document)
    if one["line"] is None:
        return f"{when}: no energy signature: {one['why']}."
    bend = f" {_bend(one['line'], words)}" if one["line"]["change_point_c"] is not None else ""
    apart = f" {_apart(one['line'])}" if one["line"]["days_apart"] else ""
    return f"{when}, heat lost: {_loss(one['line'], words)}.{bend}{apart}"


def side_words(one: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    """Return which days a side of a change has, such as ``From 12 January 2026 on``."""
    first, last = (date.fromisoformat(one[end]) for end in ("first", "last"))
    if one["first"] == document["first"]:
        return f"Until {full_day(last)}"
    if one["last"] == document["last"]:
        return f"From {full_day(first)} on"
    return f"From {full_day(first)} to {full_day(last)}"


def _loss(found: Mapping[str, Any], words: Words) -> str:
    low, high = (words.loss(end) for end in found["loss_within"])
    what = "days" if found["of"] == "days" else "bills"
    lost = f"{words.loss(found['loss_w_k'])} {words.loss_unit} ({low} to {high}; 95 %)"
    return f"{lost}, from {found['n']} {what}, R² {number(found['r2'], 2)}"


def _bend(found: Mapping[str, Any], words: Words) -> str:
    ends = " to ".join(words.temp(end) for end in found["change_within"])
    return (
        f"Nothing is heated above {words.temp(found['change_point_c'])} {words.temp_unit} "
        f"outdoors ({ends}); base load {number(found['base_load'])} kWh a day."
    )


def _apart(found: Mapping[str, Any]) -> str:
    apart = found["days_apart"]
    lie = "lies far off and is" if apart == 1 else "lie far off and are"
    return f"{apart} of them {lie} left out of it."


def span_words(document: Mapping[str, Any]) -> str:
    """Return the days of a log."""
    first, last = (date.fromisoformat(document[end]) for end in ("first", "last"))
    return f"{full_day(first)} to {full_day(last)}"


def name_of(one: Mapping[str, Any], winter_from: int) -> str:
    """Return the winter that a sum's days lie in, such as ``2025/26``."""
    return winter_name(winter_year(date.fromisoformat(one["first"]), winter_from))


class Number(NamedTuple):
    """A number a winter is told by, with what it is and what stands under it."""

    what: str
    value: str
    under: str


def numbers_of(document: Mapping[str, Any], words: Words) -> list[Number]:
    """Return a winter in eight numbers; each says of how many days it is."""
    one, known = document["whole"], document["whole"]["known"]
    kwh = one["energy_kwh"] if one["energy_kwh"] is not None else one["billed_kwh"]
    cost = one["cost"] if one["cost"] is not None else one["billed_cost"]
    low = f"lowest {words.temp(one['outdoor_low_c'])}"
    return [
        Number("energy", f"{number(kwh)} kWh",
               _of(known["energy_kwh"], one, _billed(document, "energy_kwh"))),
        Number("cost, tax included", words.money(cost),
               _of(known["cost"], one, _billed(document, "cost"))),
        Number("heaters ran", f"{number(one['run_h'])} h", _of(known["run_h"], one)),
        Number("outdoors, mean", f"{words.temp(one['outdoor_mean_c'])} {words.temp_unit}", low),
        Number("degree days", words.degree_days(one["degree_days"], 0), words.degree_day_unit),
        Number("energy a degree day", words.per_degree_day(one["kwh_per_degree_day"]), "kWh"),
        _lost(document, words),
        _same(document),
    ]  # fmt: skip


def _billed(document: Mapping[str, Any], name: str) -> int:
    """Return of how many of a log's days there is a bill that says something."""
    first, last = (date.fromisoformat(document[end]).toordinal() for end in ("first", "last"))
    days: set[int] = set()
    for bill in document["bills"]:
        if bill[name] is not None:
            since, until = (date.fromisoformat(bill[e]).toordinal() for e in ("first", "last"))
            days |= set(range(max(first, since), min(last, until) + 1))
    return len(days)


def _lost(document: Mapping[str, Any], words: Words) -> Number:
    """Return the heat lost, on all sides of a change."""
    if document["sides"]:
        told = [one["line"]["loss_w_k"] if one["line"] else None for one in document["sides"]]
        day = date.fromisoformat(document["sides"][-1]["first"])
        since = f"{words.loss_unit}, since {day.day} {day:%b}"
        return Number("heat lost", " → ".join(words.loss(one) for one in told), since)
    signed = document["signature"]
    return Number("heat lost", words.loss(signed["loss_w_k"] if signed else None), words.loss_unit)


def _of(known: int, one: Mapping[str, Any], billed: int = 0) -> str:
    days = one["days"]
    if known == 0 and billed:
        return f"by bills of {billed} of {counted(days, 'day')}"
    return counted(days, "day") if known == days else f"known on {known} of {counted(days, 'day')}"


def _same(document: Mapping[str, Any]) -> Number:
    found = document["comparisons"][0] if document["comparisons"] else None
    if found is not None and found.get("billed"):
        return _same_by_bills(found)
    if found is None or "more" not in found:
        why = "no winter before to compare with" if found is None else "cannot be compared"
        return Number("same weather", UNKNOWN, why)
    word = "more" if found["more"] > 0 else "less"
    low, high = sorted(abs(round(100 * end)) for end in found["within"])
    told = f"{percent(abs(found['more']))} {word}"
    if found["within"][0] <= 0 <= found["within"][1]:
        told = "no difference"
        return Number("same weather", told, f"from {found['than']}, within {high} %")
    return Number("same weather", told, f"than {found['than']} ({low} to {high} %)")


def _same_by_bills(found: Mapping[str, Any]) -> Number:
    billed = found["billed"]
    told = f"{percent(abs(billed['more']))} {'more' if billed['more'] >= 0 else 'less'}"
    if billed["by"] == "degree days":
        return Number("same weather", told, f"a degree day than {found['than']}, by bills")
    what = "money" if billed["by"] == "cost" else "energy"
    return Number("a day, weather left in", told, f"{what} than {found['than']}, by bills")
