// The mixing board: what the dials say goes to the server, its answer is drawn. No sum is done here.
"use strict";
(() => {
  const { make, settings, setShape, ask, dials } = window.envmon;
  const QUIET_MS = 120; // so long nothing has changed, then it is asked
  const RESIN_MS = 60000;
  const KINDS = { good: "fit", over: "marginal", change: "unfit", unknown: "unknown" };
  const state = { root: null, units: "metric", waiting: new Map(), turn: new Map(), resinAt: 0 };

  const kept = (name) => {
    try { return localStorage.getItem(`envmon-mix-${name}`); } catch { return null; }
  };
  const keep = (name, value) => {
    try { localStorage.setItem(`envmon-mix-${name}`, value); } catch { /* it is only a comfort */ }
  };
  const sumOf = (element) => element.closest("[data-sum]");
  const shownDials = (sum) =>
    [...sum.querySelectorAll("[data-dial]")].filter((dial) => dial.dataset.ofWay === sum.dataset.way);

  // A number and its unit stay on one line, and so does a date.
  function whole(tag, text) {
    const words = text.replace(/(\d) (?=\S)/g, "$1\u00a0").replace(/fl oz/g, "fl\u00a0oz").split(" ");
    const element = make(tag, "", "");
    element.append(...words.flatMap((word) => [make("span", "whole", word), " "]));
    return element;
  }

  function say(root, text) {
    root.querySelector('[data-f="say"]').replaceChildren(...whole("div", text).childNodes);
  }

  function drawLines(box, lines) {
    box.replaceChildren(...lines.flatMap(([what, value]) => [whole("dt", what), whole("dd", value)]));
  }

  function drawCautions(sum, cautions) {
    sum.querySelector('[data-f="cautions"]')
      .replaceChildren(...cautions.map((text) => make("li", "", text)));
  }

  // Layers from the bottom: what is poured first lies lowest.
  function layersOf(kind, answer) {
    if (!answer.possible) return [];
    if (kind === "blend") {
      const { cold_l: cold, hot_l: hot, total_l: total } = answer;
      return [["cold", cold / total], ["hot", hot / total]];
    }
    const share = (answer.bottle_share_pct ?? answer.share_pct) / 100;
    return [["water", 1 - share], ["concentrate", share]];
  }

  function drawVessel(sum, answer) {
    const vessel = sum.querySelector("[data-vessel]");
    const layers = answer ? layersOf(sum.dataset.sum, answer) : [];
    vessel.replaceChildren(...layers.filter(([, part]) => part > 0).map(([what, part]) => {
      const layer = make("div", `layer ${what}`, "");
      layer.style.flexGrow = part;
      layer.append(make("span", "", what));
      layer.classList.toggle("thin", part < 0.16);
      return layer;
    }));
    vessel.setAttribute("aria-label", layers.map(([what, part]) =>
      `${what} ${Math.round(100 * part)} %`).join(", ") || "nothing to pour");
  }

  function drawAnswer(sum, answer) {
    sum.classList.toggle("impossible", !answer.possible);
    sum.classList.remove("unread");
    say(sum, answer.say);
    drawLines(sum.querySelector('[data-f="lines"]'), answer.lines);
    drawCautions(sum, answer.cautions);
    drawVessel(sum, answer);
  }

  // Nothing that was worked out for other values stays on the screen.
  function drawTrouble(sum, text) {
    sum.classList.remove("impossible");
    sum.classList.add("unread");
    say(sum, text);
    drawLines(sum.querySelector('[data-f="lines"]'), []);
    drawVessel(sum, null);
  }

  async function work(sum) {
    const kind = sum.dataset.sum;
    const turn = (state.turn.get(kind) ?? 0) + 1;
    state.turn.set(kind, turn);
    const asked = new URLSearchParams({ units: state.units });
    for (const dial of shownDials(sum)) asked.set(dial.dataset.dial, dials.fieldOf(dial).value);
    try {
      const answer = await ask(`/api/v1/mix/${kind}?${asked}`);
      if (state.turn.get(kind) === turn) drawAnswer(sum, answer);
    } catch (error) {
      if (state.turn.get(kind) !== turn) return;
      drawTrouble(sum, error.name === "Error" ? error.message : "the board server does not answer");
    }
  }

  function soon(sum) {
    const kind = sum.dataset.sum;
    clearTimeout(state.waiting.get(kind));
    state.waiting.set(kind, setTimeout(() => work(sum), QUIET_MS));
  }

  async function workResin(room) {
    try {
      const answer = await ask(`/api/v1/mix/resin?bay=${encodeURIComponent(room.dataset.resin)}`);
      room.dataset.kind = KINDS[answer.standing] ?? "unknown";
      say(room, answer.say.replace(/^.*?: /, ""));
      drawLines(room.querySelector('[data-f="lines"]'), answer.lines);
      drawCautions(sumOf(room), answer.cautions);
    } catch (error) {
      room.dataset.kind = "silent";
      say(room, error.name === "Error" ? error.message : "the board server does not answer");
      drawLines(room.querySelector('[data-f="lines"]'), []);
    }
    setShape(room.querySelector('[data-f="shape"]'), room.dataset.kind);
  }

  function mark(root) {
    for (const key of root.querySelectorAll("[data-mix-act][data-value]")) {
      const { mixAct: act, value } = key.dataset;
      const chosen = { units: state.units, tab: root.dataset.mix, way: sumOf(key)?.dataset.way }[act];
      key.classList.toggle("on", chosen === value);
      key.setAttribute("aria-pressed", String(chosen === value));
    }
    for (const sum of root.querySelectorAll("[data-sum]")) {
      sum.classList.toggle("chosen", sum.dataset.sum === root.dataset.mix);
      for (const dial of sum.querySelectorAll("[data-dial]")) {
        dial.hidden = dial.dataset.ofWay !== sum.dataset.way;
      }
    }
  }

  function workAll(root) {
    for (const sum of root.querySelectorAll("[data-sum]")) {
      if (sum.querySelector("[data-dial]")) work(sum);
    }
  }

  function choose(key) {
    const { mixAct: act, value } = key.dataset;
    const { root } = state;
    if (act === "units") {
      state.units = value;
      keep("units", value);
      for (const dial of root.querySelectorAll("[data-dial]")) dials.step(dial, 0, value);
      workAll(root);
    } else if (act === "tab") {
      root.dataset.mix = value;
      keep("tab", value);
      scrollTo({ top: 0 });
    } else if (act === "way") {
      sumOf(key).dataset.way = value;
      work(sumOf(key));
    }
    mark(root);
  }

  let heldOn = null; // the click that ends a long press steps no further
  function stepped(button, held) {
    const dial = button.closest("[data-dial]");
    if (!held && heldOn === button) {
      heldOn = null;
      return;
    }
    heldOn = held ? button : null;
    dials.step(dial, button.dataset.mixAct === "more" ? 1 : -1, state.units);
    keep(`${sumOf(dial).dataset.sum}-${dial.dataset.ofWay}-${dial.dataset.dial}`, dial.dataset.place);
    soon(sumOf(dial));
  }

  function open(root) {
    state.root = root;
    state.units = kept("units") ?? settings().units ?? "metric";
    root.dataset.mix = kept("tab") ?? root.dataset.mix;
    for (const dial of root.querySelectorAll("[data-dial]")) {
      dials.furnish(dial, state.units, () => soon(sumOf(dial)));
      const place = kept(`${sumOf(dial).dataset.sum}-${dial.dataset.ofWay}-${dial.dataset.dial}`);
      if (place !== null) dials.setPlace(dial, Number(place), state.units);
    }
    root.addEventListener("pointerdown", () => { heldOn = null; });
    dials.holdable(root, stepped);
    root.addEventListener("click", (event) => {
      const key = event.target.closest?.("[data-mix-act]");
      if (!key) return;
      if (key.dataset.value === undefined) stepped(key, false);
      else choose(key);
    });
    mark(root);
    workAll(root);
    tick();
  }

  function tick() {
    const root = document.querySelector("[data-mix]");
    if (root && root !== state.root) open(root);
    if (!root || document.hidden || performance.now() < state.resinAt) return;
    state.resinAt = performance.now() + RESIN_MS;
    for (const room of root.querySelectorAll("[data-resin]")) workResin(room);
  }

  const parts = new MutationObserver(() => {
    const root = document.querySelector("[data-mix]");
    if (!root) Object.assign(state, { root: null, resinAt: 0 });
    else if (root !== state.root) tick();
  });
  parts.observe(document, { childList: true, subtree: true });
  document.addEventListener("visibilitychange", tick);
  setInterval(tick, 5000);
})();
