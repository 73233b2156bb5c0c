// Beside the work: notes, batches, panels in flight, the list of panels, links, the end.
"use strict";
(() => {
  const { make, timeOfDay } = window.envmon;
  const { keep, text, sub, actButton, setAct, isWaiting, ask, act } = window.envmon.bench;
  let edited = null; // names of panels while they are edited

  function drawNotes(box, job, able) {
    text(sub(box, "h3", "title"), "Notes");
    keep(sub(box, "ul", "list"), job.notes, (note) => note.at + note.text, () => make("li", "", ""),
      (line, note) => text(line, [timeOfDay(note.at), note.text, note.by].filter(Boolean).join(" · ")));
    const words = sub(box, "input", "entry");
    Object.assign(words, { name: "note", maxLength: 500, autocomplete: "off" });
    words.setAttribute("aria-label", "note");
    setAct(sub(box, "button", "go bench-button small"), "add note", { act: "note", place: "note" },
      { off: !able || isWaiting("note") });
    sub(box, "p", "bench-said").dataset.said = "note";
  }

  function drawFlight(box, job, able) {
    text(sub(box, "h3", "title"), "In flight at most");
    const row = sub(box, "div", "flight");
    const wish = (to) => ({ act: "in_flight", to: String(to), place: "in flight" });
    const [less, more] = [job.in_flight - 1, job.in_flight + 1];
    setAct(sub(row, "button", "less bench-button"), "−", wish(less), { off: !able || less < 1 });
    text(sub(row, "output", "value"), String(job.in_flight));
    setAct(sub(row, "button", "more bench-button"), "+", wish(more), { off: !able || more > 4 });
    sub(row, "button", "less").setAttribute("aria-label", "one fewer in flight");
    sub(row, "button", "more").setAttribute("aria-label", "one more in flight");
    sub(box, "p", "bench-said").dataset.said = "in flight";
  }

  function drawProducts(box, job, shop, able) {
    text(sub(box, "h3", "title"), "Products and batches");
    keep(sub(box, "ul", "list"), job.products, (line) => line, () => make("li", "", ""), text);
    const known = Object.entries(Object.assign({}, ...shop.procedures.map((one) => one.products)))
      .filter(([, name]) => job.steps.some((step) => step.product === name));
    keep(sub(box, "div", "acts"), known, ([id]) => id, () => actButton("small"), (button, [id, name]) => {
      const data = { act: "batch", product: id, name, place: "batch" };
      setAct(button, `batch of ${name} …`, data, { off: !able });
    });
    sub(box, "p", "bench-said").dataset.said = "batch";
  }

  function drawEditor(box, able) {
    text(sub(box, "h3", "title"), "List of panels");
    const open = edited !== null;
    setAct(sub(box, "button", "edit bench-button small"), open ? "leave it" : "change panels …",
      { act: open ? "panels-leave" : "panels-edit", place: "panels" }, { off: !able });
    const rows = sub(box, "div", "edit-list");
    rows.hidden = !open;
    keep(rows, edited ?? [], (one) => one.key, (one) => {
      const row = make("div", "edit-row", "");
      const input = make("input", "entry", "");
      Object.assign(input, { value: one.name, maxLength: 30, autocomplete: "off" });
      input.setAttribute("aria-label", "name of a panel");
      input.addEventListener("input", () => { one.name = input.value; });
      row.append(input);
      return row;
    }, (row, one, place) => {
      for (const [what, words, name] of [["up", "↑", "earlier"], ["out", "×", "take away"]]) {
        const data = { act: `panel-${what}`, key: one.key, place: "panels" };
        setAct(sub(row, "button", `${what} bench-button`), words, data, { off: what === "up" && place === 0 });
        sub(row, "button", what).setAttribute("aria-label", `${one.name}: ${name}`);
      }
    });
    const add = sub(box, "button", "add bench-button small");
    const save = sub(box, "button", "save bench-button small main");
    add.hidden = save.hidden = !open;
    setAct(add, "add a panel", { act: "panel-add", place: "panels" });
    setAct(save, "keep this list", { act: "panels-save", place: "panels" }, { off: !able });
    sub(box, "p", "bench-said").dataset.said = "panels";
  }

  // Who works here: it stands beside every act, so that the other knows whom to ask.
  function drawName(box) {
    const label = sub(box, "label", "name-field why-field");
    text(sub(label, "span", "label-text"), "your name on this device (may be left out)");
    const fresh = !label.querySelector("input");
    const input = sub(label, "input", "entry");
    if (!fresh) return;
    Object.assign(input, { name: "by", maxLength: 60, autocomplete: "off",
      value: localStorage.getItem("envmon-by") ?? "" });
    input.addEventListener("input", () => localStorage.setItem("envmon-by", input.value.trim()));
  }

  function link(words, address) {
    const element = make("a", "wide-link", words);
    element.href = address;
    return element;
  }

  function drawEnds(box, id, job, able) {
    text(sub(box, "h3", "title"), job ? "Record" : "Last job");
    const base = `/api/v1/jobs/${encodeURIComponent(id)}/record`;
    keep(sub(box, "div", "links"), id ? [["record to read", "html"], ["record as PDF", "pdf"]] : [],
      ([, form]) => id + form, ([words, form]) => link(words, `${base}.${form}`), () => {});
    const close = sub(box, "button", "close bench-button small");
    close.hidden = !job;
    setAct(close, "close job …", { act: "close", place: "close" }, { off: !able || isWaiting("close") });
    sub(box, "p", "bench-said").dataset.said = "close";
  }

  function drawMore(box, shop, { job, lastJob, able }) {
    text(sub(box, "h2", "title"), job ? "Job" : "Beside the work");
    const names = ["notes", "in-flight", "products", "panels-edit"];
    const parts = names.map((name) => sub(box, "div", `${name} more`));
    for (const part of parts) part.hidden = !job;
    if (job) {
      drawNotes(parts[0], job, able);
      drawFlight(parts[1], job, able);
      drawProducts(parts[2], job, shop, able);
      drawEditor(parts[3], able);
    } else edited = null;
    const ends = sub(box, "div", "ends-of-job more");
    ends.hidden = !job && !lastJob;
    drawEnds(ends, job ? job.job : lastJob, job, able);
    drawName(sub(box, "div", "who more"));
    window.envmon.bench.drawPast(sub(box, "div", "past-jobs more"), `${job?.job} ${lastJob}`, able);
  }

  function addNote(root) {
    const input = root.querySelector('input[name="note"]');
    const words = input.value.trim();
    if (!words) {
      input.focus();
      return;
    }
    act("note", { act: "note", text: words }).then((answer) => {
      if (answer?.ok || answer?.kept) input.value = "";
    });
  }

  function askBatch(product, name) {
    ask({
      title: `Batch of ${name}`, fields: [{ name: "batch", label: "number on the bottle", least: 1, most: 60 }],
      go: "keep it", done: ({ batch }) => act("batch", { act: "batch", product, batch }),
    });
  }

  function askClose(job) {
    const left = job.steps.filter((step) => step.status === "todo" || step.status === "active");
    const open = job.panels.filter((panel) => !panel.levelled_at && panel.applied_at);
    const lines = [...left.map((step) => `${step.name} is not done`),
      ...open.map((panel) => `${panel.name} is applied and not levelled`)];
    const fields = left.length ? [{ name: "reason", label: "why before all is done", least: 3 }] : [];
    ask({
      title: `Close job ${job.job}?`, lines, fields, go: "close job",
      done: ({ reason }) => act("close", reason ? { act: "close", reason } : { act: "close" }),
    });
  }

  let fresh = 0;
  function edit(what, key, job) {
    const place = edited?.findIndex((one) => one.key === key) ?? -1;
    if (what === "panels-edit") edited = job.panels.map(({ id, name }) => ({ key: id, id, name }));
    else if (what === "panels-leave") edited = null;
    else if (what === "panel-add") edited.push({ key: `new ${fresh += 1}`, name: "" });
    else if (what === "panel-out") edited.splice(place, 1);
    else if (what === "panel-up") edited.splice(place - 1, 0, ...edited.splice(place, 1));
    else if (what === "panels-save") save();
    window.envmon.show();
  }

  function save() {
    const panels = edited.map(({ id, name }) => ({ ...(id ? { id } : {}), name: name.trim() }))
      .filter(({ name }) => name);
    act("panels", { act: "panels", panels }).then((answer) => {
      if (answer?.ok) edited = null;
      window.envmon.show();
    });
  }

  Object.assign(window.envmon.bench, { drawMore, addNote, askBatch, askClose, edit });
})();
