// The strip chart: ribbons, a lane per kind of quantity, one time axis, the cursor.
"use strict";
(() => {
  const { el, widthOf, fitted, styleOf, shownOf } = window.envmon.pen;
  const { times, Ribbons } = window.envmon;

  class Strip extends Ribbons {
    draw() {
      const svg = el("svg", {
        width: this.wide, height: this.high, viewBox: `0 0 ${this.wide} ${this.high}`,
        "font-size": this.size, class: "strip",
      });
      this.svg = svg;
      this.defs = el("defs");
      svg.append(this.defs);
      this.hatch();
      this.frame();
      const { ticks, below } = times.axis(
        this.from, this.to, this.answer.zone, Math.max(2, this.plot / (this.size * 4.6)));
      this.ticks = ticks;
      let top = this.head;
      for (const lane of this.lanes) {
        const height = lane.weight * this.unit;
        this.lane(lane, top + this.above, height - this.above);
        top += height;
      }
      this.bottom = top;
      this.axis(below);
      this.stages();
      this.alarms();
      this.clockMarks();
      this.drawCursor();
      if (this.select) this.drawSelect();
      this.box.replaceChildren(svg);
      return this;
    }

    hatch() {
      for (const [id, token] of [["out", "--unfit"], ["unknown", "--unknown"]]) {
        const pattern = el("pattern", {
          id: `hatch-${id}`, width: 7, height: 7, patternUnits: "userSpaceOnUse",
          patternTransform: "rotate(45)",
        });
        pattern.append(el("rect", { width: 3, height: 7, style: `fill: var(${token})` }));
        this.defs.append(pattern);
      }
      const inside = el("clipPath", { id: "inside" });
      inside.append(el("rect", { x: this.left, y: 0, width: this.plot, height: this.high }));
      this.defs.append(inside);
    }

    frame() {
      const plot = el("g", { "clip-path": "url(#inside)" });
      this.svg.append(plot);
      this.inner = plot;
    }

    axis(below) {
      const y = this.bottom;
      let free = -Infinity;
      for (const { t, text } of this.ticks) {
        const wide = widthOf(text, this.size);
        const x = Math.min(Math.max(this.x(t), this.left + wide / 2), this.wide - wide / 2 - 4);
        this.svg.append(el("path", { class: "tick", d: `M${this.x(t)} ${y}v6` }));
        if (x - wide / 2 < free) continue;
        this.text(x, y + this.size * 1.3, text, { "text-anchor": "middle", class: "tick-text", "data-t": t });
        free = x + wide / 2 + 8;
      }
      for (const { from, to, text, whole } of below) {
        const x = this.x(from);
        if (whole) {
          const top = this.head;
          this.inner.append(el("path", { class: "day-edge", d: `M${x} ${top}V${this.high}` }));
        }
        const said = fitted(text, this.size, this.x(to) - x - 10);
        this.text(x + 6, y + this.size * 2.5, said, { class: "soft below" });
      }
    }

    drawCursor() {
      if (this.cursor === null || this.cursor < this.from || this.cursor > this.to) return;
      const x = this.x(this.cursor);
      const g = el("g", { class: "cursor", "clip-path": "url(#inside)" });
      g.append(el("path", { d: `M${x} 0V${this.bottom}` }));
      for (const lane of this.lanes) {
        for (const line of lane.lines) {
          const place = this.placeAt(line);
          if (place < 0) continue;
          const y = lane.y(shownOf(line, this.units)(line.mean[place]));
          const [token] = styleOf(line.quantity);
          g.append(el("circle", { cx: this.middle(line.t_ms[place]), cy: y, r: 6, style: `fill: var(--line-${token})` }));
        }
      }
      this.svg.append(g);
      const wideSpan = this.to - this.from > 3 * times.DAY;
      const said = wideSpan ? times.day(this.cursor, this.answer.zone)
        : times.clock(this.cursor, this.answer.zone, this.to - this.from < 1800e3);
      const wide = widthOf(said, this.size, 700) + 14;
      const at = Math.min(Math.max(x - wide / 2, this.left), this.left + this.plot - wide);
      const tag = { x: at, y: this.bottom + 2, width: wide, height: this.size * 1.6 };
      this.svg.append(el("rect", { class: "cursor-tag", ...tag }));
      this.text(at + 7, this.bottom + 2 + this.size * 1.16, said, { class: "cursor-time" });
    }

    // Only what a cursor changes: itself and the values behind the names.
    moveCursor(t) {
      this.cursor = t;
      for (const old of this.svg.querySelectorAll(".cursor, .cursor-tag, .cursor-time, .name")) {
        old.remove();
      }
      for (const lane of this.lanes) this.names(lane);
      this.drawCursor();
    }

    drawSelect() {
      const [a, b] = this.select.map((t) => this.clip(this.x(t))).sort((p, q) => p - q);
      this.svg.append(el("rect", {
        class: "select", x: a, y: this.head, width: b - a, height: this.bottom - this.head,
      }));
    }
  }

  window.envmon.Strip = Strip;
})();
