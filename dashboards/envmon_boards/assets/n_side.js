// Beside the chart: quantities as keys with their values, and the fields for a span.
"use strict";
(() => {
  const { put, make, times, board } = window.envmon;
  const { styleOf, number, visible, ALARM_WORDS } = window.envmon.pen;
  const { state, zone, bayFacts, SHORTEST, LONGEST } = board;

  const NS = "http://www.w3.org/2000/svg";

  function swatch(quantity) {
    const [token, dash] = styleOf(quantity);
    const svg = document.createElementNS(NS, "svg");
    svg.setAttribute("viewBox", "0 0 46 20");
    svg.setAttribute("aria-hidden", "true");
    const path = document.createElementNS(NS, "path");
    path.setAttribute("d", "M2 10h42");
    path.setAttribute("stroke-dasharray", dash);
    path.setAttribute("style", `stroke: var(--line-${token})`);
    svg.append(path);
    return svg;
  }

  function row(quantity) {
    const button = make("button", "line-key", "");
    button.type = "button";
    Object.assign(button.dataset, { pick: "quantity", value: quantity.name });
    const head = make("span", "line-head", "");
    const box = make("span", "tick-box", "");
    const mark = make("span", "line-swatch", "");
    mark.append(swatch(quantity.name));
    head.append(box, mark, make("span", "line-name", quantity.label), make("span", "line-unit", ""));
    button.append(head, make("span", "line-values", ""));
    if (!quantity.kept) button.append(make("span", "line-none", "no reading yet"));
    return button;
  }

  function drawRows() {
    const box = state.root.querySelector("[data-lines]");
    const key = JSON.stringify([state.bay, bayFacts().quantities.map((q) => [q.name, q.kept])]);
    if (box.dataset.key !== key) {
      box.dataset.key = key;
      box.replaceChildren(...bayFacts().quantities.map(row));
    }
    for (const quantity of bayFacts().quantities) {
      const button = box.querySelector(`[data-value="${quantity.name}"]`);
      const on = state.shown.has(quantity.name);
      button.classList.toggle("on", on);
      button.setAttribute("aria-pressed", String(on));
      button.querySelector(".line-unit").textContent = quantity[state.units].unit;
      if (!on) button.querySelector(".line-values").replaceChildren();
    }
  }

  // Over the whole span: the lowest, the mean of all readings, the highest.
  function overall(line) {
    const [a, b] = visible(line, state.from, state.to);
    let [low, high, sum, count] = [null, null, 0, 0];
    for (let i = a; i < b; i += 1) {
      if (line.mean[i] === null || state.chart.endOf(line.t_ms[i]) <= state.from || line.t_ms[i] >= state.to) continue;
      low = low === null ? line.low[i] : Math.min(low, line.low[i]);
      high = high === null ? line.high[i] : Math.max(high, line.high[i]);
      sum += line.mean[i] * line.count[i];
      count += line.count[i];
    }
    return { low, high, mean: count ? sum / count : null, count };
  }

  function valuesOf(line) {
    if (state.cursor === null) return overall(line);
    const place = state.chart.placeAt(line);
    if (place < 0) return { low: null, mean: null, high: null, count: 0 };
    return { low: line.low[place], mean: line.mean[place], high: line.high[place], count: line.count[place] };
  }

  function valueRow(line, many) {
    const box = make("span", "line-value", "");
    const { low, mean, high, count } = valuesOf(line);
    const text = (value) => number(value, line, state.units);
    if (many) box.append(make("span", "line-point", line.point));
    box.append(make("span", "line-mean", text(mean)));
    box.append(make("span", "line-range", count ? `${text(low)} to ${text(high)}` : "nothing came"));
    if (count) box.append(make("span", "line-count", `${count.toLocaleString("en-GB").replaceAll(",", " ")} ×`));
    return box;
  }

  function showValues() {
    const groups = new Map();
    for (const line of state.chart.answer.lines) {
      groups.set(line.quantity, [...(groups.get(line.quantity) ?? []), line]);
    }
    for (const [quantity, lines] of groups) {
      const box = state.root.querySelector(`[data-value="${quantity}"] .line-values`);
      box?.replaceChildren(...lines.map((line) => valueRow(line, lines.length > 1)));
    }
    showAt();
  }

  function showAt() {
    const t = state.cursor;
    if (t === null) {
      put(state.root, "when", "whole span");
      put(state.root, "doing", "mean, lowest to highest, readings. Tap the chart for a moment.");
      return;
    }
    const edge = state.answer.edges_ms.findLast((e) => e <= t) ?? t;
    const fine = state.answer.step_s < 60;
    const until = state.chart.endOf(edge);
    put(state.root, "when", `${times.day(edge, zone())}  ${times.clock(edge, zone(), fine)}–${times.clock(until, zone(), fine)}`);
    put(state.root, "doing", doingText(t));
  }

  function doingText(t) {
    const on = (mark) => mark.from_ms <= t && state.chart.end(mark) >= t;
    const stage = state.answer.stages.find(on);
    const said = [stage ? stage.name : "no stage"];
    for (const alarm of state.answer.alarms.filter(on)) {
      said.push(`ALARM ${(ALARM_WORDS[alarm.what] ?? alarm.what).toLowerCase()}`);
    }
    if (state.answer.unknown.some(on)) said.push("unknown");
    return said.join(" · ");
  }

  function makeFields() {
    const box = state.root.querySelector("[data-fields]");
    for (const name of ["from", "to"]) {
      const label = make("label", "field", "");
      const input = document.createElement("input");
      input.type = "datetime-local";
      input.dataset.field = name;
      label.append(make("span", "", name), input);
      box.append(label);
    }
    const go = make("button", "key", "show");
    go.type = "button";
    Object.assign(go.dataset, { pick: "fields", value: "show" });
    box.append(go, make("span", "field-said", ""));
  }

  const field = (name) => state.root.querySelector(`[data-field="${name}"]`);

  function fillFields() {
    for (const name of ["from", "to"]) {
      if (document.activeElement !== field(name)) field(name).value = times.toField(state[name], zone());
    }
  }

  function showFields() {
    const [from, to] = ["from", "to"].map((name) => times.fromField(field(name).value, zone()));
    const good = to - from >= SHORTEST && to - from <= LONGEST && from >= 0;
    const said = good ? "" : "“to” must be at least a minute after “from”, and at most 20 years";
    state.root.querySelector(".field-said").textContent = said;
    if (!good) return;
    Object.assign(state, { from, to, span: null });
    board.changed();
  }

  Object.assign(board, { drawRows, showValues, makeFields, field, fillFields, showFields });
})();
