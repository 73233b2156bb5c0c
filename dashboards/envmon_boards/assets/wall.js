// The live part of every screen: listens to the stream, writes into the page, and notices
// silence by itself. Text from outside only ever becomes text, never markup.
(function () {
  "use strict";

  const SVG = "http://www.w3.org/2000/svg";
  // Word, shape and colour say the same thing three times.
  const SHAPES = {
    fit: [["circle", { cx: 50, cy: 50, r: 46, fill: "currentColor" }],
      ["path", { d: "M26 52 L44 69 L76 33", fill: "none", stroke: "var(--hole)", "stroke-width": 13 }]],
    marginal: [["path", { d: "M50 5 L95 50 L50 95 L5 50 Z", fill: "none", stroke: "currentColor", "stroke-width": 9 }],
      ["path", { d: "M50 5 L50 95 L5 50 Z", fill: "currentColor" }]],
    unfit: [["rect", { x: 5, y: 5, width: 90, height: 90, fill: "currentColor" }],
      ["path", { d: "M27 27 L73 73 M73 27 L27 73", stroke: "var(--hole)", "stroke-width": 14, fill: "none" }]],
    unknown: [["circle", { cx: 50, cy: 50, r: 43, fill: "none", stroke: "currentColor", "stroke-width": 9, "stroke-dasharray": "27 18" }],
      ["circle", { cx: 50, cy: 50, r: 9, fill: "currentColor" }]],
    pending: [["path", { d: "M12 8 L88 8 L50 50 Z M12 92 L88 92 L50 50 Z", fill: "currentColor" }]],
    none: [["path", { d: "M10 50 L90 50", stroke: "currentColor", "stroke-width": 14, fill: "none" }]],
  };
  const WORDS = { fit: "FIT", marginal: "MARGINAL", unfit: "UNFIT", unknown: "UNKNOWN",
    pending: "NOT YET", none: "NO STAGE" };
  const RANK = { unfit: 0, unknown: 1, marginal: 2, fit: 3 };
  const WATER = ["water_temp_c", "dissolved_solids_ppm"];
  const SOURCES = ["air_temp_c", "rel_hum_pct", "panel_temp_c"].concat(WATER);

  const live = { bays: {}, at: {}, heard: null, heardWall: null, watch: null, broker: null, build: null };
  let stream = null, retry = 0, retryTimer = null, fetching = false;

  const all = (root, what) => Array.from(root.querySelectorAll(what));
  const page = () => document.getElementById("page");
  const setting = (name) => (page() ? page().dataset[name] : undefined);
  function put(root, name, text) {
    const at = root.querySelector('[data-f="' + name + '"]');
    if (at && at.textContent !== text) at.textContent = text;
  }
  function drawing(kind, hole) {
    const svg = document.createElementNS(SVG, "svg");
    svg.setAttribute("viewBox", "0 0 100 100");
    svg.setAttribute("aria-hidden", "true");
    svg.style.setProperty("--hole", hole);
    for (const [tag, attributes] of SHAPES[kind]) {
      const part = document.createElementNS(SVG, tag);
      for (const name in attributes) part.setAttribute(name, attributes[name]);
      svg.appendChild(part);
    }
    return svg;
  }
  function shape(at, kind, hole) {
    if (!at || at.dataset.kind === kind) return;
    at.dataset.kind = kind;
    at.replaceChildren(drawing(kind, hole));
  }

  // ---- time -----------------------------------------------------------------------------
  function clockText(ms, seconds) {
    const how = { hour: "2-digit", minute: "2-digit", hour12: false, timeZone: setting("tz") };
    if (seconds) how.second = "2-digit";
    return new Intl.DateTimeFormat("en-GB", how).format(new Date(ms));
  }
  const hhmm = (iso) => (iso ? clockText(Date.parse(iso), false) : "--:--");
  // Both clocks: one stands still while the machine sleeps, the other jumps when it is set.
  function quietFor() {
    if (live.heard === null) return Infinity;
    const steady = (performance.now() - live.heard) / 1000;
    return Math.max(steady, (Date.now() - live.heardWall) / 1000);
  }
  function silent(bay) {
    const told = live.at[bay];
    if (told === undefined || told === null) return true;
    return told + quietFor() > Number(setting("silence") || 15);
  }

  // ---- one bay --------------------------------------------------------------------------
  function verdictOf(state, stage) {
    if (!stage) return "none";
    return stage.goal && stage.fitness === "unfit" ? "pending" : stage.fitness;
  }
  function drawCard(card) {
    const id = card.dataset.bay, state = live.bays[id];
    if (silent(id)) { drawSilence(card, state); return; }
    const stage = state.stages.find((s) => s.id === state.stage) || null;
    const verdict = verdictOf(state, stage);
    card.dataset.v = verdict;
    card.classList.toggle("resting", !stage);
    put(card, "stage", stage ? stage.name : "");
    put(card, "verdict", WORDS[verdict]);
    shape(card.querySelector('.verdict [data-f="shape"]'), verdict, "var(--v)");
    put(card, "since", stage ? "since " + hhmm(state.stage_since) : "");
    put(card, "alarm", state.alarms.map((a) => "since " + hhmm(a.since) + "  " + a.text).join("   "));
    drawReasons(card, state, stage);
    for (const tile of all(card, ".tile")) drawTile(card, tile, state, stage);
    drawStrip(card, state);
    put(card, "last", "last reading " + lastReading(state));
    put(card, "cautions", stage && stage.cautions.length ? stage.cautions.join(" ") : "");
  }
  function lastReading(state) {
    const times = SOURCES.map((q) => state.conditions[q] && state.conditions[q].t).filter(Boolean);
    return times.length ? clockText(Math.max.apply(null, times.map(Date.parse)), true) : "none yet";
  }
  function drawReasons(card, state, stage) {
    let lines = [];
    if (stage) {
      const bad = stage.reasons.filter((r) => r.fitness !== "fit");
      lines = bad.length ? bad.map((r) => r.text) : [stage.summary];
      lines = lines.concat(stage.by_hand).concat(bad.length ? [] : state.notes);
    } else {
      const fit = state.stages.filter((s) => s.fitness === "fit" && s.reasons.length);
      lines = [fit.length ? "fit now: " + fit.map((s) => s.name).join(", ") : "no stage is fit now"];
    }
    const list = card.querySelector('[data-f="reasons"]');
    const shown = lines.slice(0, 3), joined = shown.join("\n");
    if (!list || list.dataset.text === joined) return;
    list.dataset.text = joined;
    list.replaceChildren(...shown.map((text) => {
      const item = document.createElement("li");
      item.textContent = text;
      return item;
    }));
  }
  function drawTile(card, tile, state, stage) {
    const q = tile.dataset.q, known = state.conditions[q];
    const reason = stage && stage.reasons.find((r) => r.quantity === q);
    if (WATER.includes(q)) card.classList.toggle("wants-" + q, Boolean(reason));
    const value = known && known.value !== null;
    const parts = value ? known.text.split(" ") : ["—", ""];
    const number = tile.querySelector(".number");
    number.classList.remove("silent");
    put(tile, "number", parts[0]);
    put(tile, "unit", parts[1] || "");
    const fitness = reason ? reason.fitness : value ? "" : "unknown";
    tile.dataset.t = fitness;
    mark(tile.querySelector(".label"), fitness === "fit" ? "" : fitness);
    drawTrack(tile, value ? known.value : null, reason);
  }
  function mark(label, fitness) {
    let mini = label.querySelector(".mini");
    if (!mini) {
      mini = document.createElement("span");
      mini.className = "mini shape";
      label.appendChild(mini);
    }
    if (!fitness) { mini.replaceChildren(); mini.dataset.kind = ""; return; }
    shape(mini, fitness, "var(--card)");
  }
  // The window bar: the allowed range as a band, the value as a needle.
  function drawTrack(tile, value, reason) {
    const track = tile.querySelector(".track");
    const shown = value !== null && reason && (reason.low !== null || reason.high !== null);
    track.classList.toggle("shown", Boolean(shown));
    if (!shown) return;
    const low = reason.low, high = reason.high;
    const span = low !== null && high !== null ? high - low : Math.max(10, Math.abs(low ?? high));
    const from = (low !== null ? low : high - span) - span * 0.6;
    const to = (high !== null ? high : low + span) + span * 0.6;
    const at = (x) => Math.min(100, Math.max(0, ((x - from) / (to - from)) * 100));
    const left = low !== null ? at(low) : 0, right = high !== null ? at(high) : 100;
    const band = tile.querySelector(".band");
    band.style.left = left + "%";
    band.style.width = right - left + "%";
    tile.querySelector(".needle").style.left = Math.min(99, Math.max(1, at(value))) + "%";
  }
  function drawStrip(card, state) {
    const strip = card.querySelector('[data-f="strip"]');
    if (!strip) return;
    const key = state.stages.map((s) => s.id + s.fitness).join() + state.stage;
    if (strip.dataset.key === key) return;
    strip.dataset.key = key;
    strip.replaceChildren(...state.stages.filter((s) => s.reasons.length || s.by_hand.length).map((s) => {
      const row = document.createElement("span"), mini = document.createElement("span");
      const name = document.createElement("span");
      row.className = s.id === state.stage ? "stage now" : "stage";
      mini.className = "mini shape";
      mini.dataset.t = s.fitness;
      row.title = WORDS[s.fitness];
      shape(mini, s.fitness, "var(--card)");
      name.textContent = s.name;
      row.append(mini, name);
      return row;
    }));
  }
  function drawSilence(card, state) {
    const text = "no data since " + (state ? hhmm(state.at) : "the start");
    card.dataset.v = "unknown";
    card.classList.remove("resting");
    put(card, "stage", "");
    put(card, "verdict", WORDS.unknown);
    shape(card.querySelector('.verdict [data-f="shape"]'), "unknown", "var(--v)");
    put(card, "since", "");
    put(card, "alarm", "");
    put(card, "last", text);
    put(card, "cautions", "");
    const list = card.querySelector('[data-f="reasons"]');
    if (list && list.dataset.text !== text) {
      const item = document.createElement("li");
      item.textContent = text;
      list.dataset.text = text;
      list.replaceChildren(item);
    }
    for (const tile of all(card, ".tile")) {
      tile.dataset.t = "unknown";
      tile.querySelector(".number").classList.add("silent");
      put(tile, "number", text);
      put(tile, "unit", "");
      mark(tile.querySelector(".label"), "");
      tile.querySelector(".track").classList.remove("shown");
    }
    const strip = card.querySelector('[data-f="strip"]');
    if (strip) { strip.replaceChildren(); strip.dataset.key = ""; }
    const trend = card.querySelector('[data-f="trend"]');
    if (trend && window.Plotly && trend.data) window.Plotly.purge(trend);
  }

  // ---- the whole page -------------------------------------------------------------------
  function drawTop() {
    const top = document.querySelector(".top");
    if (!top) return;
    const ids = Object.keys(live.bays).filter((id) => !silent(id));
    const newest = ids.map((id) => Date.parse(live.bays[id].at));
    put(top, "clock", newest.length ? clockText(Math.max.apply(null, newest), false) : "--:--");
    put(top, "trouble", troubleText());
  }
  function troubleText() {
    const limit = Number(setting("silence") || 15);
    if (quietFor() > limit) return "this screen has lost its server";
    if (live.broker === false) return "the broker is lost";
    const watch = live.watch;
    if (!watch || watch.state === "unheard") return "nothing heard from the watch";
    if (watch.state === "down") return "the watch is down" + (watch.at ? " since " + hhmm(watch.at) : "");
    if (watch.age_s === null || watch.age_s + quietFor() > limit) return "the watch is silent since " + hhmm(watch.at);
    return watch.state === "trouble" ? "the watch is in trouble: " + watch.text : "";
  }
  function drawStages() {
    const at = document.querySelector("[data-stages]");
    if (!at) return;
    const state = live.bays[at.dataset.stages], quiet = silent(at.dataset.stages);
    for (const button of all(at, "[data-stage]")) {
      const stage = state && !quiet && state.stages.find((s) => s.id === button.dataset.stage);
      const mini = button.querySelector(".shape");
      button.classList.toggle("now", Boolean(state) && (state.stage || "") === button.dataset.stage);
      if (!mini) continue;
      mini.dataset.t = stage ? stage.fitness : "unknown";
      button.title = WORDS[mini.dataset.t];
      shape(mini, mini.dataset.t, "var(--card)");
    }
  }
  function draw() {
    for (const card of all(document, ".bay-card")) drawCard(card);
    drawTop();
    drawStages();
    drawNodes();
  }

  // ---- the demo's hands -----------------------------------------------------------------
  let nodes = [];
  function drawNodes() {
    const at = document.querySelector('[data-f="nodes"]');
    const key = JSON.stringify(nodes);
    if (!at || at.dataset.key === key) return;
    at.dataset.key = key;
    at.replaceChildren(...nodes.map((node) => {
      const row = document.createElement("div"), name = document.createElement("span");
      const button = document.createElement("button");
      row.className = "hand-row";
      name.textContent = node.node;
      button.className = node.pulled ? "hand on" : "hand";
      button.textContent = node.pulled ? "pulled out: put it back" : "pull it out";
      button.dataset.act = "node";
      button.dataset.node = node.node;
      button.dataset.out = node.pulled ? "" : "1";
      row.append(name, button);
      return row;
    }));
  }
  async function loadNodes() {
    if (!document.querySelector("[data-demo]")) return;
    try {
      const answer = await fetch("/api/v1/demo", { signal: AbortSignal.timeout(3000) });
      if (answer.ok) { nodes = await answer.json(); drawNodes(); }
    } catch (error) { /* the stream says when the server is lost */ }
  }

  // ---- what a person does ---------------------------------------------------------------
  async function send(url, body, root, done) {
    const said = root && root.querySelector('[data-f="said"]');
    const say = (text, bad) => { if (said) { said.textContent = text; said.classList.toggle("bad", Boolean(bad)); } };
    say("sending …");
    try {
      const answer = await fetch(url, { method: "POST", headers: { "Content-Type": "application/json" },
        body: JSON.stringify(body), signal: AbortSignal.timeout(5000) });
      const told = await answer.json();
      if (answer.ok) say(done); else say("not done: " + told.error, true);
    } catch (error) { say("not done: the server does not answer", true); }
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-act]");
    if (!button) return;
    const act = button.dataset.act;
    if (act === "theme") {
      const root = document.documentElement;
      theme(root.dataset.theme === "bright" ? "dark" : "bright", true);
    } else if (act === "stage") {
      const at = button.closest("[data-stages]");
      send("/api/v1/bays/" + encodeURIComponent(at.dataset.stages) + "/stage",
        { stage: button.dataset.stage || null }, at,
        "said: " + (button.dataset.stage ? button.textContent : "no stage"));
    } else if (act === "node") {
      send("/api/v1/demo", { node: button.dataset.node, out: Boolean(button.dataset.out) },
        button.closest("[data-demo]"), "done: " + button.dataset.node).then(() => setTimeout(loadNodes, 300));
    } else if (act === "hand") {
      const on = !button.classList.contains("on"), body = { bay: button.dataset.bayId };
      body[button.dataset.hand] = on;
      button.classList.toggle("on", on);
      send("/api/v1/demo", body, button.closest("[data-demo]"), "done");
    }
  });
  function theme(name, keep) {
    document.documentElement.dataset.theme = name;
    try { if (keep) localStorage.setItem("envmon-theme", name); } catch (error) { /* not kept */ }
    for (const at of all(document, '[data-f="trend"]')) at.dataset.drawn = "";
    drawTrends();
  }
  function firstTheme() {
    const asked = new URLSearchParams(location.search);
    let kept = null;
    try { kept = localStorage.getItem("envmon-theme"); } catch (error) { /* none kept */ }
    const bright = window.matchMedia && window.matchMedia("(prefers-color-scheme: light)").matches;
    theme(asked.has("bright") ? "bright" : asked.has("dark") ? "dark" : kept || (bright ? "bright" : "dark"), false);
  }

  // ---- trend ----------------------------------------------------------------------------
  const trends = {};
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  function localTimes(list) {
    const how = new Intl.DateTimeFormat("sv-SE", { timeZone: setting("tz"), dateStyle: "short", timeStyle: "medium" });
    return list.map((ms) => how.format(new Date(ms)));
  }
  async function loadTrend(id) {
    try {
      const answer = await fetch("/api/v1/bays/" + encodeURIComponent(id) + "/trend?hours=3", { signal: AbortSignal.timeout(8000) });
      if (answer.ok) { trends[id] = await answer.json(); drawTrends(); }
    } catch (error) { /* the numbers matter more; the stream says when the server is lost */ }
  }
  function drawTrends() {
    if (!window.Plotly || document.hidden) return;
    for (const card of all(document, ".bay-card")) {
      const at = card.querySelector('[data-f="trend"]'), trend = trends[card.dataset.bay];
      if (!at || !trend || silent(card.dataset.bay) || at.offsetHeight < 80) continue;
      drawTrend(card, at, trend);
    }
  }
  function drawTrend(card, at, trend) {
    const us = setting("units") === "us", times = localTimes(trend.t_ms), v = trend.values;
    const degrees = (list) => (us ? list.map((x) => (x === null ? null : x * 1.8 + 32)) : list);
    const line = (name, y, axis, color, dash) => ({ x: times, y: y, name: name, mode: "lines", connectgaps: false,
      line: { color: color, width: 3, dash: dash }, xaxis: "x" + axis, yaxis: "y" + axis });
    const data = [
      line("humidity", v.rel_hum_pct, "", colour("--accent"), "solid"),
      line("air", degrees(v.air_temp_c), "2", colour("--text"), "solid"),
      line("panel", degrees(v.panel_temp_c), "2", colour("--marginal"), "dash"),
      line("dew point", degrees(v.dew_point_c), "2", colour("--accent"), "dot"),
    ];
    const first = Math.max(0, v.air_temp_c.findIndex((x) => x !== null));
    // A new shop starts with half an hour, not with hours of nothing.
    const from = Math.min(first, times.length - Math.ceil(times.length / 6));
    const key = at.offsetWidth < 480 ? "" : "  — air   – – panel   ··· dew point";
    const size = at.offsetHeight > 190 ? 20 : 17, soft = colour("--soft");
    const axis = { color: soft, gridcolor: colour("--line"), zeroline: false, tickfont: { size: size }, nticks: 3, fixedrange: true };
    const title = (text, x) => ({ text: text, x: x, y: 1.0, xref: "paper", yref: "paper", xanchor: "left", yanchor: "bottom",
      showarrow: false, font: { size: size, color: soft } });
    const layout = { margin: { l: 46, r: 8, t: size + 12, b: size + 12 }, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(document.body).fontFamily, color: soft, size: size }, showlegend: false,
      xaxis: Object.assign({ domain: [0, 0.46], tickformat: "%H:%M" }, axis, { range: [times[from], times[times.length - 1]] }),
      xaxis2: Object.assign({ domain: [0.56, 1], tickformat: "%H:%M", anchor: "y2" }, axis, { range: [times[from], times[times.length - 1]] }),
      yaxis: Object.assign({}, axis), yaxis2: Object.assign({ anchor: "x2" }, axis),
      annotations: [title("humidity %", 0), title((us ? "°F" : "°C") + key, 0.56)],
      shapes: bands(card, degrees) };
    window.Plotly.react(at, data, layout, { staticPlot: true, responsive: true, displayModeBar: false });
  }
  function bands(card, degrees) {
    const state = live.bays[card.dataset.bay];
    const stage = state && state.stages.find((s) => s.id === state.stage);
    if (!stage) return [];
    const band = (q, axis, of) => {
      const r = stage.reasons.find((x) => x.quantity === q);
      if (!r || r.low === null || r.high === null) return null;
      const [y0, y1] = of([r.low, r.high]);
      return { type: "rect", xref: axis === "" ? "x domain" : "x2 domain", yref: "y" + axis, x0: 0, x1: 1, y0: y0, y1: y1,
        fillcolor: colour("--band"), opacity: 0.35, line: { width: 0 }, layer: "below" };
    };
    return [band("rel_hum_pct", "", (x) => x), band("air_temp_c", "2", degrees)].filter(Boolean);
  }
  function refreshTrends() {
    if (document.hidden) return;
    for (const card of all(document, ".bay-card")) loadTrend(card.dataset.bay);
  }

  // ---- the stream -----------------------------------------------------------------------
  function take(told) {
    if (live.build && told.build && live.build !== told.build) { location.reload(); return; }
    live.build = told.build || live.build;
    live.heard = performance.now();
    live.heardWall = Date.now();
    live.watch = told.watch;
    live.broker = told.broker;
    live.at = told.ages_s;
    Object.assign(live.bays, told.bays);
    draw();
  }
  function listen() {
    clearTimeout(retryTimer);
    if (stream) stream.close();
    stream = new EventSource("/api/v1/stream");
    stream.onmessage = (event) => { retry = 0; take(JSON.parse(event.data)); };
    stream.onerror = () => { if (stream.readyState === EventSource.CLOSED) again(); };
  }
  function again() {
    const wait = Math.random() * Math.min(15000, 500 * Math.pow(2, retry));
    retry += 1;
    clearTimeout(retryTimer);
    retryTimer = setTimeout(listen, wait);
  }
  async function ask() {
    if (fetching) return;
    fetching = true;
    try {
      const answer = await fetch("/api/v1/bays", { cache: "no-store", signal: AbortSignal.timeout(3000) });
      if (answer.ok) take(await answer.json());
    } catch (error) { /* tried again in a moment */ } finally { fetching = false; }
  }
  function look() {
    draw();
    if (quietFor() < 3) return;
    ask();
    if (quietFor() > 6 && stream && stream.readyState === EventSource.OPEN) { stream.close(); again(); }
  }

  function start() {
    firstTheme();
    listen();
    setInterval(look, 1000);
    const speed = Math.max(1, Number(setting("speed") || 1));
    setInterval(refreshTrends, Math.max(3000, 60000 / speed));
    setInterval(loadNodes, 2000);
    for (const name of ["visibilitychange", "resume", "pageshow", "online", "focus"]) {
      const where = name === "visibilitychange" || name === "resume" ? document : window;
      where.addEventListener(name, () => { if (!document.hidden) { look(); refreshTrends(); } });
    }
    // Dash draws the page after this script has run, and again when the address changes.
    new MutationObserver(() => { draw(); refreshTrends(); loadNodes(); }).observe(page(), { childList: true });
    const script = document.createElement("script");
    script.src = "/static/plotly.min.js";
    script.onload = refreshTrends;
    document.head.appendChild(script);
  }
  const waiting = setInterval(() => { if (page()) { clearInterval(waiting); start(); } }, 50);
})();
