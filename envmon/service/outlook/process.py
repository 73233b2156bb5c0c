"""The outlook as a process: ``python -m envmon.service.outlook.process SHOP.toml``.

Apart from the watch, and behind it in everything: it only reads what the watch has written, is nice
to other processes, and when it is gone screens show no outlook.
"""

from __future__ import annotations

import logging
import os
import sys
import time
from typing import TYPE_CHECKING

from envmon.clock import clock_from_text
from envmon.errors import StoreError
from envmon.facts import OUTLOOK_SAID
from envmon.guard.plan import plan_from_shop
from envmon.intake.link import BrokerLink
from envmon.service.alive import Pulse
from envmon.service.ending import exit_code_of, shop_process, stop_signals, take_lock
from envmon.service.heap import give_back_large_blocks
from envmon.service.outlook.alarm import Teller, said_in_chain
from envmon.service.outlook.facts import facts_to_learn_on, keep_facts
from envmon.service.outlook.learn import Learner
from envmon.service.outlook.live import agreed, outlook_topic
from envmon.service.outlook.morning import Mornings, with_mornings
from envmon.service.outlook.think import Thinker, encoded
from envmon.service.outlook.verdicts import verdicts_in
from envmon.service.watch_process import account_from, data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping
    from io import TextIOWrapper
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.outlook.frame import BayFrame
    from envmon.service.outlook.live import OutlookState
    from envmon.shop.models import Shop

log = logging.getLogger("envmon.outlook")

EVERY_S = 30.0
"""What is foreseen is worked out so often, on the shop's clock."""
LEAST_S = 3.0
"""But in real time not more often than this, where the clock runs faster."""
AGREES_S = 1.0
"""So often what was said is held against the guard's verdicts, in real time."""
KEEP_S = 60.0
"""Facts that only moved on a little are kept at most so often, in real time."""
TURN_S = 0.2
NICE = 10


