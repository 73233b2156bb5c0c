// What a person can do on every page: switch the theme; and in the demo pull a sensor.
"use strict";
(() => {
  const { put, make, ask } = window.envmon;
  let nodesAt = 0;

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
  window.envmon.showHands = showNodes;
})();
