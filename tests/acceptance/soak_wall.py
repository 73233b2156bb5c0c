"""A real Chromium on the wall for the whole soak, with a witness inside the page."""

from __future__ import annotations

import threading
from typing import Any

from playwright.sync_api import Error, sync_playwright

from tests.acceptance.soak_stage import SILENCE_S
from tests.boards_support import CHROMIUM, CHROMIUM_ARGS

SLACK_S = 2.0
"""So much longer than the silence a number may stand before it counts as an old one shown."""

# Reads what the server sends beside the page's own code, and the page as a person sees it.
WITNESS = """
(() => {
  const log = window.soak = {opens: [], errors: 0, messages: 0, turns: [], old: [], heap: [],
                             scriptErrors: []};
  const live = {}, shown = {}, isOld = {};
  const hear = (told) => {
    const now = Date.now();
    log.messages += 1;
    for (const [bay, age] of Object.entries(told.ages_s ?? {}))
      if (age !== null) live[bay] = Math.max(live[bay] ?? 0, now - 1000 * age);
  };
  window.addEventListener("error", (event) => log.scriptErrors.push(String(event.message)));
  const Stream = window.EventSource;
  window.EventSource = class extends Stream {
    constructor(...given) {
      super(...given);
      this.addEventListener("open", () => log.opens.push(Date.now()));
      this.addEventListener("error", () => { log.errors += 1; });
      this.addEventListener("bays", (event) => hear(JSON.parse(event.data)));
    }
  };
  const get = window.fetch;
  window.fetch = async (...given) => {
    const answer = await get(...given);
    if (String(given[0]?.url ?? given[0]).endsWith("/api/v1/bays") && answer.ok)
      answer.clone().json().then(hear, () => {});
    return answer;
  };
  const look = () => {
    const now = Date.now();
    for (const card of document.querySelectorAll("[data-bay]")) {
      const bay = card.dataset.bay;
      const numbers = [...card.querySelectorAll('[data-f="number"]')];
      if (!numbers.length) continue;
      const some = numbers.some((one) => /[0-9]/.test(one.textContent));
      const verdict = card.querySelector('[data-f="verdict"]')?.textContent ?? "";
      const text = (some ? "numbers " : "blank ") + verdict;
      if (shown[bay] !== text) { shown[bay] = text; log.turns.push([now, bay, text]); }
      const old = some && now - (live[bay] ?? 0) > MOST_MS;
      if (old && !isOld[bay]) log.old.push([now, bay, now - (live[bay] ?? 0)]);
      isOld[bay] = old;
    }
  };
  setInterval(look, 200);
  setInterval(() => log.heap.push([Date.now(), performance.memory?.usedJSHeapSize ?? 0]), 5000);
})()
"""


class Wall(threading.Thread):
    """Opens the wall and leaves it alone; what the page's witness noted is there at the end.

    Args:
        address: Of the wall.
    """

    def __init__(self, address: str) -> None:
        super().__init__(daemon=True)
        self._address = address
        self._over = threading.Event()
        self.opened = threading.Event()
        self.noted: dict[str, Any] = {}
        self.fault = ""

    def run(self) -> None:
        try:
            self._watch()
        except Error as error:
            self.fault = str(error)

    def _watch(self) -> None:
        witness = WITNESS.replace("MOST_MS", str(round(1000 * (SILENCE_S + SLACK_S))))
        args = [*CHROMIUM_ARGS, "--enable-precise-memory-info"]
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=str(CHROMIUM), args=args)
            page = browser.new_page(viewport={"width": 1920, "height": 1080})
            page.add_init_script(witness)
            page.goto(self._address, timeout=60_000)
            self.opened.set()
            while not self._over.is_set():
                page.wait_for_timeout(500)
            self.noted = page.evaluate("window.soak")
            browser.close()

    def end(self) -> dict[str, Any]:
        """Close the page and return what its witness noted."""
        self._over.set()
        self.join(60)
        return self.noted
