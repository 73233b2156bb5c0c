// The lanes of the strip chart: limits as bands, soft fills, lines and their names.
"use strict";
(() => {
  const {
    el, widthOf, styleOf, shownOf, niceTicks, before, visible, placesOf, areaOf, meanOf, STYLES, STATES,
  } = window.envmon.pen;
  const { Frame } = window.envmon;

  class Lanes extends Frame {
    lane(lane, top, height) {
      const [low, high] = this.range(lane);
      lane.y = (value) => top + height - ((value - low) / (high - low)) * height;
      Object.assign(lane, { top, height });
      this.inner.append(el("rect", {
        class: "lane", "data-lane": lane.key, x: this.left, y: top, width: this.plot, height,
      }));
      this.grid(lane, low, high);
      lane.lines.forEach((line) => this.bands(lane, line));
      lane.lines.forEach((line) => this.soft(lane, line));
      lane.lines.forEach((line) => this.line(lane, line));
      this.title(lane);
      this.bandNames(lane);
      this.names(lane);
    }

    range(lane) {
      if (STATES[lane.key]) return [-0.15, 1.15];
      let [low, high] = [Infinity, -Infinity];
      for (const line of lane.lines) {
        const [a, b] = visible(line, this.from, this.to);
        for (let i = a; i < b; i += 1) {
          if (line.low[i] === null) continue;
          low = Math.min(low, line.low[i]);
          high = Math.max(high, line.high[i]);
        }
        const edges = this.limitsOf(line).flatMap((l) => [l.low, l.high]).filter((v) => v !== null);
        [low, high] = [Math.min(low, ...edges), Math.max(high, ...edges)];
      }
      if (low > high) return [0, 1];
      const shown = shownOf(lane.lines[0], this.units); // a lane has one unit
      [low, high] = [shown(low), shown(high)];
      const least = lane.key === "temps" ? 1.5 : 1;
      const room = Math.max(least, 0.09 * (high - low));
      return [low - room, high + room];
    }

    grid(lane, low, high) {
      const words = STATES[lane.key];
      const ticks = words ? [0, 1] : niceTicks(low, high, Math.max(2, lane.height / (this.size * 2.4)));
      for (const value of ticks) {
        const y = lane.y(value);
        this.inner.append(el("path", { class: "grid", d: `M${this.left} ${y}h${this.plot}` }));
        const text = words ? words[value] : `${String(value).replace("-", "−")}${this.suffix(lane)}`;
        const low = Math.min(lane.top + lane.height - 2, Math.max(lane.top + this.size * 0.7, y + this.size * 0.34));
        this.text(this.left - 8, low, text, { class: "soft", "text-anchor": "end" });
      }
      for (const { t } of this.ticks) {
        this.inner.append(el("path", { class: "grid", d: `M${this.x(t)} ${lane.top}v${lane.height}` }));
      }
    }

    suffix(lane) { return lane.key === "temps" ? "°" : lane.key === "hum" ? " %" : ""; }

    title(lane) {
      const unit = lane.lines[0][this.units].unit;
      const text = unit ? `${lane.title} ${unit}` : lane.title;
      this.text(this.left, lane.top - this.size * 0.32, text, { class: "soft title" });
    }

    // The limits of the stage in force, only for the time it was worked.
    bands(lane, line) {
      if (lane.lines.find((other) => other.quantity === line.quantity) !== line) return;
      const shown = shownOf(line, this.units);
      const [fills, edges, out] = [[], [], []];
      const bottom = lane.top + lane.height;
      for (const limit of this.limitsOf(line)) {
        const [x0, x1] = [this.clip(this.x(limit.from_ms)), this.clip(this.x(this.end(limit)))];
        const upper = limit.high === null ? lane.top : lane.y(shown(limit.high));
        const lower = limit.low === null ? bottom : lane.y(shown(limit.low));
        const wide = Math.max(0.6, x1 - x0);
        fills.push(`M${x0} ${upper}h${wide}V${lower}h${-wide}z`);
        if (limit.high !== null) edges.push(`M${x0} ${upper}h${wide}`);
        if (limit.low !== null) edges.push(`M${x0} ${lower}h${wide}`);
        const held = this.wholly(limit);
        if (!held) continue;
        const [a, b] = held.map((t) => this.middle(t)).map((x, i) => x + (i ? 2 : -2));
        if (limit.high !== null) out.push(`M${a} ${lane.top}H${b}V${upper}H${a}z`);
        if (limit.low !== null) out.push(`M${a} ${lower}H${b}V${bottom}H${a}z`);
      }
      if (!fills.length) return;
      const [token, dash] = styleOf(line.quantity);
      const mark = { "data-band": line.quantity };
      const shared = new Set(lane.lines.map((l) => l.quantity)).size > 1;
      this.inner.append(el("path", { class: shared ? "band-fill shared" : "band-fill", d: fills.join(""), ...mark }));
      this.inner.append(el("path", {
        class: "band-edge", d: edges.join(""), "stroke-dasharray": dash,
        style: `stroke: var(--line-${token})`,
      }));
      const clip = el("clipPath", { id: `out-${line.quantity}` });
      clip.append(el("path", { d: out.join("") }));
      this.defs.append(clip);
    }

    // Where a line can be said to be outside a limit: over the buckets that lie wholly in the
    // time of the stage. What others hold may have happened before it or after. A stage that
    // works towards its limits (drying) is not outside them, only not there yet.
    wholly(limit) {
      const { edges_ms: edges } = this.answer;
      const [first, last] = [before(edges, limit.from_ms), before(edges, this.end(limit) + 1) - 1];
      return limit.goal || first >= last ? null : [edges[first], edges[last - 1]];
    }

    // What a band is, written where there is room; above for the first quantity, below for the next.
    bandNames(lane) {
      const quantities = [...new Set(lane.lines.map((l) => l.quantity))];
      const size = this.size * 0.84;
      let told = 0;
      for (const quantity of quantities) {
        const line = lane.lines.find((l) => l.quantity === quantity);
        const limits = this.limitsOf(line);
        if (!limits.length || told > 1) continue;
        const shown = shownOf(line, this.units);
        const edge = (v) => String(Math.round(shown(v) * 10) / 10).replace("-", "−");
        let [free, before] = [-Infinity, null];
        for (const limit of limits) {
          const { low, high } = limit;
          const span = low === null ? `≤ ${edge(high)}` : high === null ? `≥ ${edge(low)}` : `${edge(low)}–${edge(high)}`;
          const text = quantities.length > 1 ? `${line.label.replace(/ \d+$/, "")} ${span}` : span;
          const x0 = Math.max(free, this.clip(this.x(limit.from_ms)) + 6);
          const x1 = this.clip(this.x(this.end(limit)));
          const wide = widthOf(text, size);
          const same = before?.text === text && limit.from_ms - before.to_ms < 60e3;
          if (same) before.to_ms = this.end(limit);
          if (same || x1 - x0 < wide + 6) continue;
          before = { text, to_ms: this.end(limit) };
          const above = told === 0 && high !== null;
          const y = above ? lane.y(shown(high)) + size * 1.05 : lane.y(shown(low ?? high)) - 5;
          this.text(x0, Math.min(lane.top + lane.height - 4, Math.max(lane.top + size, y)), text, {
            class: "soft band-name", "font-size": size,
          });
          free = x0 + wide + 14;
        }
        told += 1;
      }
    }

    // Runs of a line without a gap, as arrays of [x, low, mean, high] in pixels.
    runs(lane, line, [a, b] = visible(line, this.from, this.to)) {
      const { factor, offset } = line[this.units];
      const [one, base] = [lane.y(1) - lane.y(0), lane.y(0)];
      const y = (value) => Math.round(10 * (base + one * (value * factor + offset))) / 10;
      const edges = this.answer.edges_ms;
      const found = [];
      let [run, e] = [[], before(edges, line.t_ms[a] ?? 0)];
      for (let i = a; i < b; i += 1) {
        if (line.mean[i] === null) {
          if (run.length) found.push(run);
          run = [];
          continue;
        }
        while (edges[e] < line.t_ms[i]) e += 1; // both rise: no search for every bucket
        const x = Math.round(5 * (this.x(edges[e]) + this.x(edges[e + 1]))) / 10;
        run.push([x, y(line.low[i]), y(line.mean[i]), y(line.high[i])]);
      }
      if (run.length) found.push(run);
      return found;
    }

    soft(lane, line) {
      line.runs = this.runs(lane, line);
      const [token] = styleOf(line.quantity);
      this.inner.append(el("path", {
        class: "soft-fill", d: areaOf(line.runs), "data-soft": line.quantity,
        style: `fill: var(--line-${token}); stroke: var(--line-${token})`,
      }));
    }

    line(lane, line) {
      const [token, dash] = styleOf(line.quantity);
      const second = lane.lines.find((l) => l.quantity === line.quantity) !== line;
      const kinds = ["mean", second ? "second" : "", STYLES[line.quantity] ? "" : "fine"];
      this.inner.append(el("path", {
        d: meanOf(line.runs), class: kinds.filter(Boolean).join(" "), "data-line": line.quantity,
        "stroke-dasharray": dash, style: `stroke: var(--line-${token})`,
      }));
      const runs = this.limitsOf(line).map((limit) => this.wholly(limit)).filter(Boolean)
        .flatMap(([from, to]) => this.runs(lane, line, placesOf(line, from, to)));
      if (!runs.length) return;
      const out = el("g", { "clip-path": `url(#out-${line.quantity})`, "data-out": line.quantity });
      out.append(el("path", { class: "out-fill", d: areaOf(runs) }));
      out.append(el("path", { class: "out-line", d: meanOf(runs) }));
      this.inner.append(out);
    }

    // Names stand beside the ends of their lines and are moved apart where they would touch.
    names(lane) {
      const ends = lane.lines.map((line) => {
        const [a, b] = visible(line, this.from, this.to);
        let place = b - 1;
        while (place >= a && line.mean[place] === null) place -= 1;
        if (place < a) return null;
        const lines = this.nameLines(line, this.cursor === null ? null : this.valueAt(line));
        return { line, lines, y: lane.y(shownOf(line, this.units)(line.mean[place])) };
      }).filter(Boolean).sort((p, q) => p.y - q.y);
      const step = this.size * 1.08;
      let least = lane.top + step * 0.5;
      for (const end of ends) {
        end.y = Math.max(end.y, least);
        least = end.y + step * end.lines.length;
      }
      let most = lane.top + lane.height - step * 0.3;
      for (const end of [...ends].reverse()) {
        end.y = Math.min(end.y, most - step * (end.lines.length - 1));
        most = end.y - step;
      }
      for (const { line, lines, y } of ends) {
        const [token] = styleOf(line.quantity);
        const text = this.text(0, 0, null, {
          class: "name", "data-name": line.quantity, style: `fill: var(--line-${token})`,
        });
        lines.forEach((part, place) => text.append(el("tspan", {
          x: this.left + this.plot + 8, y: y + this.size * 0.34 + place * step,
        }, part)));
      }
    }
  }

  window.envmon.Lanes = Lanes;
})();
