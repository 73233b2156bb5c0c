"""Body shapes as lists of panels in the order of work: from the roof down, then once around.

Common practice, a starting point: a shop adds shapes of its own, and a job's list can be changed.
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from envmon.shop.models import Shop

_LONGEST_ID = 36


class NamedPanel(NamedTuple):
    """A panel of a body shape."""

    id: str
    name: str


class BodyShape(NamedTuple):
    """A body shape: its panels in the order of work."""

    id: str
    name: str
    panels: tuple[NamedPanel, ...]


def panels_from_names(names: Iterable[str]) -> tuple[NamedPanel, ...]:
    """Return panels with an id each, made from their names and told apart by a number if need be.

    Args:
        names: Names as a person wrote them, in the order of work.

    Raises:
        InputError: There is none, one is empty, or one comes twice.
    """
    panels: dict[str, NamedPanel] = {}
    seen: set[str] = set()
    for given in names:
        name = " ".join(given.split())
        if not name or name.casefold() in seen:
            raise InputError(f"panel is {given!r}; allowed is a name, each once: change the list")
        seen.add(name.casefold())
        panel_id = _free_id(name, panels)
        panels[panel_id] = NamedPanel(panel_id, name)
    if not panels:
        raise InputError("the list of panels is empty; allowed is one or more: name them")
    return tuple(panels.values())


def _free_id(name: str, taken: dict[str, NamedPanel]) -> str:
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST_ID].rstrip("-") or "panel"
    tries = [slug, *(f"{slug}-{n}" for n in range(2, len(taken) + 3))]
    return next(one for one in tries if one not in taken)


def body_of(shop: Shop, body_id: str) -> BodyShape:
    """Return a body shape by its id; the shop's own comes before a built-in one of the same id.

    Raises:
        InputError: No such shape.
    """
    for own in shop.body:
        if own.id == body_id:
            return BodyShape(own.id, own.name, panels_from_names(own.panels))
    if body_id in BODIES:
        return BODIES[body_id]
    allowed = ", ".join(dict.fromkeys([*(own.id for own in shop.body), *BODIES]))
    raise InputError(f"body is {body_id!r}; allowed: {allowed}")


def _side(side: str, *parts: str) -> list[str]:
    return [f"{side} {part}" for part in parts]


def _halves(part: str) -> list[str]:
    return [f"{part} left", f"{part} right"]


def _car(tail: str, *doors: str, roof: tuple[str, ...] = ("Roof left", "Roof right")) -> list[str]:
    """Return a car's panels: roof, bonnet, down the left, around the tail, up the right."""
    left = _side("Left", "front wing", *doors, "rear wing")
    right = _side("Right", "rear wing", *reversed(doors), "front wing")
    low = ["Front bumper", "Left sill", "Right sill", "Left mirror", "Right mirror"]
    return [*roof, *_halves("Bonnet"), *left, tail, "Rear bumper", *right, *low]


_FOUR = ("front door", "rear door")
_LONG_ROOF = ("Roof front left", "Roof front right", "Roof rear left", "Roof rear right")
_VAN_SIDE = ("front door", "side front", "side middle", "side rear")


def _van(*roof: str) -> list[str]:
    left, right = _side("Left", *_VAN_SIDE), _side("Right", *reversed(_VAN_SIDE))
    rear = [*_halves("Rear door"), "Rear bumper"]
    low = ["Front bumper", "Left sill", "Right sill", "Left mirror", "Right mirror"]
    wings = ("Left front wing", "Right front wing")
    return [*roof, "Bonnet", wings[0], *left, *rear, *right, wings[1], *low]


_HULL = ("bow", "forward", "midship", "aft")

_NAMES: dict[str, tuple[str, list[str]]] = {
    "saloon": ("Saloon", _car("Boot lid", *_FOUR)),
    "hatchback": ("Hatchback", _car("Tailgate", *_FOUR)),
    "estate": ("Estate", _car("Tailgate", *_FOUR, roof=_LONG_ROOF)),
    "coupe": ("Coupe", _car("Boot lid", "door")),
    "suv": ("SUV", _car("Tailgate", *_FOUR, roof=_LONG_ROOF)),
    "van": ("Van", _van("Roof front", "Roof middle", "Roof rear")),
    "pickup": ("Pickup", [
        *_car("Tailgate", *_FOUR), "Left bed side", "Right bed side",
    ]),
    "camper_van": ("Camper van", [
        *_van("Roof front", "Roof middle", "Roof rear"), "Awning rail",
    ]),
    "motorcycle": ("Motorcycle", [
        *_halves("Tank"), "Front mudguard", "Headlamp cowl", "Left fairing", "Left side cover",
        "Seat cowl", "Rear mudguard", "Right side cover", "Right fairing", "Belly pan",
    ]),
    "boat_hull": ("Boat hull", [
        *_side("Port", *_HULL), "Transom", *_side("Starboard", *reversed(_HULL)),
    ]),
}  # fmt: skip

BODIES: dict[str, BodyShape] = {
    body_id: BodyShape(body_id, name, panels_from_names(names))
    for body_id, (name, names) in _NAMES.items()
}
"""The built-in shapes by id."""
