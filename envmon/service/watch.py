"""The watch: listen, store, guard, publish; in one thread that waits for nobody else.

A turn takes what the broker has, decodes it, and in one transaction writes readings, rejected
payloads, events and the guard's findings; only then are the messages acknowledged. The guard is
pure, so when the disk fails nothing has happened: the same messages are tried again.
"""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING

import msgspec

from envmon.clock import DAY_US, SECOND_US, iso_from_us
from envmon.errors import PayloadError, StoreDamagedError, StoreError
from envmon.facts import CURE_FITNESS, Flag, NewEvent
from envmon.guard.alarm_acts import LISTENING, RAISED, TROUBLE_BEGAN, TROUBLE_OVER
from envmon.guard.engine import rewound_state, step
from envmon.guard.plan import plan_from_shop
from envmon.guard.signs import FIRST_WORD_US, WAITING_US
from envmon.intake.allowance import Allowance, Purse
from envmon.intake.decode import Decoder
from envmon.intake.forecast import KEPT_US, foretells, foretold_apart
from envmon.intake.health_rules import health_rules
from envmon.service.buttons import Buttons
from envmon.service.calibration.desk import Recalibration
from envmon.service.heartbeat import Heartbeat
from envmon.service.job.publishing import JobPublisher
from envmon.service.points.battery import Batteries
from envmon.service.publishing import Publisher
from envmon.service.replay.mark import SET_BACK, TAKEN, KeptGuard, SavedGuard, marked
from envmon.service.restored import HEALTH, SNAPSHOT, plan_fingerprint, restored
from envmon.service.taking_up import TakingUp
from envmon.service.trouble_senses import Told
from envmon.service.troubles import Troubles, standing
from envmon.store.base import Reject

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from envmon.clock import Clock
    from envmon.facts import Foretold, Reading
    from envmon.guard.state import Finding, GuardState
    from envmon.intake.link import BrokerLink, Message
    from envmon.service.buttons import Press
    from envmon.service.trouble_senses import Senses
    from envmon.shop.models import Shop
    from envmon.store.base import Request, Store

log = logging.getLogger("envmon.watch")

SNAPSHOT_EVERY_S = 10.0
REQUESTS_EVERY_S = 0.1
RETRY_S = 1.0
BOOT_S = 60.0
"""A sensor's machine may take so long from the broker's being there to a first word [s, real
time]: after a power cut everything begins at once. At 60 times real speed it is an hour."""
_QUIET = frozenset({"stage_fitness", CURE_FITNESS})
"""Findings that are not worth a line of the log."""
PAYLOAD_KEPT = 2_048
"""Bytes of a rejected payload kept for inspection."""
TOPIC_KEPT = 300
"""Characters of its topic."""
REJECTS_PER_S, REJECTS_SAVED = 10.0, 1_000.0
"""So many rejected payloads are kept in a second for good, and so many at once; all are counted."""


CLOCK_BACK_US = 5 * SECOND_US
"""A clock this far behind what was judged already was set back, not merely steered."""
KEPT_BY_BROKER = (
    "the broker had kept it (retained) and it has no time of its own, so nobody knows how old it "
    "is; publish without retain, or send SenML with a time"
)


def _reject(message: Message, now_us: int, reason: str) -> Reject:
    return Reject(now_us, message.topic[:TOPIC_KEPT], message.payload[:PAYLOAD_KEPT], reason)


