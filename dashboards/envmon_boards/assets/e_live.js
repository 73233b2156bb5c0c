// Listens to the board server all winter, and notices silence by itself.
"use strict";
(() => {
  const { settings, put, timeOfDay, stamp, since, ask, drawCard, blankCard } = window.envmon;
  const LATE_S = 3; // a server that lives sends something every second
  const STUCK_S = 6; // then the connection is opened anew
  const RETRY_CAP_S = 15;
  const bays = new Map(); // id -> {state, age, at}
  const jobs = new Map(); // the same of what is worked in the bay
  const outlooks = new Map(); // the same of what is foreseen of it
  const alarms = { list: [], at: null, age: null };
  const world = { at: null, clock: null, broker: true, watch: null, upAt: null, build: null };
  let source = null;
  let tries = 0;
  let retryAt = stamp();
  let retryIn = 0;
  let fetching = false;

  const silence = () => Number(settings().silence ?? 15);
  const quiet = () => (world.at ? since(world.at) : Infinity);

  function isLive(bay) {
    return Boolean(bay?.state) && bay.age !== null && bay.age + since(bay.at) <= silence();
  }

  function takeStates(kept, states, ages) {
    for (const one of kept.values()) one.age = null;
    for (const [id, age] of Object.entries(ages)) {
      const one = kept.get(id) ?? { state: null };
      const state = states[id];
      kept.set(id, Object.assign(one, { age, at: world.at }, state ? { state } : {}));
    }
  }

  function take(document) {
    if (world.build && document.build && document.build !== world.build) {
      location.reload(); // the server was renewed: fetch the pages that belong to it
      return;
    }
    world.build = document.build ?? world.build;
    world.at = stamp();
    world.clock = Date.parse(document.at);
    world.broker = document.broker;
    world.watch = document.watch;
    if (document.watch.state !== "down" && document.watch.at) world.upAt = document.watch.at;
    takeStates(bays, document.bays, document.ages_s);
    takeStates(jobs, document.jobs ?? {}, document.job_ages_s ?? {});
    takeStates(outlooks, document.outlooks ?? {}, document.outlook_ages_s ?? {});
    if (document.alarms) Object.assign(alarms, { list: document.alarms.alarms, at: document.alarms.at });
    alarms.age = document.alarms_age_s ?? null;
    tries = 0;
    show();
  }

  // The alarms as any part of a page may use them: a list is shown as the present only while live.
  function alarmsNow() {
    const { state } = world.watch ?? {};
    const heard = world.at && world.broker && state !== "down" && state !== "unheard";
    const live = Boolean(heard) && alarms.age !== null && alarms.age + quiet() <= silence();
    return { ...alarms, live, connected: Boolean(world.at), now: now() };
  }

  // A bay and its job as a page may use them: each is null unless it is live. ``able``: somebody is
  // there to take an act. ``kept``: the job as it was last heard, however old; ``counted``: the
  // server's clock counted on by the browser's, also while nothing is heard.
  function benchOf(id) {
    const live = (one) => (isLive(one) ? one.state : null);
    const kept = jobs.get(id)?.state ?? null;
    const watching = !["down", "unheard"].includes(world.watch?.state ?? "unheard");
    const job = live(jobs.get(id));
    const able = Boolean(job) && quiet() <= LATE_S && world.broker && watching;
    return { bay: live(bays.get(id)), job, kept, now: now(), counted: countedOn(), able };
  }

  // What is foreseen of a bay, with its age [s]; null beside a bay that is not live itself.
  function outlookOf(id) {
    const one = outlooks.get(id);
    if (!one?.state || one.age === null || !isLive(bays.get(id))) return null;
    return { state: one.state, age: one.age + since(one.at) };
  }

  // Time of the server's clock now [ms]; null when it is not known.
  const now = () => (quiet() > silence() ? null : countedOn());

  // The same, counted on by the browser's clock however long the server is silent.
  function countedOn() {
    if (!world.at) return null;
    return world.clock + 1000 * Number(settings().speed ?? 1) * since(world.at);
  }

  function open() {
    source?.close();
    source = new EventSource("/api/v1/stream");
    source.addEventListener("bays", (event) => take(JSON.parse(event.data)));
    const span = Math.min(RETRY_CAP_S, 2 ** tries);
    tries += 1;
    retryAt = stamp();
    retryIn = STUCK_S + Math.random() * span;
  }

  // The stream is opened anew when it stays closed or stuck; meanwhile single answers do.
  async function keepListening(now = false) {
    if (quiet() < LATE_S && source && source.readyState !== EventSource.CLOSED) return;
    if (now || !source || since(retryAt) > retryIn) open();
    if (fetching) return;
    fetching = true;
    try {
      take(await ask("/api/v1/bays"));
    } catch {
      // Nothing to do: the silence itself is shown.
    } finally {
      fetching = false;
    }
  }

  function trouble() {
    const silent = quiet();
    if (window.envmon.doorEnded?.()) return "log in again";
    if (!world.at) return "connecting";
    if (silent > silence()) {
      return `board server lost since ${timeOfDay(Date.now() - silent * 1000)}`;
    }
    if (silent > LATE_S) return "board server does not answer";
    if (!world.broker) return "broker lost";
    const { state, age_s: age, text } = world.watch;
    if (state === "down" || state === "unheard" || age === null || age + silent > silence()) {
      return world.upAt ? `watch is down since ${timeOfDay(world.upAt)}` : "watch is down";
    }
    return state === "up" ? text : `watch: ${text}`;
  }

  function showClock(root) {
    const at = now();
    put(root, "clock", at ? timeOfDay(at, Number(settings().speed ?? 1) <= 2) : "--:--");
    const text = trouble();
    const box = put(root, "trouble", text);
    const wide = window.envmon.showTop?.(root, alarmsNow()) ?? "";
    if (!box) return;
    box.hidden = !text;
    box.parentElement.hidden = !text && !wide;
  }

  function showCard(card) {
    drawState(card);
    window.envmon.showJob?.(card, benchOf(card.dataset.bay));
    window.envmon.showOutlook?.(card, outlookOf(card.dataset.bay), bays.get(card.dataset.bay)?.state);
  }

  function drawState(card) {
    const bay = bays.get(card.dataset.bay);
    const live = isLive(bay);
    const fresh = card.envmonDrawn !== bay?.state || card.envmonLive !== live;
    if (!fresh) return;
    card.envmonDrawn = bay?.state;
    card.envmonLive = live;
    if (live) drawCard(card, bay.state, alarmsNow().list);
    else blankCard(card, bay?.state?.at);
  }

  function show() {
    const page = document.getElementById("page");
    if (!page) return;
    showClock(page);
    window.envmon.showDoor?.(page);
    page.querySelectorAll("[data-bay]").forEach(showCard);
    const view = alarmsNow();
    window.envmon.showAlarms?.(page, view, trouble());
    window.envmon.soundFor?.(page, view);
    window.envmon.showBench?.(page, benchOf, view, trouble());
    window.envmon.showDay?.(page, benchOf, outlookOf);
    window.envmon.showHands?.(page);
  }

  function trends() {
    const every = Number(settings().speed ?? 1) > 2 ? 5 : 30;
    for (const card of document.querySelectorAll("[data-bay]")) {
      const bay = bays.get(card.dataset.bay);
      if (document.hidden || !isLive(bay)) continue;
      if (card.envmonTrend && since(card.envmonTrend) < every) continue;
      card.envmonTrend = stamp();
      window.envmon.drawTrend(card, bay.state).catch(() => { card.envmonTrend = null; });
    }
  }

  function redraw() {
    for (const card of document.querySelectorAll("[data-bay]")) {
      card.envmonDrawn = undefined;
      card.envmonTrend = null;
      const box = card.querySelector('[data-f="reasons"]');
      if (box) box.dataset.key = "";
    }
    window.envmon.forgetAlarms?.();
    show();
    trends();
  }

  function wake() {
    if (document.hidden) return;
    show();
    keepListening(quiet() > LATE_S);
  }

  const started = stamp();
  function tick() {
    const empty = !document.querySelector("#page > *");
    if (empty && since(started) > 12) location.reload(); // the page itself came only half
    show();
    keepListening();
    trends();
  }

  // The page's parts come a moment after this script: draw as soon as they are there.
  const parts = new MutationObserver(() => {
    if (!document.querySelector("#page > *")) return;
    parts.disconnect();
    show();
    trends();
  });
  parts.observe(document, { childList: true, subtree: true });
  for (const name of ["visibilitychange", "resume"]) document.addEventListener(name, wake);
  for (const name of ["online", "pageshow", "focus"]) window.addEventListener(name, wake);
  window.addEventListener("resize", redraw);
  document.fonts?.ready.then(redraw);
  document.fonts?.addEventListener("loadingdone", redraw);
  setInterval(tick, 1000);
  open();
  Object.assign(window.envmon, { redraw, alarmsNow, benchOf, outlookOf, show, now });
})();
