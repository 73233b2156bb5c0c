"""A person in the soak: logs in, works one job after the other, and acknowledges what alarms.

All over HTTP with a session, while everything is killed. What was answered is noted, and held
against the chain at the end: an answer of 200 must stand in it.
"""

from __future__ import annotations

import contextlib
import json
import threading
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.service.people.book import PeopleFile, Person
from envmon.service.people.secret import kept_form

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NAME, PIN, OTHER_PIN = "Kari", "739158", "582604"
BAY = "three"
PANELS = ("Roof", "Bonnet")
MARKS = {None: "apply", "applied": "level", "levelled": "inspect"}
"""Newest mark on a panel -> what is done next."""
PACE_S = 1.0
ALARMS_EVERY_S = 6.0
SLOWER_S = 3.0
"""A person who is told that it is too much waits so long."""
PATIENCE_S = 8.0
TOO_MUCH = 429
WHY = "the soak goes on"


def let_in(shop_path: Path) -> None:
    """Write the people file, as ``envmon people`` does."""
    people = [Person(NAME, "work", kept_form(PIN)), Person("Bo", "manage", kept_form(OTHER_PIN))]
    PeopleFile(shop_path.parent / "people.toml").save(people, shop_path)


class Answer(NamedTuple):
    """What came back; status 0 for nothing."""

    status: int
    document: dict[str, Any]


class Asked(NamedTuple):
    """What the person asked for, and what came back.

    Attributes:
        at: When [s, Unix].
        act: Of a job, or ``acknowledge``.
        mark: What tells it from others in the chain: the note's text, or the alarm.
        status: Of the answer; 0 for none.
        seq: Place in the chain that the answer named; 0 for none.
    """

    at: float
    act: str
    mark: str
    status: int
    seq: int = 0


@dataclass
class Hand:
    """Asks the boards, and logs in where there is no session.

    Attributes:
        url: The boards.
        log_ins: So often a session was begun.
    """

    url: str
    log_ins: int = 0
    _cookie: str = field(default="", repr=False)

    def ask(self, path: str, body: dict[str, Any] | None = None) -> Answer:
        """Return the answer; nothing within a while is status 0."""
        if not self._cookie:
            self._log_in()
        answer = self._sent(path, body)[0]
        if answer.status in {401, 403}:
            self._cookie = ""
        return answer

    def log_out(self) -> None:
        """End the session; the next question begins another."""
        self._sent("/api/v1/logout", {})
        self._cookie = ""

    def _log_in(self) -> None:
        answer, cookie = self._sent("/api/v1/login", {"name": NAME, "secret": PIN})
        if answer.status == 200:
            self._cookie = cookie.partition(";")[0]
            self.log_ins += 1

    def _sent(self, path: str, body: dict[str, Any] | None) -> tuple[Answer, str]:
        headers = {"Content-Type": "application/json", "Origin": self.url, "Cookie": self._cookie}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.url + path, data, headers)
        try:
            with urllib.request.urlopen(request, timeout=PATIENCE_S) as said:
                return Answer(said.status, json.load(said)), said.headers.get("Set-Cookie", "")
        except urllib.error.HTTPError as error:
            with contextlib.suppress(ValueError, OSError):
                return Answer(error.code, json.load(error)), ""
            return Answer(error.code, {}), ""
        except (OSError, ValueError, urllib.error.URLError):
            return Answer(0, {}), ""


class Worker(threading.Thread):
    """Works at the boards until told to end; looks at what stands before each act.

    Args:
        url: The boards.
    """

    def __init__(self, url: str) -> None:
        super().__init__(daemon=True)
        self.hand = Hand(url)
        self.asked: list[Asked] = []
        self._noted: set[tuple[str, int]] = set()
        self._numbers = iter(range(1, 10**9))
        self._alarms_at = 0.0
        self._over = threading.Event()
        self._finishing = False
        self.done = threading.Event()

    def begin_work(self, bay: str) -> bool:
        """Begin to polish in a bay without a job."""
        answer = self.hand.ask(f"/api/v1/bays/{bay}/stage", {"stage": "polish"})
        return answer.status == 200

    def run(self) -> None:
        while not self._over.wait(PACE_S):
            if time.monotonic() >= self._alarms_at:
                self._alarms_at = time.monotonic() + ALARMS_EVERY_S
                self._acknowledge()
            self._work()
            if self.asked and self.asked[-1].status == TOO_MUCH:
                self._over.wait(SLOWER_S)

    def finish(self) -> None:
        """Open no new job; ``done`` is set when the last one is closed."""
        self._finishing = True

    def end(self) -> None:
        """Go home."""
        self._over.set()
        self.join(60)

    def _acknowledge(self) -> None:
        answer = self.hand.ask("/api/v1/alarms")
        for alarm in answer.document.get("alarms", []):
            if alarm["life"] in {"UNACK", "RTNUN", "LTUNK"}:
                said = self.hand.ask(f"/api/v1/alarms/{alarm['id']}/acknowledge", {})
                self.asked.append(Asked(time.time(), "acknowledge", alarm["id"], said.status))

    def _work(self) -> None:
        listed = self.hand.ask("/api/v1/jobs")
        if listed.status != 200:
            return
        here = [job["job"] for job in listed.document["jobs"] if not job["closed_at"]]
        if not here and self._finishing:
            self.done.set()
            return
        job: dict[str, Any] = {}
        if here:
            answer = self.hand.ask(f"/api/v1/jobs/{here[0]}")
            if answer.status != 200:
                return
            job = answer.document
        body = self._next(job)
        said = self.hand.ask(f"/api/v1/bays/{BAY}/acts", body)
        mark = str(body.get("text", ""))
        seq = int(said.document.get("seq", 0)) if said.status == 200 else 0
        self.asked.append(Asked(time.time(), body["act"], mark, said.status, seq))
        if body["act"] == "close" and said.status == 200:
            self.hand.log_out()

    def _next(self, job: dict[str, Any]) -> dict[str, Any]:
        """Return the next act of a job; the first where there is none."""
        if not job:
            panels = [{"name": name} for name in PANELS]
            reference = f"red estate {next(self._numbers)}"
            return {"act": "open", "procedure": "service", "panels": panels, "reference": reference}
        states = [step["status"] for step in job["steps"]]
        if "active" not in states:
            if "todo" not in states:
                return {"act": "close", "job": job["id"]}
            return {"act": "start", "step": states.index("todo"), "reason": WHY, "job": job["id"]}
        step = states.index("active")
        if (job["id"], step) not in self._noted:
            self._noted.add((job["id"], step))
            return {"act": "note", "text": f"note {next(self._numbers)}", "job": job["id"]}
        if job["steps"][step]["stage"] == "coating":
            for act in marks_left(job):
                return {**act, "job": job["id"]}
        return {"act": "finish", "step": step, "reason": WHY, "job": job["id"]}


def marks_left(job: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield what is still to be done to the panels, one after the other."""
    for panel in job["panels"]:
        newest = panel["marks"][-1]["step"] if panel["marks"] else None
        if newest in MARKS:
            act = {"act": MARKS[newest], "panel": panel["id"]}
            yield act | ({"result": "clean"} if act["act"] == "inspect" else {})