class Watch:
    """One shop being watched.

    Args:
        shop: The shop file, checked.
        store: Where readings and events go; this thread's own.
        link: Connection to the broker.
        clock: What time it is.
        senses: What looks at the disk, the machine's clock and the other processes; without it
            the watch knows no troubles of its own.
    """

    def __init__(
        self, shop: Shop, store: Store, link: BrokerLink, clock: Clock, senses: Senses | None = None
    ) -> None:
        self._store, self._link, self._clock, self._senses = store, link, clock, senses
        self.plan = plan_from_shop(shop)
        self._fingerprint = plan_fingerprint(self.plan)
        rules = health_rules(shop)
        found = restored(self.plan, self._fingerprint, store, clock.now_us(), rules)
        self.state, self._set_back, self._health = found.state, found.set_back, found.health
        self._recalibration = Recalibration(shop, store)
        self._foretells = foretells(shop)
        self._decoder = Decoder(
            shop.point, self._recalibration.lines(), [bay.id for bay in shop.bay]
        )
        known = [*store.events_of(TROUBLE_BEGAN), *store.events_of(TROUBLE_OVER)]
        self._troubles = Troubles(standing(known), self._set_back)
        self._allowance = Allowance()
        self._rejecting: Purse[str] = Purse(REJECTS_PER_S, REJECTS_SAVED)
        self._pending: list[Message] = []
        self._snapshot_at = self._requests_at = 0.0
        self._taking_up = TakingUp(shop, self.plan, store, self._recalibration)
        self.desk = self._taking_up.desk
        self._batteries = Batteries(shop, store)
        self._buttons = Buttons(shop, store, clock, self.state.now_us)
        self._publisher = Publisher(self.plan, link)
        self._job_publisher = JobPublisher(shop, self.desk, link)
        self._heart = Heartbeat(store, link, clock)
        self._was_up = False
        self._link_error = ""
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
            self._pending = self._link.take(self._publisher.wait_s(timeout_s))
        self._ensure_clock()
        # Strictly rising, so that replay can tell the steps apart, with a microsecond for each
        # message: two that bring no time of their own must not fall on the same one.
        # Whole milliseconds, so that the lag kept with every reading is a short number.
        whole_ms_us = self._clock.now_us() // 1_000 * 1_000
        least_us = max(whole_ms_us, self.state.now_us + max(1, len(self._pending)))
        now_us = marked(least_us, self._set_back)
        messages, presses, refused = self._buttons.sift(self._pending, now_us)
        readings, told, rejects = self._decode(messages, now_us)
        rejects += [_reject(message, now_us, why) for message, why in refused]
        try:
            self._commit(readings, told, rejects, presses, now_us)
        except StoreDamagedError:
            raise  # trying again would not help: the process ends, and renews when started again
        except StoreError as error:
            self._health.undo()
            self._allowance.undo()
            self._rejecting.undo()
            self.desk.undo()
            self._buttons.undo()
            self._kept_day = None  # what was kept in this turn is undone with it
            self._say_trouble(str(error))
            self._heart.beat(now=True)
            time.sleep(RETRY_S)
            return 0
        self._allowance.kept()
        self._rejecting.kept()
        self._say_trouble("")
        self._say_link()
        done, self._pending = self._pending, []
        self._link.acknowledge(done)
        self._batteries.look(messages, now_us)
        self._publish(readings)
        return len(done)

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
            self._health.forget()  # what it remembers lies in the future now
            self._adopt(state, [back], findings, "clock")
        except StoreDamagedError:
            raise
        except StoreError as error:
            self._set_back -= 1
            self.desk.undo()
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
            new = [*events, *(NewEvent(*finding) for finding in findings)]
            self.desk.heed(self._store.add_events(new))
            self._save(state, why)
        self.desk.kept()
        self.state = state
        self._publisher.note(self.plan.places)
        self._tell(findings)

    def _save(self, state: GuardState, why: str = "") -> None:
        """Write the guard's snapshot into the transaction that is open; keep one a day for good."""
        saved = SavedGuard(self._fingerprint, state, self._set_back)
        self._store.save_snapshot(SNAPSHOT, state.now_us, msgspec.json.encode(saved))
        self._batteries.save(state.now_us)
        health = msgspec.json.encode(self._health.state())
        self._store.save_snapshot(HEALTH, state.now_us, health)
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
        if text != self._heart.trouble:
            log.error(text) if text else log.info("the store can be written again")
        self._heart.trouble = text

    def _decode(
        self, messages: Sequence[Message], now_us: int
    ) -> tuple[list[Reading], list[Foretold], list[Reject]]:
        readings: list[Reading] = []
        told: list[Foretold] = []
        rejects: list[Reject] = []
        for before_us, message in zip(range(len(messages))[::-1], messages, strict=True):
            at_us = now_us - before_us
            try:
                new = self._decoder.decode(message.topic, message.payload, at_us, now_us)
                if message.retained and self._is_of_unknown_age(message, new, at_us):
                    raise PayloadError(KEPT_BY_BROKER)  # noqa: TRY301 - one way to refuse
                if self._foretells:
                    new, ahead = foretold_apart(new, at_us, retained=message.retained)
                    told += ahead
                readings += new
            except PayloadError as error:
                rejects.append(_reject(message, now_us, str(error)))
            except Exception:
                # One message must never stop the stream, whatever the fault behind it.
                log.exception("cannot decode a message on %s", message.topic)
                rejects.append(_reject(message, now_us, "internal error; see the log"))
        if rejects:
            self._heart.last_reject = rejects[-1].reason
        readings = self._allowance.admitted(readings, now_us)
        told = self._allowance.foretold(told, now_us)
        self._flag_late(readings)
        return self._health.judge(readings, self._apart()), told, rejects

    def _is_of_unknown_age(self, message: Message, taken: Sequence[Reading], at_us: int) -> bool:
        """Return whether the times of a message hang on when it came: it has none of its own."""
        again = self._decoder.decode(message.topic, message.payload, at_us + SECOND_US)
        return any(one.t_us != other.t_us for one, other in zip(taken, again, strict=True))

    def _apart(self) -> Collection[tuple[str, str]]:
        """Return the series that, as last judged, disagree with others of their bay."""
        return {
            (series.point, quantity)
            for bay_id, bay in self.state.bays.items()
            if bay.apart
            for quantity in bay.apart
            for series in self.plan.places[bay_id].sources.get(quantity, ())
        }

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

    def _own_troubles(self, now_us: int) -> list[NewEvent]:
        """Return what the watch has to report of itself that the chain does not have yet."""
        if self._senses is None or not self._senses.due():
            return []
        told = Told(
            self._link.up,
            self._link.last_error,
            self._heart.trouble,
            self._heart.keepers_word(),
            self._set_back,
            self._allowance.word(now_us),
        )
        return self._troubles.look(self._senses.seen(now_us, told))

    def _listening(self, now_us: int) -> list[NewEvent]:
        """Return from when on sensors can be heard, once the broker is there."""
        if not self._link.up:
            return []
        wait_s = max(FIRST_WORD_US / SECOND_US, BOOT_S * self._clock.speed)
        return [
            NewEvent(now_us, LISTENING, place, {"wait_s": wait_s})
            for place, bay in self.state.bays.items()
            if bay.begun_us == WAITING_US
        ]

    def _commit(
        self,
        readings: Sequence[Reading],
        told: Sequence[Foretold],
        rejects: Sequence[Reject],
        presses: Sequence[Press],
        now_us: int,
    ) -> None:
        requests, troubles = self._requests(), self._own_troubles(now_us)
        reports = [*self._listening(now_us), *troubles]
        due = time.monotonic() >= self._snapshot_at
        if not (readings or told or rejects or requests or presses or reports or due):
            state, findings = step(self.plan, self.state, [], [], now_us)
            if not findings:
                self.state = state
                return
        with self._store.atomic():
            if self._store.add_readings(readings) < len(readings):
                # A message delivered again: what the store did not take must not be judged.
                readings = self._store.kept(readings)
            if told:
                self._store.add_foretold(told, now_us - KEPT_US)
            if rejects:
                granted = self._rejecting.take("", len(rejects), now_us)
                self._store.add_rejects(rejects[len(rejects) - granted :], len(rejects) - granted)
            events = self._taking_up.write(requests, presses, reports, self.state, now_us)
            state, findings = step(self.plan, self.state, readings, events, now_us)
            if findings:
                new = [NewEvent(*finding) for finding in findings]
                self.desk.heed(self._store.add_events(new))
            if presses:
                self._buttons.save(now_us)
            if findings or events or due:
                self._save(state)
        self.desk.kept()
        self._buttons.kept()
        if findings or events or due:
            self._snapshot_at = time.monotonic() + SNAPSHOT_EVERY_S
        self.state = state
        self._troubles.kept(troubles)
        self._recalibration.take(events, self._decoder)
        self._publisher.note(event.bay for event in events)
        self._tell(findings)

    def _tell(self, findings: Sequence[Finding]) -> None:
        self._publisher.note_found(findings)
        for finding in findings:
            if finding.kind == RAISED:
                log.warning("alarm %s: %s", finding.data["alarm"], finding.data["text"])
            elif finding.kind not in _QUIET:
                log.info("%s: %s", finding.kind.replace("_", " "), finding.data["alarm"])

    def _publish(self, readings: Sequence[Reading]) -> None:
        self._publisher.note_heard(readings)
        if self._link.up and not self._was_up:
            self._publisher.say_all()
            self._job_publisher.say_all()
            self._heart.hasten()
        self._was_up = self._link.up
        self._publisher.speak(self.state)
        self._job_publisher.speak(self.state)
        self._buttons.listened(self.state.now_us, up=self._link.up)
        self._heart.beat()

    def finish(self) -> None:
        """Save the guard's state and say goodbye to the broker."""
        with self._store.atomic():
            self._save(self.state)
        self._heart.say_goodbye()
        self._link.close()
        self._store.close()
