"""The watch: listen, store, guard, publish; in one thread that waits for nobody else.

A turn takes what the broker has, decodes it, and in one transaction writes readings, rejected
payloads, events and the guard's findings; only then are the messages acknowledged. The guard is
pure, so when the disk fails nothing has happened: the same messages are tried again.
"""

from __future__ import annotations

import hashlib
import logging
import time
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from envmon.clock import DAY_US, SECOND_US, iso_from_us
from envmon.errors import PayloadError, StoreDamagedError, StoreError
from envmon.facts import Flag, NewEvent
from envmon.guard.alarm_acts import ACTS, CLEARED, RAISED, TROUBLES
from envmon.guard.course import CALIBRATED, TOO_OLD_US
from envmon.guard.describe import describe, shop_alarms
from envmon.guard.engine import fitted_state, fresh_state, rewound_state, step
from envmon.guard.lifecycle import ANNUNCIATED
from envmon.guard.plan import SHOP, plan_from_shop
from envmon.intake.decode import Decoder
from envmon.service.keeper import KEEPER_WORD, KeeperWord
from envmon.service.replay_mark import (
    SET_BACK,
    TAKEN,
    KeptGuard,
    SavedGuard,
    is_of_run,
    marked,
)
from envmon.shop.calibration import calibration
from envmon.store.base import Reject
from envmon.store.rescue import RENEWED, renewal_from

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.clock import Clock
    from envmon.facts import Event, Reading
    from envmon.guard.plan import GuardPlan
    from envmon.guard.state import Finding, GuardState
    from envmon.intake.link import BrokerLink, Message
    from envmon.shop.models import Shop
    from envmon.store.base import Request, Store

log = logging.getLogger("envmon.watch")

HEARTBEAT_TOPIC = "envmon/watch/heartbeat"
SNAPSHOT = "guard"
PERSON_EVENTS = frozenset({"stage_started", "stage_ended", CALIBRATED}) | ACTS
"""What a person can ask for."""
HEEDED = PERSON_EVENTS | TROUBLES
"""What the guard heeds; everything else in the chain it wrote itself."""
HISTORY_IMPORTED = "history_imported"
"""Event: a file was imported; kept in the chain, nothing to the guard."""
SNAPSHOT_EVERY_S = 10.0
REQUESTS_EVERY_S = 0.1
PUBLISH_EVERY_S = 1.0
PUBLISH_GAP_S = 0.03
"""Real seconds between two states of one bay, so that a flood does not fill the network."""
RETRY_S = 1.0
WORD_EVERY_S = 5.0
NOTICE_US = DAY_US
"""So long the screens tell that the live file was renewed."""
PAYLOAD_KEPT = 2_048
"""Bytes of a rejected payload kept for inspection."""


CLOCK_BACK_US = 5 * SECOND_US
"""A clock this far behind what was judged already was set back, not merely steered."""
KEPT_BY_BROKER = (
    "the broker had kept it (retained) and it has no time of its own, so nobody knows how old it "
    "is; publish without retain, or send SenML with a time"
)


class Restored(NamedTuple):
    """The guard as the last commit left it.

    Attributes:
        state: What it remembers.
        changes: What is not in the chain yet.
        why: What it could not simply go on from: ``start``, ``shop_file`` or ``anew``; or empty.
        set_back: How often the clock had been set back.
    """

    state: GuardState
    changes: list[Finding]
    why: str
    set_back: int


def plan_fingerprint(plan: GuardPlan) -> str:
    """Return a digest of everything the guard judges by, the built-in stages included."""
    return hashlib.sha256(repr(plan).encode()).hexdigest()


def restored_state(
    plan: GuardPlan, fingerprint: str, store: Store, now_us: int
) -> tuple[GuardState, list[Finding]]:
    """Return the guard's state as of the last commit and what is not in the chain yet.

    See ``restored``, which says more.
    """
    return restored(plan, fingerprint, store, now_us)[:2]


