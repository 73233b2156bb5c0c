// The vapour board: what is asked goes to the server as typed, what follows is drawn.
"use strict";
(() => {
  const { put, make, settings, timeOfDay, setShape, ask, dials, drawCourse } = window.envmon;
  const WAIT_MS = 250;
  const KINDS = { under: "fit", close: "marginal", OVER: "unfit" };
  const state = { root: null, bays: [], picked: {}, timer: null, turn: 0, answer: null };

  const part = (name) => state.root.querySelector(`[data-part="${name}"]`);
  const dialOf = (name) => state.root.querySelector(`[data-dial="${name}"]`);
  const allDials = () => [...state.root.querySelectorAll("[data-dial]")];
  const units = () => settings().units ?? "metric";

  function setKeys(what) {
    for (const key of state.root.querySelectorAll(`[data-set="${what}"]`)) {
      const on = key.dataset.value === state.picked[what];
      key.classList.toggle("on", on);
      key.setAttribute("aria-pressed", on);
    }
  }

  // Steps go on from the value of the ladder that lies nearest to what was put in.
  function putValue(dial, text, said) {
    const ladder = JSON.parse(dial.dataset.ladder)[units() === "us" ? 1 : 0];
    const apart = ladder.map((each) => Math.abs(parseFloat(each) - parseFloat(text)));
    dials.setPlace(dial, apart.indexOf(Math.min(...apart)), units());
    dials.fieldOf(dial).value = text;
    dial.querySelector(".dial-name").dataset.said = said;
  }

  // A bay brings its volume and, while its sensors speak, its temperatures.
  function takeBay(id) {
    const bay = state.bays.find((each) => each.id === id);
    if (!bay) return;
    state.picked.bay = id;
    setKeys("bay");
    const measured = bay.at ? `measured ${timeOfDay(bay.at)}` : "";
    for (const name of ["volume", "temp", "outdoor"]) {
      if (bay[name]) putValue(dialOf(name), bay[name], name === "volume" ? "" : measured);
    }
  }

  async function start() {
    try {
      state.bays = (await ask("/api/v1/vapour/start")).bays;
    } catch {
      state.bays = []; // the fields can be typed; the next answer says that the server is gone
    }
  }

  async function pickBay(id) {
    await start();
    takeBay(id);
    askSoon(0);
  }

  function question() {
    const asked = new URLSearchParams({ carrier: state.picked.carrier });
    for (const dial of allDials()) {
      const text = dials.fieldOf(dial).value.trim();
      if (text) asked.set(dial.dataset.dial, text);
    }
    return asked;
  }

  function askSoon(wait = WAIT_MS) {
    clearTimeout(state.timer);
    state.timer = setTimeout(answerIt, wait);
  }

  // Only the newest question is answered on the screen.
  async function answerIt() {
    const turn = ++state.turn;
    try {
      const answer = await ask(`/api/v1/vapour?${question()}`);
      if (turn !== state.turn) return;
      state.answer = answer;
      lostBar("");
      draw();
    } catch (error) {
      if (turn !== state.turn) return;
      state.answer = null;
      const known = error.name === "Error";
      lostBar(known ? "" : "The board server does not answer; it is asked for again.");
      blank(known ? error.message : "Not known: the board server does not answer");
      if (!known) askSoon(3000);
    }
  }

  function lostBar(text) {
    state.root.querySelector(".lost-bar").hidden = !text;
    put(state.root, "lost", text);
  }

  function head(kind, text, why) {
    const line = state.root.querySelector(".go-line");
    line.dataset.kind = kind;
    setShape(line.querySelector('[data-f="shape"]'), kind);
    put(line, "go", text);
    put(line, "why", why);
  }

  // What was not worked out is not shown: no number of an earlier question stays.
  function blank(text) {
    head("unknown", text, "");
    part("figures").hidden = true;
    for (const name of ["course", "limits", "lines", "notes"]) part(name).replaceChildren();
  }

  function limitRow(limit) {
    const row = make("div", "vapour-limit", "");
    row.dataset.kind = KINDS[limit.word];
    const shape = make("span", "mark", "");
    setShape(shape, KINDS[limit.word]);
    const track = make("div", "share", "");
    const fill = make("div", "fill", "");
    fill.style.width = `${Math.min(100, 100 * limit.part)}%`;
    track.append(fill);
    row.append(shape, make("span", "name", limit.name), make("span", "word", limit.word),
      make("span", "ppm", limit.ppm), make("span", "over", limit.over), track,
      make("span", "needs", limit.needs), make("span", "source", limit.source));
    return row;
  }

  function draw() {
    const { answer } = state;
    head(answer.kind, answer.say, answer.help);
    part("limits").replaceChildren(...answer.limits.map(limitRow));
    part("lines").replaceChildren(...answer.lines.flatMap(([what, value]) =>
      [make("dt", "", what), make("dd", "", value)]));
    part("notes").replaceChildren(...answer.notes.map((text) => make("li", "", text)));
    part("figures").hidden = false;
    drawCourse(part("course"), answer);
  }

  function changed(dial) {
    dial.querySelector(".dial-name").dataset.said = "";
    if (dial.dataset.dial === "volume") {
      delete state.picked.bay;
      setKeys("bay");
    }
    askSoon();
  }

  let heldOn = null; // the click that ends a long press steps no further
  function stepped(button, held) {
    if (!held && heldOn === button) {
      heldOn = null;
      return;
    }
    heldOn = held ? button : null;
    const dial = button.closest("[data-dial]");
    dials.step(dial, button.dataset.mixAct === "more" ? 1 : -1, units());
    changed(dial);
  }

  function pressed(event) {
    const key = event.target.closest?.("[data-set], [data-mix-act]");
    if (!key) return;
    const { set: what, value, mixAct } = key.dataset;
    if (mixAct) stepped(key, false);
    else if (what === "bay") pickBay(value);
    else {
      state.picked[what] = value;
      setKeys(what);
      askSoon(0);
    }
  }

  async function open(root) {
    Object.assign(state, { root, picked: {}, answer: null });
    for (const dial of allDials()) dials.furnish(dial, units(), () => changed(dial));
    dials.fieldOf(dialOf("outdoor")).value = ""; // without one no heat is made up
    dials.holdable(root, stepped);
    root.addEventListener("click", pressed);
    state.picked.carrier = root.querySelector('[data-set="carrier"]').dataset.value;
    setKeys("carrier");
    await start();
    if (state.root !== root) return;
    if (state.bays.length) takeBay(state.bays[0].id);
    askSoon(0);
  }

  const redraw = () => { if (state.root?.isConnected && state.answer) draw(); };
  window.addEventListener("resize", redraw);
  document.fonts?.ready.then(redraw);

  const parts = new MutationObserver(() => {
    const root = document.querySelector("[data-vapour]");
    if (root && root !== state.root) open(root);
  });
  parts.observe(document, { childList: true, subtree: true });
})();
