// What the history board shows: bay, span, quantities, units; all of it stands in the address.
"use strict";
(() => {
  const { settings, since, times } = window.envmon;
  const { HOUR, DAY } = times;
  const USUAL = ["air_temp_c", "panel_temp_c", "dew_point_c", "rel_hum_pct", "dew_margin_k"];
  const SHORTEST = 60e3;
  const LONGEST = 20 * 365 * DAY;

  const state = {
    root: null, facts: null, factsAt: null, bay: null, from: null, to: null, span: null,
    shown: new Set(), units: "metric", cursor: null, pinned: false, select: null,
    answer: null, answerFor: "", answerAt: null, lost: null, asking: null, turn: 0, timer: null,
    triedAt: null, chart: null,
  };

  const now = () => {
    const speed = Number(settings().speed ?? 1);
    return Math.round(state.facts.now_ms + 1000 * speed * since(state.factsAt));
  };

  const zone = () => state.facts.zone;
  const bayFacts = () => state.facts.bays.find((bay) => bay.id === state.bay);
  const chosen = () => bayFacts().quantities.filter((q) => state.shown.has(q.name));
  const iso = (t) => new Date(t).toISOString().replace(".000Z", "Z");

  function address() {
    const query = new URLSearchParams(location.search);
    query.set("bay", state.bay);
    query.set("from", iso(Math.round(state.from / 1000) * 1000));
    query.set("to", iso(Math.round(state.to / 1000) * 1000));
    query.delete("span");
    query.set("q", chosen().map((q) => q.name).join(","));
    query.set("units", state.units);
    return `${location.pathname}?${query.toString().replaceAll("%3A", ":").replaceAll("%2C", ",")}`;
  }

  function keepAddress(push) {
    const next = address();
    if (next === location.pathname + location.search) return;
    history[push ? "pushState" : "replaceState"](null, "", next);
  }

  function readAddress() {
    const query = new URLSearchParams(location.search);
    const bays = state.facts.bays;
    state.bay = (bays.find((bay) => bay.id === query.get("bay")) ?? bays[0]).id;
    state.units = ["metric", "us"].includes(query.get("units")) ? query.get("units") : state.facts.units;
    const names = query.has("q") ? query.get("q").split(",") : USUAL;
    state.shown = new Set(names);
    if (!chosen().length) state.shown = new Set(bayFacts().quantities.map((q) => q.name));
    const [from, to] = [Date.parse(query.get("from")), Date.parse(query.get("to"))];
    if (to - from >= SHORTEST && to - from <= LONGEST && from >= 0) {
      Object.assign(state, { from, to, span: null });
    } else {
      setSpan(query.get("span") ?? "today", !query.has("span"));
    }
  }

  function spanOf(name) {
    const t = now();
    const first = state.facts.first_ms ?? t - DAY;
    switch (name) {
      case "3h": return [t - 3 * HOUR, t];
      case "yesterday": return [times.midnight(t, zone(), -1), times.midnight(t, zone())];
      case "7d": return [times.midnight(t, zone(), -6), t];
      case "30d": return [times.midnight(t, zone(), -29), t];
      case "season": return [Math.max(times.midnight(first, zone()), t - 365 * DAY), t];
      default: {
        const midnight = times.midnight(t, zone());
        return [midnight, Math.max(t, midnight + HOUR)];
      }
    }
  }

  // The span as it is now; a shop that fell silent days ago opens on its last day.
  function setSpan(name, first = false) {
    let [from, to] = spanOf(name);
    const last = state.facts.last_ms;
    if (first && last !== null && last < from) {
      [from, to] = [times.midnight(last, zone()), times.midnight(last, zone(), 1)];
      name = null;
    }
    Object.assign(state, { from, to, span: name });
  }

  function setWindow(from, to) {
    const wide = Math.round(Math.min(LONGEST, Math.max(SHORTEST, to - from)));
    const end = Math.max(now(), state.facts.last_ms ?? 0);
    const begin = Math.round(Math.max(0, Math.min((from + to - wide) / 2, end - wide / 2)));
    Object.assign(state, { from: begin, to: begin + wide, span: null });
  }

  function spanText(from, to) {
    const [day0, day1] = [times.day(from, zone(), true), times.day(to - 1, zone(), true)];
    const [t0, t1] = [times.clock(from, zone()), times.clock(to, zone())];
    return day0 === day1 ? `${day0} ${t0} – ${t1}` : `${day0} ${t0} – ${day1} ${t1}`;
  }

  const board = {
    state, now, zone, bayFacts, chosen, keepAddress, readAddress, setSpan, setWindow, spanText,
    SHORTEST, LONGEST, USUAL,
  };
  Object.assign(window.envmon, { board, history: state });
})();