def restored(plan: GuardPlan, fingerprint: str, store: Store, now_us: int) -> Restored:
    """Return the guard as of the last commit, as if it had never stopped.

    The snapshot is moved on by the readings committed after it, in the order in which they
    were taken in. A changed shop file keeps what the person said and judges limits anew.

    Args:
        plan: The compiled shop file.
        fingerprint: Its digest.
        store: Where the snapshot and the readings are.
        now_us: Time now [µs], for a store that has no snapshot yet.
    """
    text = store.snapshot(SNAPSHOT)
    if text is None and not any(event.kind == RENEWED for event in store.events()):
        return Restored(fresh_state(plan, now_us), [], "start", 0)
    changes: list[Finding] = []
    try:
        saved = msgspec.json.decode(text or b"", type=SavedGuard)
    except msgspec.MsgspecError as error:
        # A store renewed after damage has a chain, but no snapshot that belongs to it.
        log.warning("no snapshot of the guard to read (%s); judging the last day anew", error)
        why, state = "anew", fresh_state(plan, now_us - DAY_US)
        set_back = sum(event.kind == SET_BACK for event in store.events())
    else:
        why, state, set_back = "", saved.state, saved.set_back
        if saved.plan != fingerprint:
            why = "shop_file"
            state, changes = fitted_state(plan, state)
    readings = store.readings_seen_after(state.now_us, state.now_us - TOO_OLD_US)
    if set_back:
        # Those of an earlier run of the clock may lie ahead of the present one.
        readings = [reading for reading in readings if is_of_run(reading.seen_us, set_back)]
    events = [e for e in store.events(state.event_seq) if e.kind in PERSON_EVENTS]
    last_us = max([state.now_us, *(r.seen_us for r in readings), *(e.at_us for e in events)])
    state, findings = step(plan, state, readings, events, last_us)
    return Restored(state, [*changes, *findings], why, set_back)


def _reject(message: Message, now_us: int, reason: str) -> Reject:
    return Reject(now_us, message.topic, message.payload[:PAYLOAD_KEPT], reason)


def last_renewal(store: Store, now_us: int) -> Event | None:
    """Return the newest event of the last day that tells of a renewed live file, or None."""
    events = store.events_between(now_us - NOTICE_US, 2**62)
    return max((e for e in events if e.kind == RENEWED), key=lambda e: e.seq, default=None)


