// What the bench is drawn with: lists whose elements stay, buttons that hold still, clocks.
"use strict";
(() => {
  const { make, setShape } = window.envmon;
  const HOLD_MS = 600; // a button that is new or has changed its meaning takes no press for so long

  // The children of a box follow the items by key; an element stays the same while its key does,
  // so that nothing moves or loses its focus under a thumb.
  function keep(box, items, keyOf, build, update) {
    const old = new Map([...box.children].map((child) => [child.envmonKey, child]));
    items.forEach((item, place) => {
      const key = String(keyOf(item, place));
      let child = old.get(key);
      if (!child) {
        child = build(item);
        child.envmonKey = key;
      }
      old.delete(key);
      if (box.children[place] !== child) box.insertBefore(child, box.children[place] ?? null);
      update(child, item, place);
    });
    for (const child of old.values()) child.remove();
  }

  function text(element, words) {
    if (element.textContent !== words) element.textContent = words;
    return element;
  }

  // An element below a root, made when it is not there yet.
  function sub(root, tag, className) {
    const name = className.split(" ")[0];
    let found = [...root.children].find((child) => child.classList.contains(name));
    if (!found) {
      found = make(tag, className, "");
      root.append(found);
    }
    return found;
  }

  function actButton(className) {
    const button = make("button", `bench-button ${className}`.trim(), "");
    button.type = "button";
    return button;
  }

  // Label a button with what it does. A second tap of a wet glove must not do what the button has
  // come to mean only now, nor meet one that has only now come under the thumb.
  function setAct(button, words, data, state = {}) {
    const meaning = JSON.stringify(data);
    if (button.envmonMeaning !== meaning) {
      button.envmonHeld = performance.now() + HOLD_MS;
      button.envmonMeaning = meaning;
      for (const name of Object.keys(button.dataset)) delete button.dataset[name];
      Object.assign(button.dataset, data);
    }
    if (words !== null) text(button, words);
    const held = (button.envmonHeld ?? 0) > performance.now();
    const off = String(Boolean(state.off || held));
    if (button.getAttribute("aria-disabled") !== off) button.setAttribute("aria-disabled", off);
    button.classList.toggle("held", held);
    if (held) setTimeout(() => window.envmon.show(), HOLD_MS + 20);
    return button;
  }

  const isOff = (button) => button.getAttribute("aria-disabled") === "true" || button.disabled;

  function minutesText(seconds) {
    const whole = Math.max(0, Math.round(seconds));
    const [hours, minutes] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60];
    const end = String(whole % 60).padStart(2, "0");
    if (hours) return `${hours} h ${String(minutes).padStart(2, "0")}`;
    return `${minutes}:${end}`;
  }

  const PHASES = {
    todo: ["none", "to do"],
    flashing: ["notyet", "flashing"],
    due: ["medium", "level now"],
    overdue: ["high", "overdue"],
    levelled: ["low", "levelled"],
    wiped: ["low", "wiped"],
    done: ["fit", "done"],
    high_spot: ["unfit", "high spot"],
  };

  // Where a panel's clock stands by the server's clock now, counted on from what the server said.
  function clockOf(panel, now) {
    const flying = ["flashing", "due", "overdue"].includes(panel.phase);
    if (!flying || now === null) return { phase: panel.phase, words: "", left: "" };
    if (!panel.level_by) {
      const gone = (now - Date.parse(panel.applied_at)) / 1000;
      return { phase: panel.phase, words: "applied for", left: minutesText(gone) };
    }
    const [from, by] = [panel.level_from ?? panel.level_by, panel.level_by].map(Date.parse);
    if (now < from) {
      return { phase: "flashing", words: "level in", left: minutesText((from - now) / 1000) };
    }
    if (now <= by) {
      return { phase: "due", words: "level within", left: minutesText((by - now) / 1000) };
    }
    return { phase: "overdue", words: "overdue by", left: `+${minutesText((now - by) / 1000)}` };
  }

  const shapeOf = (element, phase) => setShape(element, PHASES[phase]?.[0] ?? "unknown");
  const phaseWord = (phase) => PHASES[phase]?.[1] ?? phase;

  // Panels on the clock, the one due first in front.
  const flying = (job) => job.panels
    .filter((panel) => ["flashing", "due", "overdue"].includes(panel.phase))
    .sort((one, other) =>
      String(one.level_by ?? one.applied_at).localeCompare(String(other.level_by ?? other.applied_at)));

  window.envmon.bench = {
    keep, text, sub, actButton, setAct, isOff, minutesText, clockOf, shapeOf, phaseWord, flying,
  };
})();
