// The panels of a job: clocks of those in flight, and a row for each with what may be done to it.
"use strict";
(() => {
  const { make, timeOfDay } = window.envmon;
  const {
    keep, text, sub, actButton, setAct, clockOf, shapeOf, phaseWord, flying, isWaiting,
  } = window.envmon.bench;
  const WORDS = { apply: "apply", level: "level", wipe: "wipe", inspect: "clean" };

  // An inspection has two ends; everything else one.
  function actsOf(panel) {
    return panel.acts.flatMap((act) => (act === "inspect"
      ? [{ act, result: "clean", words: "clean" }, { act, result: "high_spot", words: "high spot" }]
      : [{ act, words: WORDS[act] ?? act }]));
  }

  function drawActs(box, panel, { able, job }) {
    const acts = actsOf(panel);
    box.classList.toggle("many", acts.length > 1);
    keep(box, acts, (one, place) => place, () => actButton("small"), (button, one, place) => {
      const data = { act: one.act, panel: panel.id, place: panel.id };
      if (one.result) data.result = one.result;
      setAct(button, one.words, data, { off: !able || isWaiting(panel.id) });
      button.classList.toggle("main", place === 0 && job.next.panel === panel.id && job.next.act === one.act);
      const name = `${panel.name}: ${one.words}`;
      if (button.getAttribute("aria-label") !== name) button.setAttribute("aria-label", name);
    });
  }

  // The times of what is still under way; of what is done the list says enough.
  function factsOf(panel) {
    if (panel.phase === "done") return "";
    const facts = [];
    const at = (name, when) => { if (when) facts.push(`${name} ${timeOfDay(when)}`); };
    at("applied", panel.applied_at);
    at("levelled", panel.levelled_at);
    at("wiped", panel.wiped_at);
    at("inspected", panel.inspected_at);
    return facts.join(" · ");
  }

  function drawRow(row, panel, view) {
    const clock = clockOf(panel, view.now);
    row.dataset.phase = clock.phase;
    row.dataset.rowPanel = panel.id;
    shapeOf(sub(row, "span", "mark"), clock.phase);
    text(sub(row, "span", "name"), panel.name);
    const since = panel.phase === "done" ? ` ${timeOfDay(panel.inspected_at)}` : "";
    text(sub(row, "span", "word"), phaseWord(clock.phase) + since);
    drawActs(sub(row, "div", "acts"), panel, view);
    text(sub(row, "p", "facts"), factsOf(panel));
    sub(row, "p", "bench-said").dataset.said = panel.id;
  }

  function drawClock(box, panel, { now, able }) {
    const clock = clockOf(panel, now);
    box.dataset.phase = clock.phase;
    shapeOf(sub(box, "span", "mark"), clock.phase);
    text(sub(box, "span", "name"), panel.name);
    text(sub(box, "span", "words"), clock.words);
    text(sub(box, "span", "left"), clock.left);
    const level = [...box.children].find((child) => child.tagName === "BUTTON") ?? actButton("");
    if (!level.isConnected) box.append(level);
    const off = !able || !panel.acts.includes("level") || isWaiting(panel.id);
    setAct(level, "level", { act: "level", panel: panel.id, place: panel.id }, { off });
    level.setAttribute("aria-label", `${panel.name}: level`);
    const times = panel.factor ? [`${panel.factor.toFixed(2)} × the sheet's time`] : [];
    // They are the same for most: told in full of the one due first.
    const why = box.previousElementSibling ? [] : panel.why;
    text(sub(box, "p", "facts"), [...times, ...why].join(" · "));
    text(sub(box, "p", "outside"), panel.outside_sheet);
    sub(box, "p", "bench-said").dataset.said = panel.id;
  }

  function drawClocks(box, job, view) {
    const panels = job ? flying(job) : [];
    box.hidden = !panels.length;
    text(sub(box, "h2", "title"), "In flight");
    const over = job ? job.flying - job.in_flight : 0;
    const word = over > 0 ? `: ${over} too many, level first` : over === 0 ? ": full" : "";
    text(sub(box, "p", "count"), job ? `${job.flying} of ${job.in_flight}${word}` : "");
    keep(sub(box, "div", "clock-list"), panels, (panel) => panel.id, () => make("div", "clock", ""),
      (one, panel) => drawClock(one, panel, view));
  }

  // They are there to be worked in the coating, and to be looked at after it.
  function drawPanels(box, job, view) {
    const begun = job && job.panels.some((panel) => panel.phase !== "todo" || panel.acts.length);
    box.hidden = !begun;
    if (!begun) return;
    text(sub(box, "h2", "title"), "Panels");
    const done = job.panels.filter((panel) => panel.levelled_at).length;
    text(sub(box, "p", "count"), `${done} of ${job.panels.length} levelled`);
    keep(sub(box, "div", "panel-list"), job.panels, (panel) => panel.id,
      () => make("div", "panel", ""), (row, panel) => drawRow(row, panel, { ...view, job }));
  }

  Object.assign(window.envmon.bench, { drawClocks, drawPanels });
})();
