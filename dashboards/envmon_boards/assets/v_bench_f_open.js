// A bay without a job: open one, or only say which stage is worked.
"use strict";
(() => {
  const { make, ask: fetchJson, setShape, kindOf, WORDS } = window.envmon;
  const { keep, text, sub, actButton, setAct, act, say, isWaiting, bayId } = window.envmon.bench;
  const choice = { procedure: null, body: null, flight: null };
  let asked = null; // a plain stage asked for and not yet seen: only the watch can say it is done

  function pick(root, title, what, options) {
    const box = sub(root, "div", `pick-${what} choices`);
    text(sub(box, "p", "pick-title"), title);
    keep(sub(box, "div", "options"), options, (one) => one.id, () => {
      const button = make("button", "choice", "");
      button.type = "button";
      return button;
    }, (button, one) => {
      text(sub(button, "span", "name"), one.name);
      text(sub(button, "span", "more"), one.more ?? "");
      Object.assign(button.dataset, { act: "pick", what, value: one.id });
      button.setAttribute("aria-pressed", String(choice[what] === one.id));
    });
  }

  function field(root, name, label, most, hint = "") {
    const box = sub(root, "label", `field-${name} why-field`);
    text(sub(box, "span", "label-text"), label);
    const input = sub(box, "input", "entry");
    Object.assign(input, { name, maxLength: most, autocomplete: "off", placeholder: hint });
    return box;
  }

  function drawFlight(root) {
    const box = sub(root, "div", "flight");
    text(sub(box, "p", "pick-title"), "panels in flight at most");
    for (const [by, words] of [["-1", "−"], ["0", ""], ["1", "+"]]) {
      if (by === "0") text(sub(box, "output", "value"), String(choice.flight));
      else setAct(sub(box, "button", `by${by} bench-button`), words, { act: "more-flight", by });
    }
    sub(box, "button", "by-1").setAttribute("aria-label", "one fewer in flight");
    sub(box, "button", "by1").setAttribute("aria-label", "one more in flight");
  }

  function drawForm(form, shop, able) {
    choice.procedure ??= shop.usual ?? shop.procedures[0]?.id ?? null;
    choice.flight ??= shop.in_flight;
    const procedures = shop.procedures.map((one) => ({ ...one, more: one.steps.join(", ") }));
    pick(form, "procedure", "procedure", procedures);
    pick(form, "body", "body", shop.bodies.map((one) => ({
      ...one, more: `${one.panels} panels${one.own ? ", of this shop" : ""}`,
    })));
    const products = Object.entries(shop.procedures.find((one) => one.id === choice.procedure)?.products ?? {});
    keep(sub(form, "div", "batches"), products, ([id]) => id, () => make("div", "", ""),
      (box, [id, name]) => field(box, `batch ${id}`, `batch of ${name} (may be left out)`, 60));
    field(form, "reference", "vehicle: plate, name or colour (may be left out)", 200);
    drawFlight(form);
    const missing = choice.body ? "" : ": choose a body first";
    setAct(sub(form, "button", "open-go bench-button main"), `open job${missing}`,
      { act: "open", place: "open" }, { off: !able || !choice.body || !choice.procedure || isWaiting("open") });
    sub(form, "p", "bench-said").dataset.said = "open";
  }

  function drawStage(button, one, bay, able) {
    const stage = bay?.stages.find((s) => s.id === one.id);
    const kind = stage ? kindOf(stage) : "none";
    const current = bay && (bay.stage ?? "") === one.id;
    if (!button.classList.contains("stage-button")) button.className = "stage-button";
    Object.assign(button.dataset, { act: "stage", stage: one.id, kind, place: "stage" });
    button.setAttribute("aria-disabled", String(!able));
    button.classList.toggle("now", Boolean(current));
    button.setAttribute("aria-pressed", String(Boolean(current)));
    setShape(sub(button, "span", "f-shape"), kind);
    text(sub(button, "span", "name"), one.name);
    const word = one.id ? WORDS[kind].toLowerCase() : "";
    text(sub(button, "span", "f-word"), current ? [word, "now"].filter(Boolean).join(" · ") : word);
  }

  function tellAsked(bay) {
    if (asked && bay && (bay.stage ?? "") === asked.stage) {
      say("stage", `${asked.name}: noted`, "good");
      asked = null;
    } else if (asked && performance.now() - asked.at > 3000) {
      const name = asked.name;
      asked = null;
      say("stage", `${name}: sent, but the watch has not taken it over yet`, "warn");
    }
  }

  function drawOpen(box, plain, shop, { job, bay, able }) {
    box.hidden = plain.hidden = Boolean(job);
    if (job) return;
    const form = sub(box, "div", "open-form");
    text(sub(form, "h2", "title"), "Open a job");
    drawForm(form, shop, able);
    text(sub(plain, "h2", "title"), "Or only say which stage is worked");
    sub(plain, "p", "bench-said").dataset.said = "stage";
    keep(sub(plain, "div", "stage-grid"), [...shop.stages, { id: "", name: "No stage" }], (one) => one.id,
      () => { const button = make("button", "", ""); button.type = "button"; return button; },
      (button, one) => drawStage(button, one, bay, able));
    tellAsked(bay);
  }

  async function setStage(button) {
    const stage = button.dataset.stage || null;
    const name = button.querySelector(".name").textContent;
    asked = null;
    say("stage", `${name}: sent`, "wait");
    try {
      await fetchJson(`/api/v1/bays/${bayId()}/stage`, { stage });
      asked = { stage: stage ?? "", name, at: performance.now() };
    } catch (error) {
      say("stage", `not done: ${error.message}`, "bad");
    }
  }

  function openJob(root) {
    const values = [...root.querySelectorAll(".open-form input")].map((one) => [one.name, one.value.trim()]);
    const batches = values.filter(([name, value]) => name.startsWith("batch ") && value)
      .map(([name, value]) => [name.slice(6), value]);
    const reference = values.find(([name]) => name === "reference")?.[1] ?? "";
    const body = { act: "open", procedure: choice.procedure, body: choice.body, in_flight: choice.flight,
      batches: Object.fromEntries(batches), reference };
    act("open", body).then((answer) => {
      if (!answer?.ok) return;
      choice.body = null;
      window.scrollTo(0, 0); // the form was long; verdict and clocks stand at the top
      for (const input of root.querySelectorAll(".open-form input")) input.value = "";
    });
  }

  function pickOne({ what, value }) {
    choice[what] = value;
    window.envmon.show();
  }

  function changeFlight(by) {
    choice.flight = Math.min(4, Math.max(1, choice.flight + by));
    window.envmon.show();
  }

  Object.assign(window.envmon.bench, { drawOpen, setStage, openJob, pickOne, changeFlight });
})();
