"""One act to be judged: what it needs to know, how it is refused, what it becomes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.clock import iso_from_us
from envmon.guard.words import clock_time

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from envmon.guard.plan import GuardPlan
    from envmon.job.guards import BayView
    from envmon.job.live import Hindrance
    from envmon.job.model import Job
    from envmon.service.job.book import Ledger
    from envmon.shop.models import Shop
    from envmon.store.base import Reference

REASON_LEAST = 3
"""Characters a reason has at least."""


class Refusal(Exception):  # noqa: N818 - no error, an answer; it never leaves the desk
    """An act is not done.

    Attributes:
        hindrances: What speaks against it; a typed reason overrides them.
        conflict: It was asked of a state that is no longer there: somebody else was quicker.
    """

    def __init__(
        self, why: str, hindrances: Sequence[Hindrance] = (), *, conflict: bool = False
    ) -> None:
        super().__init__(why)
        self.why, self.hindrances, self.conflict = why, tuple(hindrances), conflict


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an act becomes.

    Attributes:
        events: Kind and data of each, in order.
        keep: A vehicle's reference to keep, or None.
        forget: Job whose reference is erased, or empty.
    """

    events: tuple[tuple[str, dict[str, Any]], ...]
    keep: Reference | None = None
    forget: str = ""


@dataclass(frozen=True, slots=True)
class Cause:
    """Who asked, and by what way.

    Attributes:
        ask: Id of the request; None for a button.
        asked_us: When it was asked for [µs].
        button: Id of the button, or empty.
        number: Number the button gave the press, or None.
    """

    ask: int | None = None
    asked_us: int = 0
    button: str = ""
    number: int | None = None

    def facts(self) -> dict[str, Any]:
        """Return what every event says of it."""
        if self.button:
            number = {} if self.number is None else {"n": self.number}
            return {"button": self.button, **number}
        return {"ask": self.ask, "asked": iso_from_us(self.asked_us)}


class Asked(NamedTuple):
    """An act as it is asked for.

    Attributes:
        bay: Id of the bay.
        act: What is asked for.
        data: What the act needs.
        cause: Who asked.
    """

    bay: str
    act: str
    data: Mapping[str, Any]
    cause: Cause


@dataclass(frozen=True, slots=True)
class Case:
    """One act in one bay at one time.

    Attributes:
        shop: The shop file.
        plan: The same, compiled for the guard.
        ledger: What is known of jobs.
        bay: Id of the bay.
        act: What is asked for, one of ``envmon.job.events.ACTS``.
        data: What the act needs.
        now_us: Time now [µs].
        look: Returns the bay and its neighbours as the guard sees them.
        reference: Returns what the vehicle of a job is called, or None.
        told: What every event says of who asked.
    """

    shop: Shop
    plan: GuardPlan
    ledger: Ledger
    bay: str
    act: str
    data: Mapping[str, Any]
    now_us: int
    look: Callable[[], BayView]
    reference: Callable[[str], Reference | None]
    told: Mapping[str, Any] = field(default_factory=dict)

    def job(self) -> Job:
        """Return the job in the bay, which must be the one the act names, if it names one.

        Raises:
            Refusal: There is none, or another.
        """
        job, named = self.ledger.book.in_bay(self.bay), self.data.get("job")
        if job is None:
            raise Refusal(f"no job is open in {self.bay_name}; open one first")
        if named and named != job.id:
            raise Refusal(f"job {named} is not in {self.bay_name} any more", conflict=True)
        return job

    @property
    def bay_name(self) -> str:
        """What people call the bay."""
        return self.plan.bays[self.bay].name

    @property
    def by(self) -> str:
        """Who says so."""
        return self.text("by", 60, needed=False)

    def event(self, kind: str, job_id: str, **data: Any) -> tuple[str, dict[str, Any]]:
        """Return an event of the act."""
        return kind, {"job": job_id, **data, "by": self.by, **self.told}

    def clock(self, at_us: int) -> str:
        """Return a time as the shop's clock shows it."""
        return clock_time(at_us, self.plan.timezone)

    def text(self, key: str, longest: int, *, needed: bool = True) -> str:
        """Return a text the act brings.

        Raises:
            Refusal: It is none, missing, or too long.
        """
        value = self.data.get(key)
        if value is None and not needed:
            return ""
        if not isinstance(value, str) or len(value) > longest or (needed and not value.strip()):
            raise Refusal(f"{key} is {str(value)[:40]!r}; allowed is text up to {longest}")
        return value.strip()

    def whole(self, key: str, least: int, most: int) -> int:
        """Return a whole number the act brings.

        Raises:
            Refusal: It is none, or outside what is allowed.
        """
        value = self.data.get(key)
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
            raise Refusal(f"{key} is {str(value)[:40]!r}; allowed is {least} to {most}")
        return value

    def reason_against(self, hindrances: Sequence[Hindrance]) -> dict[str, Any]:
        """Return what an event says of the hindrances it is done against.

        Raises:
            Refusal: There are some, and no reason was typed.
        """
        reason = self.text("reason", 500, needed=False)
        if hindrances and len(reason) < REASON_LEAST:
            why = "; ".join(hindrance.text for hindrance in hindrances)
            raise Refusal(f"{why}. Type a reason to go on all the same", hindrances)
        return {
            "against": [hindrance.text for hindrance in hindrances],
            "reason": reason if hindrances else "",
        }