class Watch:
    """One shop being watched.

    Args:
        shop: The shop file, checked.
        store: Where readings and events go; this thread's own.
        link: Connection to the broker.
        clock: What time it is.
    """

    def __init__(self, shop: Shop, store: Store, link: BrokerLink, clock: Clock) -> None:
        self._store, self._link, self._clock = store, link, clock
        self.plan = plan_from_shop(shop)
        self._fingerprint = plan_fingerprint(self.plan)
        found = restored(self.plan, self._fingerprint, store, clock.now_us())
        self.state, self._set_back = found.state, found.set_back
        self._decoder = Decoder(
            shop.point,
            {(p.id, q): calibration(read, q) for p in shop.point for q, read in p.reads.items()},
            [bay.id for bay in shop.bay],
        )
        self._pending: list[Message] = []
        self._trouble = ""
        self._snapshot_at = self._requests_at = self._beat_at = 0.0
        self._published: dict[str, float] = {}
        self._dirty: set[str] = set(self.plan.bays)
        self._was_up = False
        self._link_error = ""
        self._last_reject = ""
        self._word, self._word_at = "", 0.0
        self._renewed = last_renewal(store, clock.now_us())
        kept = store.checkpoint_before(2**62)
        self._kept_day = kept.at_us // DAY_US if kept else None
        self._begin(found.changes, found.why or ("" if kept else "start"))

    def _begin(self, changes: Sequence[Finding], why: str) -> None:
        """Write what a start changes, and which limits are in force when that is news."""
        if why:
            taken = NewEvent(self.state.now_us, TAKEN, "", {"plan": self._fingerprint})
            self._adopt(self.state, [taken], changes, why)
        elif changes:
            self._adopt(self.state, [], changes)

    def turn(self, timeout_s: float) -> int:
        """Take, judge, commit, acknowledge and publish once.

        Args:
            timeout_s: Longest wait for a message [s, real time].

        Returns:
            How many messages were committed.
        """
        if not self._pending:
            self._pending = self._link.take(self._wait(timeout_s))
        self._ensure_clock()
        # Strictly rising, so that replay can tell the steps apart, with a microsecond for each
        # message: two that bring no time of their own must not fall on the same one.
        # Whole milliseconds, so that the lag kept with every reading is a short number.
        whole_ms_us = self._clock.now_us() // 1_000 * 1_000
        least_us = max(whole_ms_us, self.state.now_us + max(1, len(self._pending)))
        now_us = marked(least_us, self._set_back)
        readings, rejects = self._decode(self._pending, now_us)
        try:
            self._commit(readings, rejects, now_us)
        except StoreDamagedError:
            raise  # trying again would not help: the process ends, and renews when started again
        except StoreError as error:
            self._kept_day = None  # what was kept in this turn is undone with it
            self._say_trouble(str(error))
            self._beat()
            time.sleep(RETRY_S)
            return 0
        self._say_trouble("")
        self._say_link()
        done, self._pending = self._pending, []
        self._link.acknowledge(done)
        self._publish(readings)
        return len(done)

    def _wait(self, timeout_s: float) -> float:
        """Wait less when a state is held back for a moment."""
        return min(timeout_s, PUBLISH_GAP_S) if self._dirty else timeout_s

    def _ensure_clock(self) -> None:
        """Start anew from what is heard when the clock was set back; old numbers look fresh."""
        now_us = self._clock.now_us()
        if now_us >= self.state.now_us - CLOCK_BACK_US * max(1.0, self._clock.speed):
            return
        was, now = iso_from_us(self.state.now_us), iso_from_us(now_us)
        log.warning("the clock was set back from %s to %s; waiting for new readings", was, now)
        state, findings = rewound_state(self.plan, self.state, now_us)
        back = NewEvent(now_us, SET_BACK, "", {"from": was, "to": now})
        self._set_back += 1
        try:
            self._adopt(state, [back], findings, "clock")
        except StoreDamagedError:
            raise
        except StoreError as error:
            self._set_back -= 1
            self._say_trouble(str(error))

    def _adopt(
        self,
        state: GuardState,
        events: Sequence[NewEvent],
        findings: Sequence[Finding],
        why: str = "",
    ) -> None:
        """Write findings and the state they lead to, and take that state.

        With a reason the state is kept for good as well: no replay could come to it by itself.
        """
        with self._store.atomic():
            self._store.add_events([*events, *(NewEvent(*finding) for finding in findings)])
            self._save(state, why)
        self.state = state
        self._dirty.update(self.plan.bays)
        self._tell(findings)

    def _save(self, state: GuardState, why: str = "") -> None:
        """Write the guard's snapshot into the transaction that is open; keep one a day for good."""
        saved = SavedGuard(self._fingerprint, state, self._set_back)
        self._store.save_snapshot(SNAPSHOT, state.now_us, msgspec.json.encode(saved))
        if why or state.now_us // DAY_US != self._kept_day:
            self._keep(state, why or "day")

    def _keep(self, state: GuardState, why: str) -> None:
        """Keep the guard's state for good, so that a replay can start from it."""
        after = self._store.events(state.event_seq)
        seq = max((event.seq for event in after), default=state.event_seq)
        before_us = self.state.now_us if why == "clock" else None
        kept = KeptGuard(self._fingerprint, state, self._set_back, seq, before_us)
        self._store.add_checkpoint(state.now_us, why, msgspec.json.encode(kept))
        self._kept_day = state.now_us // DAY_US

    def _say_link(self) -> None:
        """Say once what is wrong with the broker, and once that it is over."""
        error = self._link.last_error
        if error != self._link_error:
            log.warning("broker: %s", error or "connected")
        self._link_error = error

    def _say_trouble(self, text: str) -> None:
        if text != self._trouble:
            log.error(text) if text else log.info("the store can be written again")
        self._trouble = text

    def _decode(
        self, messages: Sequence[Message], now_us: int
    ) -> tuple[list[Reading], list[Reject]]:
        readings: list[Reading] = []
        rejects: list[Reject] = []
        for before_us, message in zip(range(len(messages))[::-1], messages, strict=True):
            at_us = now_us - before_us
            try:
                new = self._decoder.decode(message.topic, message.payload, at_us, now_us)
                if message.retained and any(r.t_us == at_us for r in new):
                    raise PayloadError(KEPT_BY_BROKER)  # noqa: TRY301 - one way to refuse
                readings += new
            except PayloadError as error:
                rejects.append(_reject(message, now_us, str(error)))
            except Exception:
                # One message must never stop the stream, whatever the fault behind it.
                log.exception("cannot decode a message on %s", message.topic)
                rejects.append(_reject(message, now_us, "internal error; see the log"))
        if rejects:
            self._last_reject = rejects[-1].reason
        self._flag_late(readings)
        return readings, rejects

    def _flag_late(self, readings: list[Reading]) -> None:
        """Flag what is older than the newest known of its series."""
        newest: dict[tuple[str, str], int] = {}
        for index, (point, quantity, t_us, _, flag, _) in enumerate(readings):
            last_us = newest.get((point, quantity))
            if last_us is None:
                last = self.state.newest.get(f"{point}/{quantity}")
                last_us = last.t_us if last else t_us
            if t_us < last_us:
                readings[index] = readings[index]._replace(flag=flag | Flag.LATE)
            # Asking a flag costs as much as all the rest here, and nearly all are good.
            elif flag is Flag.GOOD or not flag & Flag.CLOCK:
                newest[point, quantity] = t_us

    def _requests(self) -> list[Request]:
        now = time.monotonic()
        if now < self._requests_at:
            return []
        self._requests_at = now + REQUESTS_EVERY_S
        return self._store.requests()

    def _commit(self, readings: Sequence[Reading], rejects: Sequence[Reject], now_us: int) -> None:
        requests = self._requests()
        due = time.monotonic() >= self._snapshot_at
        if not (readings or rejects or requests or due):
            state, findings = step(self.plan, self.state, [], [], now_us)
            if not findings:
                self.state = state
                return
        with self._store.atomic():
            if self._store.add_readings(readings) < len(readings):
                # A message delivered again: what the store did not take must not be judged.
                readings = self._store.kept(readings)
            if rejects:
                self._store.add_rejects(rejects)
            events = self._events(requests, now_us) if requests else []
            state, findings = step(self.plan, self.state, readings, events, now_us)
            if findings:
                self._store.add_events([NewEvent(*finding) for finding in findings])
            if findings or events or due:
                self._save(state)
        if findings or events or due:
            self._snapshot_at = time.monotonic() + SNAPSHOT_EVERY_S
        self.state = state
        self._dirty.update(event.bay for event in events)
        self._tell(findings)

    def _events(self, requests: Sequence[Request], now_us: int) -> list[Event]:
        """Make requests into events of the chain, effective now; return what the guard heeds."""
        known = [
            r for r in requests
            if r.kind == HISTORY_IMPORTED or (r.kind in PERSON_EVENTS and r.bay in self.plan.bays)
        ]  # fmt: skip
        events = self._store.add_events(
            [
                NewEvent(now_us, r.kind, r.bay, {**r.data, "asked": iso_from_us(r.at_us)})
                for r in known
            ]
        )
        self._store.drop_requests([request.id for request in requests])
        return [event for event in events if event.kind in PERSON_EVENTS]

    def _tell(self, findings: Sequence[Finding]) -> None:
        for finding in findings:
            self._dirty.add(finding.bay)
            if finding.kind == "alarm_raised":
                log.warning("alarm %s in %s", finding.data["alarm"], finding.data["stage"])
            elif finding.kind == "alarm_cleared":
                log.info("alarm %s cleared", finding.data["alarm"])
                topic = f"envmon/{finding.bay}/alarm/{finding.data['alarm']}"
                self._link.publish(topic, b"", qos=1)

    def _publish(self, readings: Sequence[Reading]) -> None:
        for series in {reading[:2] for reading in readings}:
            self._dirty.update(self.plan.series.get(series, ("", ()))[1])
        if self._link.up and not self._was_up:
            # A broker that kept nothing gets everything again.
            self._published.clear()
            self._beat_at = 0.0
            self._take_back_alarms()
        self._was_up = self._link.up
        now = time.monotonic()
        for bay_id in self.plan.bays:
            age = now - self._published.get(bay_id, 0.0)
            if age >= PUBLISH_EVERY_S or (bay_id in self._dirty and age >= PUBLISH_GAP_S):
                self._publish_bay(bay_id, now)
        if now >= self._beat_at:
            self._beat()

    def _take_back_alarms(self) -> None:
        """Take back what the broker may still show as active: cleared while it was away."""
        for bay_id, bay in self.state.bays.items():
            place = self.plan.place(bay_id)
            for alarm_id in place.alarms if place else ():
                if alarm_id not in bay.alarms:
                    self._link.publish(f"envmon/{bay_id}/alarm/{alarm_id}", b"", qos=1)

    def _publish_bay(self, bay_id: str, now: float) -> None:
        live = describe(self.plan, self.state, bay_id)
        self._published[bay_id] = now
        self._dirty.discard(bay_id)
        self._link.publish(f"envmon/{bay_id}/state", msgspec.json.encode(live))
        for alarm in live.alarms:
            topic = f"envmon/{bay_id}/alarm/{alarm.id}"
            self._link.publish(topic, msgspec.json.encode(alarm), qos=1)

    def _beat(self) -> None:
        self._beat_at = time.monotonic() + PUBLISH_EVERY_S
        beat = {
            "state": "trouble" if self._trouble else "up",
            "at": iso_from_us(self._clock.now_us()),
            "text": self._trouble or self._keepers_word() or self._notice(),
            "rejected": self._rejected(),
            "last_reject": self._last_reject,
        }
        self._link.publish(HEARTBEAT_TOPIC, msgspec.json.encode(beat))

    def _keepers_word(self) -> str:
        """Return what the keeper of the archive says is wrong; empty when nothing is."""
        now = time.monotonic()
        if now >= self._word_at:
            self._word_at = now + WORD_EVERY_S
            try:
                word = self._store.snapshot(KEEPER_WORD)
                self._word = msgspec.json.decode(word, type=KeeperWord).text if word else ""
            except (StoreError, msgspec.MsgspecError) as error:
                log.warning("cannot read the keeper's word: %s", error)
        return self._word

    def _notice(self) -> str:
        """Return that the live file was renewed, as long as that is news."""
        renewed = self._renewed
        if renewed is None or self._clock.now_us() - renewed.at_us > NOTICE_US:
            return ""
        return renewal_from(renewed).text()

    def _rejected(self) -> int | None:
        """Return how many payloads were ever refused; None when the store cannot say."""
        try:
            return self._store.reject_total()
        except StoreError:
            return None

    def finish(self) -> None:
        """Save the guard's state and say goodbye to the broker."""
        with self._store.atomic():
            self._save(self.state)
        beat = {"state": "down", "at": iso_from_us(self._clock.now_us()), "text": "stopped"}
        self._link.publish(HEARTBEAT_TOPIC, msgspec.json.encode(beat), qos=1)
        self._link.close()
        self._store.close()


LAST_WILL = msgspec.json.encode({"state": "down", "at": None, "text": "the watch is gone"})
