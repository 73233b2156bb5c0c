// What a person can do: choose the stage, switch the theme, and in the demo pull a sensor.
"use strict";
(() => {
  const { put, make, ask, setShape, kindOf, WORDS } = window.envmon;
  let nodesAt = 0;
  // What was asked for and not yet seen in the bay's state: only the watch can say it is done.
  let asked = null;

  function preferred() {
    const wish = new URLSearchParams(location.search);
    if (wish.has("light")) return "light";
    if (wish.has("dark")) return "dark";
    const kept = localStorage.getItem("envmon-theme");
    if (kept) return kept;
    return matchMedia("(prefers-color-scheme: light)").matches ? "light" : "dark";
  }

  function setTheme(name) {
    document.documentElement.dataset.theme = name;
    window.envmon.redraw?.();
  }

  function say(page, text, bad = false) {
    const box = put(page, "said", text);
    if (box) box.classList.toggle("bad", bad);
  }

  function showStages(page, stateOf) {
    const root = page.querySelector("[data-stages]");
    const state = root && stateOf(root.dataset.stages);
    if (!root) return;
    for (const button of root.querySelectorAll("[data-stage]")) {
      const stage = state?.stages.find((s) => s.id === button.dataset.stage);
      const kind = stage ? kindOf(stage) : button.dataset.stage && "silent" || "none";
      const current = state && (state.stage ?? "") === button.dataset.stage;
      button.dataset.kind = kind;
      button.classList.toggle("now", Boolean(current));
      button.setAttribute("aria-pressed", String(Boolean(current)));
      setShape(button.querySelector('[data-f="shape"]'), kind);
      const word = button.dataset.stage ? WORDS[kind].toLowerCase() : "";
      put(button, "word", current ? `${word} · now`.replace(/^ · /, "") : word);
    }
    if (asked && state && (state.stage ?? "") === asked.stage) {
      say(page, `${asked.name}: noted`);
      asked = null;
    } else if (asked && performance.now() - asked.at > 3000) {
      say(page, `${asked.name}: sent, but the watch has not taken it over yet`, true);
    }
  }

  function nodeRow(node) {
    const row = make("div", "node-row", "");
    const what = (node.measures ?? []).map((measure) => measure.n).join(", ");
    const out = Boolean(node.pulled);
    const button = make("button", "hand", out ? "plug in" : "pull");
    Object.assign(button.dataset, { act: "node", node: node.node, on: out ? "" : "1" });
    row.classList.toggle("out", out);
    row.append(make("span", "node-name", node.node), make("span", "node-what", what), button);
    return row;
  }

  async function showNodes(page) {
    const box = page.querySelector('[data-demo] [data-f="nodes"]');
    if (!box || performance.now() - nodesAt < 900) return;
    nodesAt = performance.now();
    try {
      const nodes = await ask("/api/v1/demo");
      const key = JSON.stringify(nodes);
      if (box.dataset.key === key) return;
      box.dataset.key = key;
      box.replaceChildren(...nodes.map(nodeRow));
    } catch {
      box.dataset.key = "";
      box.replaceChildren(make("p", "", "the list of sensors cannot be had now"));
    }
  }

  async function send(page, address, body, done) {
    say(page, "…");
    try {
      await ask(address, body);
      say(page, done);
      nodesAt = 0;
      return true;
    } catch (error) {
      say(page, `not done: ${error.message}`, true);
      return false;
    }
  }

  function act(event) {
    const button = event.target.closest?.("[data-act]");
    if (!button) return;
    const page = document.getElementById("page");
    const { act: what, on } = button.dataset;
    if (what === "theme") {
      const next = document.documentElement.dataset.theme === "light" ? "dark" : "light";
      localStorage.setItem("envmon-theme", next);
      setTheme(next);
    } else if (what === "stage") {
      const bay = page.querySelector("[data-stages]").dataset.stages;
      const stage = button.dataset.stage || null;
      const name = button.querySelector(".name").textContent;
      asked = null;
      send(page, `/api/v1/bays/${bay}/stage`, { stage }, `${name}: sent`).then((done) => {
        if (done) asked = { stage: stage ?? "", name, at: performance.now() };
      });
    } else if (what === "hand") {
      const order = { bay: button.dataset.of, [button.dataset.hand]: Boolean(on) };
      send(page, "/api/v1/demo", order, `${button.textContent}: done`);
    } else if (what === "node") {
      const order = { node: button.dataset.node, out: Boolean(on) };
      send(page, "/api/v1/demo", order, `${order.node}: ${order.out ? "pulled" : "plugged in"}`);
    }
  }

  document.addEventListener("click", act);
  matchMedia("(prefers-color-scheme: light)").addEventListener("change", () => setTheme(preferred()));
  setTheme(preferred());
  window.envmon.showHands = (page, stateOf) => {
    showStages(page, stateOf);
    showNodes(page);
  };
})();
