"""What the payload of a topic seems to be: format, and for each number what it may mean.

It is a guess and says how sure it is: what a person must say stays for a person to say.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from itertools import islice
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from msgspec import UNSET

from envmon.errors import PayloadError
from envmon.field.guess_words import (
    KINDS,
    OUTDOORS,
    PLACES,
    SENSED,
    Kind,
    fits,
    name_of,
    unit_said,
    words_of,
)
from envmon.intake.json_payload import parse_json
from envmon.intake.number_payload import parse_number
from envmon.intake.senml import RELATIVE_BELOW_US, Record, resolve
from envmon.intake.senml_payload import parse_senml
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator

Format = Literal["senml", "json", "number", "unknown"]
Sure = Literal["said", "open", "thin", "none"]
"""Name and unit say it; the kind is clear, the place is not; only its size speaks for it; it is
nothing that can be claimed."""

MOST_OFFERS = 24
"""So many numbers of one payload are looked at."""
LONGEST_PLACE = 120
_MOST_V, _LONGEST_S = 100.0, 1e9
"""What says more than this is no battery of a node."""
_TEXT = "it is text; envmon reads SenML, JSON and a bare number"


class Offer(NamedTuple):
    """One number of a payload, and what it may be.

    Attributes:
        place: SenML name, JSON Pointer, or empty for a bare number.
        value: The number.
        unit: Its unit as far as payload or name say.
        in_payload: The payload itself says the unit, so that the shop file need not.
        quantities: What it is likely to be, the likeliest first.
        others: What else its unit and size allow; a person may know better.
        sure: How sure that is.
        words: The guess as a person reads it.
    """

    place: str
    value: float
    unit: str
    in_payload: bool
    quantities: tuple[str, ...]
    others: tuple[str, ...]
    sure: Sure
    words: str


class Guess(NamedTuple):
    """What a payload seems to be.

    Attributes:
        format: Format of the shop file; ``unknown`` when nothing of ours reads it.
        offers: Its numbers.
        battery: What it says of a battery, as text; empty if nothing.
        t_us: Newest time it says itself [µs, UTC]; None without one.
        why: Why it cannot be read; empty when it can.
    """

    format: Format
    offers: tuple[Offer, ...]
    battery: str = ""
    t_us: int | None = None
    why: str = ""


class _Found(NamedTuple):
    """A number in a payload, before anything is made of it."""

    place: str
    name: str
    value: float
    unit: str
    state: bool
    earlier: tuple[float, ...] = ()
    """Other values of the same name in the pack: what it is must fit them, too."""


def guess_of(topic: str, payload: bytes) -> Guess:
    """Return what a payload seems to be.

    Args:
        topic: Topic it came on; its words tell where the sensor sits.
        payload: Whole payload.
    """
    form, found, t_us, why = _read(payload)
    offers = tuple(_offer(each, topic, senml=form == "senml") for each in found)
    return Guess(form, offers, next(filter(None, map(_battery, found)), ""), t_us, why)


def _read(payload: bytes) -> tuple[Format, list[_Found], int | None, str]:
    with contextlib.suppress(PayloadError):
        return "number", [_bare(payload)], None, ""
    first = payload.lstrip(b" \t\r\n")[:1]
    form: Format = "json" if first == b"{" else "senml"
    try:
        if form == "senml":
            records = resolve(parse_senml(payload), 0)
            return form, list(islice(_senml(records), MOST_OFFERS)), _absolute_us(records), ""
    except (PayloadError, ValueError) as error:
        if first != b"[":
            return "unknown", [], None, _TEXT if _is_text(payload) else f"{error}"[:200]
    try:
        found = list(islice(_walk(parse_json(payload), "", "", ""), MOST_OFFERS))
    except (PayloadError, ValueError) as error:
        return "unknown", [], None, f"{error}"[:200]
    return "json", found, None, "" if found else "there is no number in it; text in quotes is none"


def _is_text(payload: bytes) -> bool:
    text = payload.decode("utf-8", errors="replace").strip()
    return bool(text) and text.isprintable() and "\ufffd" not in text


def _absolute_us(records: list[Record]) -> int | None:
    """Return the newest time a pack says, None where its times count from arrival."""
    newest_us = max((record.t_us for record in records), default=0)
    return newest_us if newest_us >= RELATIVE_BELOW_US else None


def _bare(payload: bytes) -> _Found:
    try:
        return _Found("", "", parse_number(payload), "", state=False)
    except PayloadError:
        return _Found("", "", parse_number(payload, state=True), "", state=True)


def _senml(records: list[Record]) -> Iterator[_Found]:
    """Yield the numbers of a pack, each name once and with its newest value."""
    ends = Counter(end for _, end in {(record.name, record.end) for record in records})
    by_name: dict[str, list[Record]] = {}
    for record in records:
        by_name.setdefault(record.name, []).append(record)
    for name, several in by_name.items():
        newest = several[-1]
        end = newest.end if newest.end and ends[newest.end] == 1 else name
        if newest.v is not UNSET:
            earlier = tuple(record.v for record in several if record.v is not UNSET)
            yield _Found(end, name, newest.v, newest.unit, state=False, earlier=earlier)
        elif newest.vb is not UNSET:
            yield _Found(end, name, float(newest.vb), "", state=True)


def _walk(node: Any, pointer: str, name: str, unit: str) -> Iterator[_Found]:
    """Yield the numbers of a JSON document; a member ``unit`` speaks for its neighbours."""
    if len(pointer) > LONGEST_PLACE:
        return
    if isinstance(node, dict):
        said = next((node[key] for key in ("unit", "units", "uom") if key in node), unit)
        said = unit_said(said) if isinstance(said, str) else ""
        for key, value in node.items():
            step = key.replace("~", "~0").replace("/", "~1")
            yield from _walk(value, f"{pointer}/{step}", f"{name} {key}", said)
    elif isinstance(node, list):
        for place, value in enumerate(node):
            yield from _walk(value, f"{pointer}/{place}", name, unit)
    elif isinstance(node, bool):
        yield _Found(pointer, name, float(node), "", state=True)
    elif isinstance(node, int | float) and abs(node) < 2**53:
        yield _Found(pointer, name, float(node), unit, state=False)


def _offer(found: _Found, topic: str, *, senml: bool) -> Offer:
    words, around = words_of(found.name), words_of(topic)
    kind = _kind_by_name(words)
    if kind is None and not found.name.strip():
        kind = _kind_by_name(around)  # of a bare number the topic is the name
    unit = found.unit or _unit_in_name(kind, words)
    by_symbol = senml and bool(found.unit)
    possible = _possible(kind.quantities if kind else SENSED, found, unit, senml=by_symbol)
    likely = _placed(possible, words, around)
    every = _possible(SENSED, found, unit, senml=by_symbol) if likely else []
    others = tuple(name for name in every if name not in likely)
    sure, said = _sureness(likely, kind, found)
    return Offer(found.place, found.value, unit, by_symbol, likely, others, sure, said)


def _kind_by_name(words: frozenset[str]) -> Kind | None:
    for kind in KINDS:
        if kind.words & words:
            return kind
    letters = [kind for kind in KINDS if kind.letters and kind.letters in words]
    return letters[0] if letters else None


def _unit_in_name(kind: Kind | None, words: frozenset[str]) -> str:
    ends = kind.units if kind else ()
    return next((unit for end, unit in ends if end in words), "")


def _possible(wanted: tuple[str, ...], found: _Found, unit: str, *, senml: bool) -> list[str]:
    if found.state:
        return [name for name in wanted if QUANTITIES[name].dimension == "state"]
    values = {found.value, *found.earlier}
    fitting = [
        name for name in wanted if all(fits(value, unit, name, senml=senml) for value in values)
    ]
    states = [name for name in fitting if QUANTITIES[name].dimension == "state"]
    return states if found.unit == "/" and states else fitting


def _placed(possible: list[str], words: frozenset[str], around: frozenset[str]) -> tuple[str, ...]:
    """Return what is possible, cut to the place that the name, or else the topic, tells."""
    for text in (words, around):
        here = [name for name in possible if PLACES.get(name, frozenset()) & text]
        if OUTDOORS & text:
            here = [name for name in possible if name.startswith("outdoor_")]
        if len(here) == 1:
            return tuple(here)
    if set(possible) == {"rel_hum_pct", "outdoor_rel_hum_pct"}:
        return ("rel_hum_pct",)
    return tuple(possible)


def _sureness(likely: tuple[str, ...], kind: Kind | None, found: _Found) -> tuple[Sure, str]:
    if not likely:
        return "none", _nothing(kind, found)
    labels = [QUANTITIES[name].label for name in likely]
    if kind is None and not found.unit:
        return "thin", _thin(likely, state=found.state)
    what = kind.what if kind else _dimension_words(likely)
    by = " and ".join(["its unit"] * bool(found.unit) + ["its name"] * (kind is not None))
    if len(likely) > 1:
        choice = f"{', '.join(labels[:-1])} or {labels[-1]}"
        return "open", f"{what}, by {by}; whether of {choice} is yours to say"
    named = what if labels[0] in what else name_of(likely[0])
    if kind is not None and not found.unit and not kind.words & words_of(found.name):
        return "thin", f"perhaps {named}: its name or its topic hints at it"
    return "said", f"{named}, by {by}"


def _thin(likely: tuple[str, ...], *, state: bool) -> str:
    if len(likely) == 1:
        return f"perhaps {name_of(likely[0])}: its topic hints at it"
    return f"{'on or off' if state else 'a number'}; what it means is yours to say"


def _dimension_words(likely: tuple[str, ...]) -> str:
    dimensions = {QUANTITIES[name].dimension for name in likely}
    return f"a {dimensions.pop()}" if len(dimensions) == 1 else "a number"


def _nothing(kind: Kind | None, found: _Found) -> str:
    if kind is not None and kind.quantities:
        said = f"{found.value:g} {found.unit}".strip()[:40]
        return f"called {kind.what}, but {said} cannot be one; look at the sensor and its unit"
    if kind is not None:
        return kind.what
    return f"nothing envmon takes{f', in {found.unit[:20]}' if found.unit else ''}"


def _battery(found: _Found) -> str:
    """Return what a number says of a battery; empty where none says such a thing."""
    if found.unit == "EL":
        return f"{found.value / 3600:.0f} h left" if 0 <= found.value <= _LONGEST_S else ""
    if found.unit == "%EL":
        return f"{found.value:.0f} %" if 0 <= found.value <= 100 else ""
    kind = _kind_by_name(words_of(found.name))
    if kind is not KINDS[0]:
        return ""
    volts = found.unit == "V" or (not found.unit and found.value < 6)
    millivolts = found.unit == "mV" or (not found.unit and 1_000 < found.value < 6_000)
    if volts or millivolts:
        value = found.value / (1_000 if millivolts else 1)
        return f"{value:.2f} V" if 0 < value < _MOST_V else ""
    return f"{found.value:.0f} %" if 0 <= found.value <= 100 else ""
