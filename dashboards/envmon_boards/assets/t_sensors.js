// The sensors board: a card for each sensor, the one to go to first. Ages run on by themselves.
"use strict";
(() => {
  const { put, make, settings, stamp, since, setShape, ask } = window.envmon;
  const MOST_FINDINGS = 3;
  const state = { root: null, answer: null, at: null, triedAt: null, asking: false, why: "" };

  const speed = () => Number(settings().speed ?? 1);
  const silence = () => Number(settings().silence ?? 15);
  const lost = () => !state.at || since(state.at) > silence();
  const now = () => state.answer.now_ms + 1000 * speed() * since(state.at);

  function ageText(seconds) {
    if (seconds < 0) return "ahead of the clock";
    if (seconds < 1) return "just now";
    if (seconds < 120) return `${Math.round(seconds)} s ago`;
    if (seconds < 7200) return `${Math.floor(seconds / 60)} min ago`;
    if (seconds < 48 * 3600) return `${Math.floor(seconds / 3600)} h ago`;
    return `${Math.floor(seconds / 86400)} days ago`;
  }

  function flagsTexts(quantity) {
    if (!quantity.readings) return ["nothing heard in 24 h"];
    const count = quantity.readings.toLocaleString("en-GB").replaceAll(",", " ");
    const all = `24 h: ${count} ${quantity.readings === 1 ? "reading" : "readings"},`;
    if (!quantity.flagged) return [all, "none flagged"];
    const now = quantity.flags_now.length ? [`now ${quantity.flags_now.join(", ")};`] : [];
    const kinds = quantity.flags.map((flag) => `${flag.count} ${flag.word}`);
    return [...now, all, `${quantity.flagged} flagged:`, ...kinds.map((kind, place) =>
      place + 1 < kinds.length ? `${kind},` : kind)];
  }

  // In parts that are not broken: a date stays on its line.
  function calibrationTexts(calibration) {
    const { standing, checked, due } = calibration;
    return {
      none: ["never calibrated"],
      shop_file: ["calibrated in the shop file,", "without a date"],
      valid: [`calibrated ${checked},`, `next check ${due}`],
      undated: [`calibrated ${checked},`, "no date for the next check"],
      overdue: [`calibrated ${checked},`, `check was due ${due}`],
    }[standing];
  }

  function partsLine(className, texts) {
    const line = make("div", className, "");
    line.append(...texts.map((text) => make("span", "", text)));
    return line;
  }

  function calibrationLine(calibration) {
    const line = partsLine("calibration", calibrationTexts(calibration));
    line.dataset.standing = calibration.standing;
    const held = calibration.reference && `held to ${calibration.reference}`;
    line.title = [calibration.line, held, calibration.by].filter(Boolean).join(", ");
    return line;
  }

  function quantityRow(quantity) {
    const row = make("div", "quantity", "");
    row.dataset.quantity = quantity.quantity;
    row.classList.toggle("stale", !quantity.fresh);
    const age = make("span", "age", "—");
    if (quantity.t_ms !== null) age.dataset.t = quantity.t_ms;
    const value = make("span", "value", quantity.text);
    value.dataset.stale = quantity.stale_s;
    const flags = partsLine("flags", flagsTexts(quantity));
    flags.classList.toggle("some", quantity.flagged > 0);
    row.append(make("span", "what", quantity.label), value, age, flags);
    if (quantity.calibration) row.append(calibrationLine(quantity.calibration));
    return row;
  }

  function findingLine(finding) {
    const line = make("p", "finding", "");
    line.dataset.kind = finding.kind;
    line.append(make("b", "", finding.why), make("span", "", finding.do));
    return line;
  }

  function cardOf(sensor) {
    const card = make("section", "sensor", "");
    card.dataset.kind = sensor.kind;
    card.dataset.sensor = sensor.id;
    card.setAttribute("aria-label", `${sensor.id}: ${sensor.word}`);
    const head = make("div", "sensor-head", "");
    const shape = make("div", "shape", "");
    setShape(shape, sensor.kind);
    const name = make("div", "name", sensor.id);
    head.append(shape, name, make("div", "where", sensor.where), make("div", "word", sensor.word));
    card.append(head, ...sensor.findings.slice(0, MOST_FINDINGS).map(findingLine));
    const more = sensor.findings.length - MOST_FINDINGS;
    if (more > 0) card.append(make("p", "more", `and ${more} more`));
    card.append(...sensor.quantities.map(quantityRow));
    if (sensor.battery) card.append(make("p", "more", `battery ${sensor.battery}`));
    return card;
  }

  function drawHead(kind, text, why) {
    const line = state.root.querySelector(".go-line");
    line.dataset.kind = kind;
    setShape(line.querySelector('[data-f="shape"]'), kind);
    put(line, "go", text);
    put(line, "why", why);
  }

  function draw() {
    const { headline, sensors } = state.answer;
    drawHead(headline.kind, headline.text, headline.do);
    state.root.querySelector("[data-grid]").replaceChildren(...sensors.map(cardOf));
    runAges();
  }

  function runAges() {
    const at = now();
    for (const age of state.root.querySelectorAll("[data-t]")) {
      const seconds = (at - Number(age.dataset.t)) / 1000;
      age.textContent = ageText(seconds);
      const row = age.parentElement;
      row.classList.toggle("stale", seconds > Number(row.querySelector(".value").dataset.stale));
    }
  }

  // What cannot be known is not shown: no number stays on the screen without its server.
  function blank() {
    for (const card of state.root.querySelectorAll(".sensor")) {
      card.dataset.kind = "silent";
      setShape(card.querySelector(".shape"), "silent");
      card.querySelector(".word").textContent = "NO DATA";
      for (const value of card.querySelectorAll(".value")) value.textContent = "—";
      for (const line of card.querySelectorAll(".finding, .more")) line.remove();
    }
    drawHead("silent", "Nobody knows how the sensors are", "the board server does not answer");
  }

  async function fetchSensors() {
    if (state.asking) return;
    state.asking = true;
    state.triedAt = stamp();
    try {
      state.answer = await ask("/api/v1/sensors");
      state.at = stamp();
      state.why = "";
      draw();
    } catch (error) {
      state.why = error.name === "Error" ? error.message : "the board server does not answer";
    } finally {
      state.asking = false;
      show();
    }
  }

  function show() {
    const bar = state.root.querySelector(".lost-bar");
    bar.hidden = !state.why;
    put(bar, "lost", state.why && `The sensors cannot be had: ${state.why}. It is asked for again.`);
    if (!state.answer) return;
    if (lost()) blank();
    else runAges();
  }

  function tick() {
    const root = document.querySelector("[data-sensors]");
    if (!root || document.hidden) return;
    if (root !== state.root) Object.assign(state, { root, triedAt: null, at: null, answer: null });
    const every = speed() > 2 ? 2 : 5;
    if (!state.triedAt || since(state.triedAt) >= every) fetchSensors();
    show();
  }

  const parts = new MutationObserver(() => {
    if (document.querySelector("[data-sensors]") && !state.root) tick();
  });
  parts.observe(document, { childList: true, subtree: true });
  document.addEventListener("visibilitychange", tick);
  setInterval(tick, 1000);
})();
