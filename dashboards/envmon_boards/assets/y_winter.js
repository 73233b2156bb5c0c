// The winter board: a winter worked out by the server is put on the screen as it comes.
"use strict";
(() => {
  const { put, make, timeOfDay } = window.envmon;
  const SOON_MS = 1000;
  const AGAIN_MS = 60000;
  const DRAWINGS = ["billed", "days", "calendar", "signature", "months", "where"];
  const state = { root: null, year: "", turn: 0, timer: null, view: null, month: "" };

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
    for (const name of DRAWINGS) {
      const into = part(name);
      show(into, Boolean(drawn[name]));
      into.replaceChildren(...(drawn[name] ? [drawing(drawn[name])] : []));
    }
  }

  function press(key, on) {
    key.classList.toggle("on", on);
    key.setAttribute("aria-pressed", on);
  }

  function keyOf(text, data, on) {
    const key = make("button", "key", text);
    key.type = "button";
    Object.assign(key.dataset, data);
    press(key, on);
    return key;
  }

  function drawYears(years) {
    const chosen = state.year || String(years[0]);
    part("years").replaceChildren(...years.map((year) => {
      const name = `${year}/${String((year + 1) % 100).padStart(2, "0")}`;
      return keyOf(name, { year }, String(year) === chosen);
    }));
  }

  // One section at a time, so that none is an endless way down; the address keeps which.
  function drawTabs(chosen) {
    for (const key of state.root.querySelectorAll("[data-tab]")) {
      press(key, key.dataset.tab === chosen);
    }
    for (const section of state.root.querySelectorAll("[data-section]")) {
      section.hidden = section.dataset.section !== chosen;
    }
  }

  const askedSection = () => {
    const name = location.hash.slice(1);
    return state.root.querySelector(`[data-section="${CSS.escape(name)}"]`) ? name : "answers";
  };

  // Days a month at a time, the newest first.
  function drawRows() {
    const { heads, rows } = state.view.table;
    const months = [...new Set(rows.map(({ month }) => month))];
    if (!months.includes(state.month)) state.month = months[0] ?? "";
    part("pages").replaceChildren(...rows.filter(({ kind }) => kind === "month").map(
      ({ cells, month }) => keyOf(cells[0], { month }, month === state.month)));
    part("heads").replaceChildren(row(heads, "th", ""));
    part("rows").replaceChildren(...rows.filter(({ month }) => month === state.month).map(
      ({ cells, kind }) => {
        const line = row(cells, "td", kind);
        heads.forEach((head, place) => { line.children[place].dataset.head = head.replace("\n", " "); });
        return line;
      }));
    show(part("rows"), rows.length > 0);
  }

  function draw(view) {
    state.view = view;
    drawYears(view.years);
    put(state.root, "span", view.span);
    put(state.root, "made", `worked out at ${timeOfDay(view.made)}`);
    part("numbers").replaceChildren(...view.numbers.map(numberBox));
    part("bill-heads").replaceChildren(row(view.by_month.heads, "th", ""));
    part("bill-rows").replaceChildren(...view.by_month.rows.map((cells) => row(cells, "td", "")));
    for (const name of ["cost", "same"]) {
      put(state.root, name, view[name].value);
      put(state.root, `${name}-under`, view[name].under);
    }
    for (const [name, text] of Object.entries(view.captions)) put(state.root, `caption-${name}`, text);
    for (const name of ["each", "missing", "notes"]) list(name, view[name]);
    for (const name of ["say", "ahead", "cautions", "rests"]) {
      part(name).replaceChildren(...view[name].map((text) => make("li", "", text)));
    }
    const lacks = view.missing.length + view.notes.length > 0;
    state.root.querySelector('[data-tab="missing"]').hidden = !lacks;
    drawTabs(askedSection() === "missing" && !lacks ? "answers" : askedSection());
    drawDrawings();
    drawRows();
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
    const key = event.target.closest?.(".key");
    if (!key || !state.root) return;
    const { year, tab, month } = key.dataset;
    if (tab) {
      history.replaceState(history.state, "", `#${tab}`);
      drawTabs(tab);
    } else if (month) {
      state.month = month;
      drawRows();
    } else if (year) {
      state.year = year;
      drawYears([...part("years").children].map((each) => Number(each.dataset.year)));
      answerIt();
    }
  }

  function open(root) {
    clearTimeout(state.timer);
    Object.assign(state, { root, year: "", view: null, month: "" });
    root.addEventListener("click", pressed);
    drawTabs(askedSection());
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
