// The history board: asks the server, draws, says what is lost; a zoom asks for finer data.
"use strict";
(() => {
  const { put, settings, stamp, since, times, board, Strip } = window.envmon;
  const {
    state, zone, bayFacts, chosen, keepAddress, readAddress, setSpan, setWindow, spanText,
    USUAL, drawRows, showValues, makeFields, field, fillFields, showFields,
  } = board;
  const WAIT_MS = 250; // so long a zoom rests before finer data is asked for
  const PATIENCE_MS = 15_000;
  const AGAIN_S = 5; // after a lost answer it is asked again
  const FACTS_S = 60; // what there is changes slowly
  const FINEST = 1200;

  async function asked(path) {
    state.asking?.abort();
    const stop = new AbortController();
    state.asking = stop;
    const late = setTimeout(() => stop.abort(), PATIENCE_MS);
    try {
      const answer = await fetch(path, { signal: stop.signal, cache: "no-store" });
      window.envmon.heard?.(answer.status, false);
      const document = await answer.json();
      if (!answer.ok) throw new Error(document.error ?? `answer ${answer.status}`);
      return document;
    } finally {
      clearTimeout(late);
    }
  }

  function question() {
    const wide = state.chart?.plot ?? 0.75 * state.root.querySelector("[data-chart]").clientWidth;
    const most = Math.max(100, Math.min(FINEST, Math.round(wide))); // one bucket a pixel
    return new URLSearchParams({
      bay: state.bay, from_ms: Math.floor(state.from), to_ms: Math.ceil(state.to),
      quantities: chosen().map((q) => q.name).join(","), most,
    });
  }

  async function fetchLines() {
    clearTimeout(state.timer);
    state.timer = null;
    state.turn += 1;
    const turn = state.turn;
    state.triedAt = stamp();
    const query = question();
    put(state.root, "hint", "fetching …");
    try {
      const answer = await asked(`/api/v1/history?${query}`);
      if (turn !== state.turn) return;
      Object.assign(state, { answer, answerFor: state.bay, answerAt: Date.now(), lost: null });
    } catch (error) {
      if (turn !== state.turn) return;
      const gone = error.name === "TypeError" || error.name === "AbortError" || error.name === "SyntaxError";
      const why = gone ? "the board server does not answer" : error.message;
      state.lost = { why, since: state.lost?.since ?? Date.now() };
    }
    put(state.root, "hint", "");
    show();
  }

  function changed({ push = true } = {}) {
    keepAddress(push);
    show();
    fetchLines();
  }

  // Wheel and pinch come in many small steps: the old drawing follows, the question waits.
  function rested() {
    clearTimeout(state.timer);
    state.timer = setTimeout(() => changed(), WAIT_MS);
    draw();
  }

  async function fetchFacts() {
    const answer = await fetch("/api/v1/history/span", { signal: AbortSignal.timeout(PATIENCE_MS), cache: "no-store" });
    const document = await answer.json();
    if (!answer.ok) throw new Error(document.error ?? `answer ${answer.status}`);
    Object.assign(state, { facts: document, factsAt: stamp() });
  }

  function draw() {
    const box = state.root.querySelector("[data-chart]");
    if (!state.answer || state.answerFor !== state.bay || !box.clientWidth) {
      box.replaceChildren();
      state.chart = null;
      return;
    }
    const lines = state.answer.lines.filter((line) => state.shown.has(line.quantity));
    state.chart = new Strip(box, {
      from: state.from, to: state.to, units: state.units, cursor: state.cursor,
      select: state.select, answer: { ...state.answer, lines },
    }).draw();
    box.style.minHeight = `${state.chart.least}px`;
    box.setAttribute("aria-label", spoken());
    showValues();
  }

  function drawCursor() {
    if (!state.chart) return;
    state.chart.moveCursor(state.cursor);
    showValues();
  }

  function spoken() {
    const names = state.chart.answer.lines.map((line) => line.label).join(", ");
    return `${bayFacts().name}: ${names}; ${spanText(state.from, state.to)}`;
  }

  function press(act, value) {
    for (const key of state.root.querySelectorAll(`[data-pick="${act}"]`)) {
      const on = key.dataset.value === value;
      key.classList.toggle("on", on);
      key.setAttribute("aria-pressed", String(on));
    }
  }

  function showLost() {
    const box = state.root.querySelector(".chart-box");
    const old = Boolean(state.lost && state.answer);
    box.classList.toggle("old", old);
    let text = "";
    if (state.lost) {
      const kept = old ? ` What you see was fetched at ${times.clock(state.answerAt, zone(), true)}.` : "";
      text = `Not shown anew: ${state.lost.why}, since ${times.clock(state.lost.since, zone())}.${kept}`;
    }
    put(state.root, "lost", text).parentElement.hidden = !text;
    put(state.root, "stamp", old ? "OLD" : "").parentElement.hidden = !old;
  }

  const stepText = (s) => {
    const [n, unit] = s < 60 ? [s, "s"] : s < 3600 ? [s / 60, "min"] : s < 86400 ? [s / 3600, "h"] : [s / 86400, "d"];
    return `${n} ${unit}`;
  };

  function show() {
    press("bay", state.bay);
    press("span", state.span ?? "pick");
    press("units", state.units);
    drawRows();
    draw();
    showLost();
    const fine = state.answer ? `${spanText(state.from, state.to)}. One step of the line: ${stepText(state.answer.step_s)}.` : "";
    put(state.root, "fine", fine);
    const none = state.answer && !state.answer.lines.some((line) => line.count.length);
    state.root.querySelector(".chart-box").classList.toggle("empty", Boolean(none));
    if (none && !state.lost) put(state.root, "hint", emptyText());
    fillFields();
  }

  function emptyText() {
    const { first_ms: first, last_ms: last } = state.facts;
    if (first === null) return "Nothing kept yet: no reading has come.";
    return `No readings kept in this span. Kept: ${spanText(first, last)}.`;
  }

  async function save(kind) {
    const query = question();
    query.set("format", kind);
    query.set("units", state.units);
    put(state.root, "hint", "making the file …");
    try {
      const answer = await fetch(`/api/v1/history/export?${query}`, { signal: AbortSignal.timeout(60_000) });
      if (!answer.ok) throw new Error((await answer.json()).error ?? `answer ${answer.status}`);
      const name = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition"))?.[1];
      const link = document.createElement("a");
      link.href = URL.createObjectURL(await answer.blob());
      link.download = name ?? `history.${kind}`;
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
      put(state.root, "hint", `saved: ${link.download}`);
    } catch (error) {
      const why = error.name === "Error" ? error.message : "the board server does not answer";
      put(state.root, "hint", `not saved: ${why}`);
    }
  }

  function pick(event) {
    const key = event.target.closest?.("[data-pick]");
    if (!key || !state.facts) return;
    const { pick: act, value } = key.dataset;
    if (act === "bay") {
      state.bay = value;
      if (!chosen().length) state.shown = new Set(USUAL);
      changed();
    } else if (act === "span" && value === "pick") {
      const box = state.root.querySelector(".from-to");
      box.hidden = !box.hidden;
      key.setAttribute("aria-expanded", String(!box.hidden));
      if (!box.hidden) field("from").focus();
    } else if (act === "span") {
      setSpan(value);
      state.cursor = null;
      changed();
    } else if (act === "move") {
      move(value);
    } else if (act === "fields") {
      showFields();
    } else if (act === "units") {
      state.units = value;
      keepAddress(false);
      show();
    } else if (act === "quantity") {
      toggle(value);
    } else if (act === "file") {
      save(value);
    }
  }

  function toggle(name) {
    if (state.shown.has(name) && chosen().length > 1) state.shown.delete(name);
    else state.shown.add(name);
    changed({ push: false });
  }

  function move(way) {
    const wide = state.to - state.from;
    const by = { earlier: [-0.5, -0.5], later: [0.5, 0.5], closer: [0.25, -0.25], wider: [-0.5, 0.5] }[way];
    setWindow(state.from + by[0] * wide, state.to + by[1] * wide);
    changed();
  }

  function connect(root) {
    const chart = root.querySelector("[data-chart]");
    board.connectGrip(chart);
    root.addEventListener("click", pick);
    window.addEventListener("popstate", () => { if (state.facts) { readAddress(); show(); fetchLines(); } });
    let wide = 0;
    new ResizeObserver(() => {
      const size = chart.clientWidth * 10_000 + chart.clientHeight;
      if (size !== wide && state.facts) { wide = size; board.frame(draw); }
    }).observe(chart.parentElement);
    document.fonts?.ready.then(() => { if (state.facts) draw(); });
    setInterval(tick, 1000);
  }

  async function start() {
    try {
      await fetchFacts();
      state.lost = null;
      readAddress();
      keepAddress(false);
      show();
      await fetchLines();
    } catch (error) {
      state.triedAt = stamp();
      const why = error.name === "Error" ? error.message : "the board server does not answer";
      put(state.root, "lost", `The history cannot be had: ${why}. It is asked for again.`).parentElement.hidden = false;
    }
  }

  // What follows the present is asked for again and again; what was lost, too.
  function tick() {
    if (document.hidden || board.held() || state.timer) return;
    const every = state.lost || !state.facts ? AGAIN_S : Number(settings().speed ?? 1) > 2 ? 5 : 30;
    if (!state.triedAt || since(state.triedAt) < every) return;
    if (!state.facts) {
      state.triedAt = stamp();
      start();
    } else if (state.lost) {
      fetchLines();
    } else if (state.span && state.span !== "yesterday" && state.cursor === null) {
      follow();
    }
  }

  async function follow() {
    state.triedAt = stamp();
    if (since(state.factsAt) > FACTS_S) await fetchFacts().catch(() => {}); // the lines will tell
    if (!state.span) return;
    setSpan(state.span);
    keepAddress(false);
    fetchLines();
  }

  const parts = new MutationObserver(() => {
    const root = document.querySelector("[data-history]");
    if (!root) return;
    parts.disconnect();
    state.root = root;
    root.querySelector(".from-to").hidden = true;
    for (const name of [".lost-bar", ".old-stamp"]) root.querySelector(name).hidden = true;
    makeFields();
    connect(root);
    state.triedAt = stamp();
    start();
  });
  parts.observe(document, { childList: true, subtree: true });

  Object.assign(board, { draw, drawCursor, changed, rested, move });
})();
