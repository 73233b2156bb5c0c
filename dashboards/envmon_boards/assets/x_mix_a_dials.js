// Dials of the mixing board: less and more step through usual values, the value can be written.
"use strict";
(() => {
  const FIRST_MS = 450; // a thumb that stays steps on after so long
  const EVERY_MS = 110;

  const ladderOf = (dial, units) => JSON.parse(dial.dataset.ladder)[units === "us" ? 1 : 0];
  const fieldOf = (dial) => dial.querySelector("input");

  // Writing fields are made here: what is written stays while the page is drawn anew.
  function furnish(dial, units, changed) {
    const input = document.createElement("input");
    input.type = "text";
    input.inputMode = "text";
    input.autocomplete = "off";
    input.enterKeyHint = "done";
    input.maxLength = 16;
    input.setAttribute("aria-label", dial.querySelector(".dial-name").textContent);
    input.addEventListener("input", changed);
    input.addEventListener("change", () => follow(dial, input.value));
    input.addEventListener("keydown", (event) => event.key === "Enter" && input.blur());
    input.addEventListener("focus", () => input.select());
    dial.querySelector("[data-room]").replaceChildren(input);
    setPlace(dial, Number(dial.dataset.place), units);
  }

  const reading = (text) => {
    const [, number, unit] = /^(?:1:)?\s*([\d.]+)\s*(.*)$/.exec(text.trim()) ?? [];
    return { number: Number(number), unit: unit?.toLowerCase() };
  };

  // After something was written, less and more go on from the usual value next to it.
  function follow(dial, written) {
    const { number, unit } = reading(written);
    for (const ladder of JSON.parse(dial.dataset.ladder)) {
      const usual = ladder.map(reading);
      const place = usual.findLastIndex((one) => one.unit === unit && one.number <= number);
      if (place >= 0) {
        dial.dataset.place = place;
        return;
      }
    }
  }

  function setPlace(dial, place, units) {
    const ladder = ladderOf(dial, units);
    const kept = Math.min(Math.max(place, 0), ladder.length - 1);
    dial.dataset.place = kept;
    fieldOf(dial).value = ladder[kept];
    dial.querySelector('[data-mix-act="less"]').toggleAttribute("disabled", kept === 0);
    dial.querySelector('[data-mix-act="more"]').toggleAttribute("disabled", kept === ladder.length - 1);
  }

  function step(dial, by, units) {
    setPlace(dial, Number(dial.dataset.place) + by, units);
  }

  // One press is one step; held, it goes on.
  function holdable(root, stepped) {
    let timer = 0;
    const stop = () => clearTimeout(timer);
    function press(event) {
      const button = event.target.closest?.('[data-mix-act="less"], [data-mix-act="more"]');
      if (!button || button.disabled || event.button > 0) return;
      const go = (wait) => {
        timer = setTimeout(() => {
          if (button.disabled || !button.isConnected) return;
          stepped(button, true);
          go(EVERY_MS);
        }, wait);
      };
      stop();
      go(FIRST_MS);
    }
    root.addEventListener("pointerdown", press);
    for (const end of ["pointerup", "pointercancel", "pointerleave", "blur"]) {
      window.addEventListener(end, stop);
    }
    root.addEventListener("contextmenu", (event) => event.target.closest?.(".dial button") &&
      event.preventDefault());
  }

  window.envmon.dials = { furnish, setPlace, step, holdable, fieldOf };
})();
