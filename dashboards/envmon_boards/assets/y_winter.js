// The winter board: a winter worked out by the server is put on the screen as it comes.
"use strict";
(() => {
  const { put, make, timeOfDay } = window.envmon;
  const SOON_MS = 1000;
  const AGAIN_MS = 60000;
  const state = { root: null, year: "", turn: 0, timer: null, view: null };

  const part = (name) => state.root.querySelector(`[data-part="${name}"]`);
  const size = () => (window.innerWidth > 900 ? "wide" : "phone");

  // Drawings come as text of our own server; read as a document of their own nothing in them runs.
  function drawing(text) {
    const found = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
    if (found.nodeName !== "svg") throw new Error("a drawing cannot be read");
    return document.importNode(found, true);
  }

  function show(element, shown) {
    element.closest(".winter-panel").hidden = !shown;
  }

  function list(name, texts) {
    const into = part(name);
    into.replaceChildren(...texts.map((text) => make("li", "", text)));
    if (into.closest(".winter-panel")) show(into, texts.length > 0);
  }

  function numberBox({ what, value, under }) {
    const box = make("div", "", "");
    box.append(make("dt", "", what), make("dd", "", value), make("small", "", under));
    return box;
  }

  function row(cells, tag, kind) {
    const line = make("tr", kind, "");
    line.append(...cells.map((text) => make(tag, "", text)));
    return line;
  }

  function drawDrawings() {
    const drawn = state.view.drawings[size()];
    for (const name of ["days", "calendar", "signature", "months", "where"]) {
      const into = part(name);
      show(into, Boolean(drawn[name]));
      into.replaceChildren(...(drawn[name] ? [drawing(drawn[name])] : []));
    }
  }

  function drawYears(years) {
    const chosen = state.year || String(years[0]);
    part("years").replaceChildren(...years.map((year) => {
      const name = `${year}/${String((year + 1) % 100).padStart(2, "0")}`;
      const key = make("button", "key", name);
      key.type = "button";
      key.dataset.year = year;
      key.classList.toggle("on", String(year) === chosen);
      key.setAttribute("aria-pressed", String(year) === chosen);
      return key;
    }));
  }

  function draw(view) {
    state.view = view;
    drawYears(view.years);
    put(state.root, "span", view.span);
    put(state.root, "made", `worked out at ${timeOfDay(view.made)}`);
    part("numbers").replaceChildren(...view.numbers.map(numberBox));
    for (const name of ["say", "missing", "cautions", "rests"]) list(name, view[name] ?? []);
    list("ahead", view.ahead ?? []);
    drawDrawings();
    part("heads").replaceChildren(row(view.table.heads, "th", ""));
    part("rows").replaceChildren(...view.table.rows.map(({ cells, kind }) => row(cells, "td", kind)));
    show(part("rows"), view.table.rows.length > 0);
  }

  function lost(text) {
    state.root.querySelector(".lost-bar").hidden = !text;
    put(state.root, "lost", text);
  }

  async function asked() {
    const answer = await fetch(`/api/v1/winter${state.year ? `?winter=${state.year}` : ""}`, {
      cache: "no-store", signal: AbortSignal.timeout(10000),
    });
    const found = await answer.json();
    if (!answer.ok) throw new Error(found.error ?? `answer ${answer.status}`);
    return found;
  }

  // Only the newest question is answered on the screen.
  async function answerIt() {
    clearTimeout(state.timer);
    const turn = ++state.turn;
    let wait = AGAIN_MS;
    try {
      const found = await asked();
      if (turn !== state.turn || !state.root.isConnected) return;
      if (found.working) {
        wait = SOON_MS;
        lost("The winter is being worked out; it takes a few seconds.");
      } else {
        lost("");
        draw(found);
      }
    } catch (error) {
      if (turn !== state.turn || !state.root.isConnected) return;
      wait = 5 * SOON_MS;
      const known = error.name === "Error";
      const old = state.view ? " What is shown is older." : "";
      lost(`${known ? error.message : "The board server does not answer; it is asked again."}${old}`);
    }
    state.timer = setTimeout(answerIt, wait);
  }

  function pressed(event) {
    const key = event.target.closest?.("[data-year]");
    if (!key || !state.root) return;
    state.year = key.dataset.year;
    drawYears([...part("years").children].map((each) => Number(each.dataset.year)));
    answerIt();
  }

  function open(root) {
    clearTimeout(state.timer);
    Object.assign(state, { root, year: "", view: null });
    root.addEventListener("click", pressed);
    answerIt();
  }

  window.addEventListener("resize", () => {
    if (state.root?.isConnected && state.view) drawDrawings();
  });

  const parts = new MutationObserver(() => {
    const root = document.querySelector("[data-winter]");
    if (root && root !== state.root) open(root);
  });
  parts.observe(document, { childList: true, subtree: true });
})();
