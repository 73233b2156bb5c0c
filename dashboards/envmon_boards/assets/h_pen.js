// What the strip chart is drawn with: elements, widths of text, numbers, places, paths.
"use strict";
(() => {
  const NS = "http://www.w3.org/2000/svg";
  // One lane each; temperatures share theirs, and so do humidities.
  const LANES = [
    ["temps", "temperatures", 3.2, (l) => l.dimension === "temperature"],
    ["hum", "humidity", 2.2, (l) => l.dimension === "percent"],
    ["margin", "panel above dew point", 1.8, (l) => l.quantity === "dew_margin_k"],
  ];
  const STYLES = {
    air_temp_c: ["air", ""], panel_temp_c: ["panel", "11 6"], dew_point_c: ["dew", "3 5"],
    water_temp_c: ["water", "14 5 3 5"], outdoor_temp_c: ["outdoor", "2 3 9 3"],
    outdoor_rel_hum_pct: ["outdoor", "2 3 9 3"], dew_margin_k: ["dew", ""],
  };
  const SHORT = { dew_margin_k: "above dew point" }; // its lane says of what
  const STATES = { door_open: ["shut", "open"], heater_on: ["off", "on"] };
  const ALARM_WORDS = {
    window: "OUT OF WINDOW", unknown: "CANNOT BE TOLD", leaving: "ABOUT TO LEAVE",
    condensation: "PANEL UNDER DEW POINT", cure_break: "CURE INTERRUPTED", frost: "NEAR FREEZING",
    frost_unknown: "COLD NOT KNOWN", heater: "HEATER DOES NOT ANSWER", apart: "SENSORS DISAGREE",
    drift: "SENSORS DRIFT APART",
  };

  function el(name, marks = {}, text = null) {
    const element = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(marks)) element.setAttribute(key, value);
    if (text !== null) element.textContent = text;
    return element;
  }

  function shapeOf(kind) {
    const holder = document.createElement("span");
    window.envmon.setShape(holder, kind);
    return holder.firstChild;
  }

  const pen = document.createElement("canvas").getContext("2d");
  function widthOf(text, size, weight = 500) {
    pen.font = `${weight} ${size}px "Barlow Semi Condensed", "DejaVu Sans Condensed", sans-serif`;
    return pen.measureText(text).width;
  }

  function fitted(text, size, room) {
    if (widthOf(text, size) <= room) return text;
    let cut = text;
    while (cut.length > 3 && widthOf(`${cut}…`, size) > room) cut = cut.slice(0, -1);
    return cut.length > 3 ? `${cut.trimEnd()}…` : "";
  }

  const styleOf = (quantity) => STYLES[quantity] ?? ["air", ""];
  const shownOf = (line, units) => {
    const { factor, offset } = line[units];
    return (value) => (value === null ? null : value * factor + offset);
  };

  function number(value, line, units) {
    const words = STATES[line.quantity];
    if (value === null || value === undefined) return "—";
    if (words) return value <= 0 ? words[0] : value >= 1 ? words[1] : `${Math.round(100 * value)} %`;
    const text = shownOf(line, units)(value).toFixed(line[units].decimals);
    return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "−");
  }

  // Lanes of the lines shown, in order; every other quantity has one of its own.
  function lanesOf(lines) {
    const found = new Map();
    for (const line of lines) {
      const [key, title, weight] = LANES.find(([, , , holds]) => holds(line)) ??
        [line.quantity, line.label, STATES[line.quantity] ? 0.9 : 1.3];
      if (!found.has(key)) found.set(key, { key, title, weight, lines: [] });
      found.get(key).lines.push(line);
    }
    const order = [...LANES.map(([key]) => key)];
    const rank = (lane) => (order.includes(lane.key) ? order.indexOf(lane.key) : order.length);
    return [...found.values()].sort((a, b) => rank(a) - rank(b));
  }

  function niceTicks(low, high, most) {
    const raw = (high - low) / Math.max(1, most);
    const size = 10 ** Math.floor(Math.log10(raw));
    const steps = [0.5, 1, 2, 5, 10].map((n) => n * size);
    let place = steps.findIndex((n) => n >= raw * 0.999);
    const count = (step) => Math.floor(high / step) - Math.ceil(low / step) + 1;
    if (count(steps[place]) < 2 && place > 0) place -= 1; // one number alone is no scale
    const step = steps[place];
    const found = [];
    for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9 * step; n += 1) {
      found.push(Number((n * step).toPrecision(12)));
    }
    return found;
  }

  // How many of rising times lie before t.
  function before(times, t) {
    let [a, b] = [0, times.length];
    while (a < b) { const m = (a + b) >> 1; if (times[m] < t) a = m + 1; else b = m; }
    return a;
  }

  // Places of a line that touch the window, and one more at each side.
  const visible = ({ t_ms: t }, from, to) =>
    [Math.max(0, before(t, from) - 2), Math.min(t.length, before(t, to + 1) + 1)];
  const placesOf = ({ t_ms: t }, from, to) => [before(t, from), before(t, to + 1)];

  const areaOf = (runs) => runs.map((run) => {
    const upper = run.map(([x, , , high]) => `${x} ${high}`).join("L");
    const lower = [...run].reverse().map(([x, low]) => `${x} ${low}`).join("L");
    return `M${upper}L${lower}z`;
  }).join("");
  const meanOf = (runs) => runs.map((run) => (run.length > 1
    ? `M${run.map(([x, , mean]) => `${x} ${mean}`).join("L")}`
    : `M${run[0][0]} ${run[0][2]}h0.01`)).join("");

  window.envmon.pen = {
    el, shapeOf, widthOf, fitted, styleOf, shownOf, number, lanesOf, niceTicks, before, visible,
    placesOf, areaOf, meanOf, STYLES, SHORT, STATES, ALARM_WORDS,
  };
})();