class Outlooks:
    """Foresees for one shop; lives in one thread.

    Args:
        shop: The shop file, checked.
        folder: Data folder.
        clock: What time it is.
        link: Connection to the broker.
    """

    def __init__(self, shop: Shop, folder: Path, clock: Clock, link: BrokerLink) -> None:
        self._folder, self._clock, self._link = folder, clock, link
        self.thinker = Thinker(shop, plan_from_shop(shop), facts_to_learn_on(folder))
        self._bays = self.thinker.plan.bays
        self.mornings = Mornings(shop, self.thinker.plan, folder, clock.speed)
        self._tellers: dict[str, Teller] = {}
        self.learner = Learner(self.thinker, shop.shop.timezone)
        self._due_s = self._keep_s = self._agrees_s = 0.0
        self._said: dict[str, OutlookState] = {}
        self._changed = False
        self._trouble = ""

    def hasten(self) -> None:
        """Work out at the next turn."""
        self._due_s = 0.0

    def turn(self, timeout_s: float) -> bool:
        """Work out and publish when it is due; return whether it was."""
        self._link.take(timeout_s)
        now_s = time.monotonic()
        if now_s < self._due_s:
            self._agree(now_s)
            return False
        self._due_s = now_s + max(LEAST_S, EVERY_S / max(self._clock.speed, 1e-6))
        try:
            self._said = {}
            self._said = self._foreseen()
            self.publish(self._said)
            self._keep(now_s)
            self._tell_trouble("")
        except StoreError as error:
            self._tell_trouble(str(error))
        return True

    def _agree(self, now_s: float) -> None:
        """Say again, without the words that have come to speak against a verdict."""
        if now_s < self._agrees_s or not self._said:
            return
        self._agrees_s = now_s + AGREES_S
        try:
            store = SqliteStore(self._folder)
            try:
                verdicts = verdicts_in(store)
            finally:
                store.close()
        except StoreError:
            return  # the next turn tells of it
        now = {bay: agreed(one, verdicts.get(bay, {})) for bay, one in self._said.items()}
        self.publish({bay: one for bay, one in now.items() if one != self._said[bay]})
        self._said = now

    def _foreseen(self) -> dict[str, OutlookState]:
        now_us = self._clock.now_us()
        store = SqliteStore(self._folder)
        past = Past(store, self._folder)
        try:
            frames = self.thinker.look(past, now_us)
            self._changed |= self.learner.turn(past, frames, now_us)
            states = self.thinker.foresee(past, frames, now_us)
            self._tell_watch(store, frames, now_us)
            idle = {bay for bay, frame in frames.items() if not str(frame.stage[-1])}
            return with_mornings(states, self.mornings.look(now_us), idle)
        finally:
            past.close()
            store.close()

    def _tell_watch(self, store: SqliteStore, frames: Mapping[str, BayFrame], now_us: int) -> None:
        """Ask the watch for an event where what is foreseen has changed in kind."""
        if not self._tellers:
            lead_us = {bay: plan.rules.leaving_lead_us for bay, plan in self._bays.items()}
            said = said_in_chain(store, list(self._bays))
            self._tellers = {bay: Teller(lead_us[bay], one) for bay, one in said.items()}
        for bay, frame in frames.items():
            looked = self.thinker.looked(bay, str(frame.stage[-1]))
            data = self._tellers[bay].look(looked, now_us)
            if data is not None:
                store.ask(OUTLOOK_SAID, bay, data, now_us)

    def publish(self, states: Mapping[str, OutlookState]) -> None:
        """Say what is foreseen; not retained, so that nothing old is ever taken for new."""
        for bay, state in states.items():
            self._link.publish(outlook_topic(bay), encoded(state), retain=False)

    def _keep(self, now_s: float) -> None:
        if self._changed and now_s >= self._keep_s:
            keep_facts(self._folder, self.thinker.facts)
            self._keep_s, self._changed = now_s + KEEP_S, False

    def _tell_trouble(self, text: str) -> None:
        if text != self._trouble:
            log.error(text) if text else log.info("the outlook goes on")
        self._trouble = text

    def close(self) -> None:
        """Keep what was learned and say goodbye."""
        try:
            if self._changed:
                keep_facts(self._folder, self.thinker.facts)
        except StoreError as error:
            log.error("%s", error)  # noqa: TRY400 - the text says it all
        self._link.close()


def lock_outlook(folder: Path) -> TextIOWrapper:
    """Take what was learned in a folder for this process until it ends.

    Raises:
        ServiceError: Another one has it, or the folder cannot be written.
    """
    taken = f"another outlook process works in {folder}; stop it first"
    return take_lock(folder / "outlook.lock", taken, "check the folder")


def outlook_link(shop: Shop, shop_path: Path) -> BrokerLink:
    """Return a connection that only publishes."""
    name = f"{shop.broker.client_id or f'envmon-{shop.shop.site}'}-outlook"
    return BrokerLink(
        shop.broker.host, shop.broker.port, name, (), account=account_from(shop.broker, shop_path)
    )


def foresee_as_asked(options: argparse.Namespace) -> None:
    """Read the shop file and foresee until SIGTERM or SIGINT.

    Raises:
        EnvmonError: The shop file has faults, or the folder cannot be used.
    """
    stop = stop_signals()
    shop = load_shop(options.shop)
    folder = data_folder(shop, options.shop, options.data)
    ensure_data(folder, options.shop)
    lock = lock_outlook(folder)
    os.nice(NICE)
    give_back_large_blocks()
    link = outlook_link(shop, options.shop)
    outlooks = Outlooks(shop, folder, clock_from_text(options.clock), link)
    pulse = Pulse(os.environ)
    try:
        while not stop.is_set():
            outlooks.turn(TURN_S)
            pulse.beat()
    finally:
        outlooks.close()
        lock.close()


def main(argv: list[str] | None = None) -> int:
    """Foresee; return the exit code."""
    options = shop_process("envmon.service.outlook.process").parse_args(argv)
    return exit_code_of("envmon outlook", lambda: foresee_as_asked(options))


if __name__ == "__main__":
    sys.exit(main())
