// The vapour of a work over time: at the panel, in the bay, and the limits that lie near.
"use strict";
(() => {
  const NS = "http://www.w3.org/2000/svg";
  const EDGE = { left: 14, right: 14, top: 26, bottom: 34 };
  const STEPS = [1, 2, 5];

  function draw(tag, marks, text) {
    const element = document.createElementNS(NS, tag);
    for (const [name, value] of Object.entries(marks)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  }

  // A round step that cuts a span into at most so many parts.
  function roundStep(span, parts) {
    const power = 10 ** Math.floor(Math.log10(span / parts));
    const step = [...STEPS, 10].find((each) => each * power * parts >= span);
    return step * power;
  }

  function timeText(minutes) {
    if (minutes < 120) return `${minutes} min`;
    return `${Math.round(minutes / 6) / 10} h`;
  }

  function minuteStep(minutes, parts) {
    const steps = [1, 2, 5, 10, 15, 20, 30, 60, 120, 240];
    return steps.find((step) => step * parts >= minutes) ?? 480;
  }

  // Means of a shift are left to the table: no curve of an hour can be held against them.
  function nearLimits(limits, top) {
    const byValue = new Map();
    for (const limit of limits) {
      if (limit.shift || limit.limit_ppm > top) continue;
      const known = byValue.get(limit.limit_ppm) ?? { names: [], passed: false };
      known.names.push(limit.name);
      known.passed ||= limit.part > 1;
      byValue.set(limit.limit_ppm, known);
    }
    return [...byValue].sort(([one], [other]) => other - one);
  }

  function drawCourse(box, answer) {
    const { t_s: times, bay_ppm: bay, panel_ppm: panel } = answer.course;
    const wide = box.clientWidth, high = box.clientHeight;
    const last = times.at(-1);
    const highest = Math.max(...panel);
    const lowest = Math.min(...answer.limits.filter((each) => !each.shift).map((each) => each.limit_ppm));
    const top = Math.max(highest, lowest) * 1.12;
    const x = (t) => EDGE.left + ((wide - EDGE.left - EDGE.right) * t) / last;
    const y = (ppm) => high - EDGE.bottom - ((high - EDGE.top - EDGE.bottom) * ppm) / top;
    const svg = draw("svg", { viewBox: `0 0 ${wide} ${high}`, role: "img" });
    svg.setAttribute("aria-label", "vapour over time, see the table");
    const size = Number.parseFloat(getComputedStyle(box).fontSize);

    const across = (ppm) => `M${EDGE.left} ${y(ppm)}H${wide - EDGE.right}`;
    const names = []; // over the curves, so that they can be read
    const step = roundStep(top, 5);
    for (let ppm = step; ppm <= top; ppm += step) {
      svg.append(draw("path", { class: "grid", d: across(ppm) }));
      names.push(draw("text", { class: "soft", x: EDGE.left, y: y(ppm) - 4 }, `${Math.round(ppm)} ppm`));
    }
    const minutes = minuteStep(last / 60, wide > 700 ? 8 : 4);
    for (let at = 0; at <= last / 60; at += minutes) {
      const anchor = at === 0 ? "start" : at + minutes > last / 60 ? "end" : "middle";
      const marks = { class: "soft", x: x(at * 60), y: high - 8, "text-anchor": anchor };
      names.push(draw("text", marks, timeText(at)));
    }
    let free = -size; // names that would lie on another are moved down
    for (const [ppm, limit] of nearLimits(answer.limits, top)) {
      const how = limit.passed ? " passed" : "";
      svg.append(draw("path", { class: `limit${how}`, d: across(ppm) }));
      free = Math.max(y(ppm) - 6, free + size * 1.1);
      const marks = { class: `limit-name${how}`, x: wide - EDGE.right, y: free, "text-anchor": "end" };
      names.push(draw("text", marks, `${limit.names.join(", ")} ${ppm} ppm`));
    }
    for (const [name, values] of [["bay", bay], ["panel", panel]]) {
      const points = values.map((ppm, place) => `${x(times[place]).toFixed(1)} ${y(ppm).toFixed(1)}`);
      svg.append(draw("path", { class: `course ${name}`, d: `M${points.join("L")}` }));
    }
    svg.append(...names);
    key(svg, wide, size);
    box.replaceChildren(svg);
  }

  function key(svg, wide, size) {
    let at = EDGE.left + 5 * size;
    for (const [name, text] of [["panel", "at the panel"], ["bay", "in the bay"]]) {
      svg.append(draw("path", { class: `course ${name}`, d: `M${at} ${size * 0.6}h40` }));
      svg.append(draw("text", { x: at + 48, y: size * 0.9 }, text));
      at += 60 + size * 6;
    }
  }

  window.envmon.drawCourse = drawCourse;
})();
