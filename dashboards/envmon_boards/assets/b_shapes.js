// A shape and a word for each verdict, so that colour is never alone.
"use strict";
(() => {
  const NS = "http://www.w3.org/2000/svg";
  const RING = "M50 4a46 46 0 1 1 0 92a46 46 0 1 1 0-92z";
  const chevron = (y) =>
    `M6 ${y + 26} 50 ${y} 94 ${y + 26}V${y + 42}L50 ${y + 16} 6 ${y + 42}z`;
  const PATHS = {
    fit: `${RING}M22 53 33 42 45 54 69 28 80 39 45 76z`,
    marginal: "M50 1 99 50 50 99 1 50zM55 20 85 50 55 80z",
    unfit: "M5 5H95V95H5zM30 20 50 40 70 20 80 30 60 50 80 70 70 80 50 60 30 80 20 70 40 50 20 30z",
    notyet: "M50 3 98 95H2zM50 33 67 66H33z",
    high: [2, 29, 56].map(chevron).join(""),
    medium: [15, 43].map(chevron).join(""),
    low: chevron(29),
  };
  const WORDS = {
    fit: "FIT", marginal: "MARGINAL", unfit: "UNFIT", notyet: "NOT YET",
    unknown: "UNKNOWN", none: "NO STAGE", silent: "NO DATA",
  };

  function path(d, marks) {
    const element = document.createElementNS(NS, "path");
    element.setAttribute("d", d);
    for (const [name, value] of Object.entries(marks)) element.setAttribute(name, value);
    return element;
  }

  function shape(kind) {
    const svg = document.createElementNS(NS, "svg");
    svg.setAttribute("viewBox", "0 0 100 100");
    svg.setAttribute("aria-hidden", "true");
    const open = { fill: "none", stroke: "currentColor" };
    if (PATHS[kind]) {
      svg.append(path(PATHS[kind], { fill: "currentColor", "fill-rule": "evenodd" }));
    } else if (kind === "none") {
      svg.append(path("M20 50H80", { ...open, "stroke-width": 12 }));
    } else {
      svg.append(path("M50 10a40 40 0 1 1 0 80a40 40 0 1 1 0-80z",
        { ...open, "stroke-width": 13, "stroke-dasharray": "28 14" }));
      if (kind === "silent") svg.append(path("M12 88 88 12", { ...open, "stroke-width": 11 }));
      else svg.append(path("M50 40a10 10 0 1 1 0 20a10 10 0 1 1 0-20z", { fill: "currentColor" }));
    }
    return svg;
  }

  function setShape(element, kind) {
    if (!element || element.dataset.shape === kind) return;
    element.dataset.shape = kind;
    element.replaceChildren(shape(kind));
  }

  // A goal stage that is unfit is only not there yet.
  const kindOf = (stage) => (stage.goal && stage.fitness === "unfit" ? "notyet" : stage.fitness);

  Object.assign(window.envmon, { setShape, kindOf, WORDS });
})();
