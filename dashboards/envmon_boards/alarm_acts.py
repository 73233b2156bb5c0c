"""What a person asks of an alarm, checked before it is kept for the watch."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.errors import InputError
from envmon.guard import alarm_acts
from envmon.guard.alarm_kinds import KINDS
from envmon.shop.points import expand_points

if TYPE_CHECKING:
    from envmon.guard.live import AlarmState
    from envmon.shop.models import Shop

_KINDS = {
    "acknowledge": alarm_acts.ACKNOWLEDGED,
    "reset": alarm_acts.RESET,
    "shelve": alarm_acts.SHELVED,
    "unshelve": alarm_acts.UNSHELVED,
    "remove": alarm_acts.REMOVED,
    "return": alarm_acts.RETURNED,
}
_KEYS = {"shelve": {"minutes", "reason"}, "remove": {"reason"}}
_FROM = {
    "acknowledge": {"UNACK", "RTNUN", "LTUNK"},
    "reset": {"LTACK"},
    "unshelve": {"SHLVD"},
    "return": {"OOSRV"},
}
"""States an act leads out of; shelving and removing lead out of all but those set aside."""
_ASIDE = {"SHLVD", "DSUPR", "OOSRV"}
LONGEST_NAME, LONGEST_REASON = 60, 200


class Ask(NamedTuple):
    """An act as it is kept for the watch.

    Attributes:
        act: What is asked.
        kind: Kind of the event it becomes.
        bay: Id of the alarm's bay; empty for the whole shop.
        data: Data of the event.
    """

    act: str
    kind: str
    bay: str
    data: dict[str, Any]

    def ensure_makes_sense(self, now: AlarmState | None) -> None:
        """Refuse what would change nothing.

        Args:
            now: The alarm as it stands; None when it is normal.

        Raises:
            InputError: The act means nothing in the alarm's state.
        """
        life = now.life if now else "NORM"
        allowed = _FROM.get(self.act)
        if life in _ASIDE if allowed is None else life not in allowed:
            wanted = "any not set aside" if allowed is None else ", ".join(sorted(allowed))
            raise InputError(f"{self.data['alarm']} is {life}; to {self.act} it takes {wanted}")


def ask_of(shop: Shop, alarm: str, act: str, body: dict[str, Any] | None, bay: str) -> Ask:
    """Return what is asked, checked.

    Args:
        shop: The shop file.
        alarm: Id of the alarm.
        act: What is asked.
        body: What was sent with it.
        bay: Bay of the alarm; empty for the whole shop.

    Raises:
        InputError: No such act, or something is missing or outside its range.
    """
    if act not in _KINDS:
        raise InputError(f"act is {act!r}; allowed: {', '.join(_KINDS)}")
    wanted = _KEYS.get(act, set())
    if body is None or not wanted <= set(body) <= wanted | {"by"}:
        keys = ", ".join([*sorted(wanted), "by (optional)"])
        raise InputError(f"send a JSON object with: {keys}")
    data: dict[str, Any] = {"alarm": alarm, "via": "wall"}
    data["by"] = _text(body.get("by", ""), "by", LONGEST_NAME)
    if "minutes" in wanted:
        data["minutes"] = _minutes(body["minutes"], shop.alarms.longest_shelf / 60)
    if "reason" in wanted:
        data["reason"] = _text(body["reason"], "reason", LONGEST_REASON)
        if not data["reason"]:
            raise InputError(f"reason is empty; to {act} an alarm say why, for who comes next")
    return Ask(act, _KINDS[act], bay, data)


def bay_of(shop: Shop, alarm: str) -> str:
    """Return the bay of an alarm by its id; empty for the whole shop.

    Raises:
        InputError: No alarm of this shop has that id.
    """
    owner, _, what = alarm.rpartition("-")
    points = expand_points(shop.point, [bay.id for bay in shop.bay])
    owners = {"shop": ""} | {point.id: point.bay or "" for point in points}
    owners |= {bay.id: bay.id for bay in shop.bay}
    if what not in KINDS or owner not in owners:
        raise InputError(f"alarm is {alarm!r}; no alarm of this shop is called so")
    return owners[owner]


def _text(said: object, what: str, longest: int) -> str:
    if not isinstance(said, str) or len(said.strip()) > longest or not said.isprintable():
        raise InputError(
            f"{what} is {said!r:.80}; allowed is one line of up to {longest} characters"
        )
    return said.strip()


def _minutes(said: object, most: float) -> float:
    number = said if isinstance(said, int | float) and not isinstance(said, bool) else math.nan
    if not 1 <= number <= most:
        raise InputError(
            f"minutes is {said!r:.40}; allowed is 1 to {most:g} (longest_shelf in [alarms])"
        )
    return number
