"""From a message to readings: topic, payload, unit, calibration, flags.

A message is taken whole or refused whole: one asked value that cannot be read refuses the
message with its reason, and the quantities it would have brought grow stale, loudly. A pack or
document may bring only some of the quantities asked for (a node sends what changed), but not
none. The decoder keeps no memory of readings; whether one is late others decide.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError, PayloadError
from envmon.intake.take import (
    Take,
    When,
    json_readings,
    number_readings,
    senml_readings,
    take_from_read,
)
from envmon.intake.topics import TopicTable
from envmon.shop.points import expand_points, filled
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from envmon.facts import Reading
    from envmon.shop.models import Point

MAX_RESOLVED = 4096
"""Most points, and most topics remembered, that ``+`` levels may lead to."""

_SLOT = re.compile(r"\{([1-9])\}")
_ID = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}")


class _Route(NamedTuple):
    """What a topic's messages are read with."""

    senml: dict[str, tuple[Take, ...]]
    json: tuple[Take, ...]
    number: tuple[Take, ...]


def _ensure_slots(point: Point) -> None:
    wildcards = point.topic.split("/").count("+")
    slots = [int(slot) for text in (point.id, point.bay or "") for slot in _SLOT.findall(text)]
    if max(slots, default=0) > wildcards:
        raise InputError(
            f"point {point.id!r} uses {{{max(slots)}}}, but its topic {point.topic!r} has "
            f"{wildcards} +; number the + from 1"
        )


class Decoder:
    """Makes readings from messages, by the points of a shop.

    Args:
        points: Points of the shop file; slots such as ``{1}`` stand for ``+`` levels.
        calibrations: (point id, quantity) -> (gain, offset in the quantity's unit). The id is
            the filled-in one or the one of the shop file; without an entry nothing is changed.
        bays: Ids of the bays there are.

    Raises:
        InputError: A topic filter, slot or quantity that cannot be.
    """

    def __init__(
        self,
        points: Sequence[Point],
        calibrations: Mapping[tuple[str, str], tuple[float, float]],
        bays: Collection[str],
    ) -> None:
        self._calibrations = calibrations
        self._bays = frozenset(bays)
        self._table: TopicTable[Point] = TopicTable()
        self._routes: dict[str, _Route] = {}
        for point in points:
            _ensure_slots(point)
            _ensure_known(point)
            self._table.add(point.topic, point)
        self._known: dict[str, str | None] = {
            point.id: point.bay
            for point in expand_points(points, list(bays))
            if _ID.fullmatch(point.id)
        }

    def recalibrate(self, calibrations: Mapping[tuple[str, str], tuple[float, float]]) -> None:
        """Take other calibrations for everything decoded from now on.

        Args:
            calibrations: As at the start, all of them.
        """
        self._calibrations = calibrations
        self._routes.clear()  # they hold gain and offset

    @property
    def known(self) -> dict[str, str | None]:
        """Filled-in point id -> its bay, None outdoors; grows as ``+`` levels turn up."""
        return dict(self._known)

    def bay_of(self, point_id: str) -> str | None:
        """Return the bay of a filled-in point, None outdoors.

        Raises:
            KeyError: No such point has turned up.
        """
        return self._known[point_id]

    def decode(
        self, topic: str, payload: bytes, now_us: int, seen_us: int | None = None
    ) -> list[Reading]:
        """Return the readings of one message in the order of their time.

        Args:
            topic: Topic the message came on.
            payload: Its bytes.
            now_us: Arrival [µs, UTC].
            seen_us: When it is taken in, together with others; None is arrival [µs, UTC].

        Raises:
            PayloadError: The message is refused; the text says what, where and what is allowed.
        """
        route = self._routes.get(topic) or self._route(topic)
        when = When(now_us, now_us if seen_us is None else seen_us)
        readings = senml_readings(route.senml, payload, when) if route.senml else []
        if route.json:
            readings += json_readings(route.json, payload, when)
        if route.number:
            readings += number_readings(route.number, payload, when)
        return readings

    def _route(self, topic: str) -> _Route:
        matches = self._table.match(topic)
        if not matches:
            raise PayloadError(f"topic is {topic[:200]!r}; no point claims this topic")
        senml: dict[str, tuple[Take, ...]] = {}
        plain: dict[str, list[Take]] = {"json": [], "number": []}
        refused: list[PayloadError] = []
        for point, texts in matches:
            try:
                takes = list(self._takes(point, texts))
            except PayloadError as error:
                refused.append(error)  # shop/+/air also hears shop/outdoor/air
                continue
            for take in takes:
                if point.format == "senml":
                    senml[take.name] = (*senml.get(take.name, ()), take)
                else:
                    plain[point.format].append(take)
        if len(refused) == len(matches):
            raise refused[0]
        route = _Route(senml, tuple(plain["json"]), tuple(plain["number"]))
        if len(self._routes) < MAX_RESOLVED:
            self._routes[topic] = route
        return route

    def _takes(self, point: Point, texts: Sequence[str]) -> Iterator[Take]:
        point_id = self._resolved_id(point, texts)
        for name, read in point.reads.items():
            gain_offset = self._calibrations.get((point_id, name)) or self._calibrations.get(
                (point.id, name), (1.0, 0.0)
            )
            yield take_from_read(point_id, QUANTITIES[name], read, gain_offset)

    def _resolved_id(self, point: Point, texts: Sequence[str]) -> str:
        point_id = filled(point.id, texts)
        bay = None if point.bay is None else filled(point.bay, texts)
        if bay is not None and bay not in self._bays:
            known = ", ".join(sorted(self._bays)) or "none"
            raise PayloadError(f"topic names the bay {bay[:60]!r}; bays of the shop file: {known}")
        if _ID.fullmatch(point_id) is None:
            raise PayloadError(
                f"topic makes the point id {point_id[:60]!r}; up to 40 of a-z, 0-9, - and _ "
                "are allowed"
            )
        if point_id not in self._known and len(self._known) >= MAX_RESOLVED:
            raise PayloadError(f"topic makes point {point_id!r}; {MAX_RESOLVED} points are allowed")
        self._known.setdefault(point_id, bay)
        return point_id


def _ensure_known(point: Point) -> None:
    for name in point.reads:
        quantity = QUANTITIES.get(name)
        if quantity is None or quantity.derived:
            allowed = ", ".join(each for each, entry in QUANTITIES.items() if not entry.derived)
            raise InputError(f"point {point.id!r} reads {name!r}; allowed: {allowed}")
        if quantity.forecast and point.format != "senml":
            raise InputError(
                f"point {point.id!r} reads {name!r} as {point.format!r}; allowed is 'senml', whose "
                "records carry the time they speak of"
            )
