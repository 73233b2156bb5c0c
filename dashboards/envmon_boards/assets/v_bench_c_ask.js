// A question before an act: why a step is started against what hinders it, or left out.
"use strict";
(() => {
  const { make } = window.envmon;
  const { sub, text } = window.envmon.bench;
  let dialog = null;

  function field({ name, label, value = "", most = 200, choices = [] }) {
    const box = make("label", "why-field", label);
    const input = make("input", "", "");
    Object.assign(input, { name, value, maxLength: most, autocomplete: "off" });
    box.append(input);
    if (!choices.length) return [box];
    const row = make("div", "choices", "");
    for (const words of choices) {
      const button = make("button", "choice", words);
      button.type = "button";
      Object.assign(button.dataset, { act: "ask-word", field: name });
      row.append(button);
    }
    return [row, box];
  }

  const valueOf = (name) => dialog.querySelector(`input[name="${name}"]`)?.value.trim() ?? "";

  function ready() {
    const short = dialog.envmonFields.some(({ name, least = 0 }) => valueOf(name).length < least);
    dialog.querySelector('[data-act="ask-yes"]').setAttribute("aria-disabled", String(short));
  }

  // Ask: lines to read, fields to fill, one large button. ``done`` gets the fields' values.
  function ask({ title, lines = [], fields = [], go, done }) {
    dialog?.remove();
    dialog = make("dialog", "alarm-ask bench-ask", "");
    dialog.setAttribute("aria-label", title);
    Object.assign(dialog, { envmonFields: fields, envmonDone: done });
    const list = make("ul", "ask-lines", "");
    list.append(...lines.map((line) => make("li", "", line)));
    const ends = make("div", "ends", "");
    for (const [act, words, main] of [["ask-yes", go, "main"], ["ask-no", "leave it", ""]]) {
      const button = make("button", `alarm-button ${main}`.trim(), words);
      button.type = "button";
      button.dataset.act = act;
      ends.append(button);
    }
    dialog.append(make("h2", "", title), ...(lines.length ? [list] : []), ...fields.flatMap(field),
      ends);
    document.body.append(dialog);
    dialog.addEventListener("input", ready);
    ready();
    dialog.showModal();
  }

  function end(yes) {
    // What was typed stays in its field until somebody is there to take it.
    const away = window.envmon.bench.awayText();
    sub(dialog, "p", "bench-said").dataset.kindSaid = "bad";
    text(sub(dialog, "p", "bench-said"), yes ? away : "");
    if (yes && away) return;
    const values = Object.fromEntries(
      dialog.envmonFields.map(({ name }) => [name, valueOf(name)]));
    const done = dialog.envmonDone;
    dialog.close();
    dialog.remove();
    dialog = null;
    if (yes) done(values);
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest?.(".bench-ask button");
    if (!button || !dialog) return;
    const { act } = button.dataset;
    if (act === "ask-word") {
      dialog.querySelector(`input[name="${button.dataset.field}"]`).value = button.textContent;
      ready();
    } else if (act === "ask-no") end(false);
    else if (act === "ask-yes" && button.getAttribute("aria-disabled") !== "true") end(true);
  });
  Object.assign(window.envmon.bench, { ask });
})();
