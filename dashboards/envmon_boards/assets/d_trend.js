// The short trend of a bay: lines with a name at their end, the stage's limits as a band.
"use strict";
(() => {
  const { settings, timeOfDay, ask } = window.envmon;
  const HOURS = 3;
  const LINES = {
    temps: [
      ["air_temp_c", "air", "--line-air", "solid"],
      ["panel_temp_c", "panel", "--line-panel", "dash"],
      ["dew_point_c", "dew point", "--line-dew", "dot"],
    ],
    hum: [["rel_hum_pct", "humidity", "--line-air", "solid"]],
  };
  const LIMITED = { temps: "air_temp_c", hum: "rel_hum_pct" };
  let loading = null;

  function plotly() {
    loading ??= new Promise((resolve, reject) => {
      const script = document.createElement("script");
      script.src = "/static/plotly.min.js";
      script.onload = () => resolve(window.Plotly);
      script.onerror = () => { loading = null; reject(new Error("plotly not loaded")); };
      document.head.append(script);
    });
    return loading;
  }

  const inUnits = (value, kind) =>
    value === null || kind === "hum" || settings().units !== "us" ? value : value * 1.8 + 32;
  const colour = (element, name) => getComputedStyle(element).getPropertyValue(name).trim();

  function traces(div, kind, values) {
    return LINES[kind].map(([quantity, name, token, dash]) => ({
      name, x: values[quantity].t_ms, y: values[quantity].v.map((v) => inUnits(v, kind)),
      mode: "lines", connectgaps: false, hoverinfo: "skip",
      line: { color: colour(div, token), width: kind === "hum" || dash === "solid" ? 4 : 3, dash },
    }));
  }

  function span(drawn, band) {
    const known = drawn.flatMap((trace) => trace.y).filter((v) => v !== null);
    const all = [...known, ...band.filter((v) => v !== null)];
    if (!all.length) return [0, 1];
    const [low, high] = [Math.min(...all), Math.max(...all)];
    const room = Math.max(1, 0.12 * (high - low));
    return [low - room, high + room];
  }

  // Names stand beside the ends of their lines and are moved apart where they would touch.
  function names(drawn, [low, high], height, size) {
    const ends = drawn.filter((t) => t.y.at(-1) !== undefined && t.y.at(-1) !== null)
      .map((t) => ({ t, px: ((t.y.at(-1) - low) / (high - low)) * height }))
      .sort((a, b) => a.px - b.px);
    const step = size * 1.05;
    let lowest = size * 0.5;
    for (const end of ends) {
      end.px = Math.max(end.px, lowest);
      lowest = end.px + step;
    }
    // Where they were pushed over the top, they go down again together.
    let highest = height - size * 0.4;
    for (const end of [...ends].reverse()) {
      end.px = Math.min(end.px, highest);
      highest = end.px - step;
    }
    return ends.map(({ t, px }) => ({
      x: 1, xref: "paper", xanchor: "left", xshift: 6, y: 0, yref: "paper", yshift: px,
      text: t.name, showarrow: false, font: { size, color: t.line.color }, yanchor: "middle",
    }));
  }

  function layout(div, kind, document, drawn, limit, fans) {
    const ink = colour(div, "--soft");
    const wished = Math.min(26, div.clientWidth / 24, div.clientHeight / 6);
    const size = Math.round(Math.max(innerWidth > 900 ? 20 : 13, wished));
    const band = [limit?.low ?? null, limit?.high ?? null].map((v) => inUnits(v, kind));
    const range = span([...drawn, ...fans], band);
    const to = fans.reduce((last, fan) => Math.max(last, ...fan.x), document.to_ms);
    const margin = { l: size * 2.6, r: size * 5, t: 8, b: size * 1.5 };
    const height = div.clientHeight - margin.t - margin.b;
    // As many figures beside the lines as stand clear of each other.
    const nticks = Math.max(2, Math.min(4, Math.floor(height / (1.8 * size))));
    const hour = 3600e3;
    const ticks = [];
    for (let t = Math.ceil(document.from_ms / hour) * hour; t <= to; t += hour) {
      ticks.push(t);
    }
    const grid = { gridcolor: colour(div, "--line"), zeroline: false, tickfont: { size, color: ink } };
    const shapes = limit ? [{
      type: "rect", xref: "paper", x0: 0, x1: 1, y0: band[0] ?? range[0], y1: band[1] ?? range[1],
      fillcolor: colour(div, "--band"), line: { width: 0 }, layer: "below",
    }] : [];
    return {
      margin, height: div.clientHeight, width: div.clientWidth, shapes, showlegend: false,
      paper_bgcolor: "transparent", plot_bgcolor: "transparent",
      font: { family: "Barlow Semi Condensed, sans-serif", color: ink },
      annotations: names(drawn, range, height, size),
      xaxis: {
        ...grid, range: [document.from_ms, to], tickvals: ticks,
        ticktext: ticks.map((t) => timeOfDay(t)), showgrid: false, tickangle: 0,
      },
      yaxis: { ...grid, range, nticks, ticksuffix: kind === "hum" ? " %" : "°" },
    };
  }

  async function drawTrend(card, state) {
    const divs = [...card.querySelectorAll("[data-plot]")].filter((d) => d.clientHeight > 40);
    if (!divs.length) return;
    const document = await ask(`/api/v1/bays/${card.dataset.bay}/trend?hours=${HOURS}`);
    const Plotly = await plotly();
    const stage = state.stages.find((s) => s.id === state.stage);
    for (const div of divs) {
      const kind = div.dataset.plot;
      const limit = stage?.reasons.find((r) => r.quantity === LIMITED[kind]);
      const drawn = traces(div, kind, document.values);
      const fans = window.envmon.fansOf?.(card.dataset.bay, div, inUnits) ?? [];
      const how = layout(div, kind, document, drawn, limit, fans);
      await Plotly.react(div, [...fans, ...drawn], how, { staticPlot: true });
    }
  }

  Object.assign(window.envmon, { drawTrend });
})();
