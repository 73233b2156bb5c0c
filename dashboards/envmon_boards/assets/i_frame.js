// The frame of the strip chart: where a time stands, how much room each part has.
"use strict";
(() => {
  const { el, widthOf, lanesOf, before, number, SHORT } = window.envmon.pen;

  class Frame {
    constructor(box, view) {
      Object.assign(this, view); // from, to, answer, units, cursor, select
      this.box = box;
      this.wide = box.clientWidth;
      const big = this.wide > 820;
      this.size = big ? 19 : 14;
      this.lanes = lanesOf(this.answer.lines);
      const names = this.answer.lines.flatMap((line) => this.nameLines(line, "−88.8"));
      this.left = Math.ceil(Math.max(this.size * 3.3, widthOf("unknown", this.size) + 10));
      this.right = Math.ceil(Math.max(34, ...names.map((n) => widthOf(n, this.size, 700))) + 16);
      this.plot = Math.max(40, this.wide - this.left - this.right);
      this.ribbon = big ? 46 : 44;
      this.thin = big ? 30 : 28;
      this.foot = this.size * 2.9;
      this.head = 2 * this.ribbon - 6 + this.thin + 6;
      const weight = this.lanes.reduce((sum, lane) => sum + lane.weight, 0);
      this.least = Math.ceil(this.head + this.foot + weight * (big ? 66 : 60));
      this.high = Math.max(this.least, box.clientHeight);
      this.above = this.size * 1.4; // room for a lane's title
      this.unit = (this.high - this.head - this.foot) / Math.max(weight, 1);
    }

    // A name and, with a cursor, the value there; on a phone below each other.
    nameLines(line, value = null) {
      const said = value === null ? [] : [value];
      const name = SHORT[line.quantity] ?? line.label;
      if (this.wide > 820) return [[name, ...said].join(" ")];
      if (name.length < 12) return [name, ...said];
      const words = name.split(" ");
      const half = Math.ceil(words.length / 2);
      return [words.slice(0, half).join(" "), words.slice(half).join(" "), ...said];
    }

    x(t) { return this.left + ((t - this.from) / (this.to - this.from)) * this.plot; }
    time(x) { return this.from + ((x - this.left) / this.plot) * (this.to - this.from); }
    clip(x) { return Math.min(this.left + this.plot, Math.max(this.left, x)); }
    end(mark) { return mark.to_ms ?? Math.min(this.to, Math.max(this.answer.now_ms, mark.from_ms)); }

    // Middle of the bucket that begins at t, where its value is drawn.
    middle(t) { return this.x(t + (this.endOf(t) - t) / 2); }

    endOf(t) {
      return this.answer.edges_ms[before(this.answer.edges_ms, t + 1)] ?? t + this.answer.step_s * 1000;
    }

    text(x, y, text, marks = {}) {
      const element = el("text", { x, y, ...marks }, text);
      this.svg.append(element);
      return element;
    }

    limitsOf(line) {
      return this.answer.limits.filter((limit) => limit.quantity === line.quantity &&
        limit.from_ms < this.to && this.end(limit) > this.from);
    }

    // Place of the bucket of a line that holds the cursor, or -1.
    placeAt(line, t = this.cursor) {
      const starts = line.t_ms;
      const place = before(starts, t + 1) - 1;
      if (place < 0 || line.mean[place] === null) return -1;
      // A slow sensor's last value stands until its next one, unless the line is broken there.
      const last = place === starts.length - 1 || line.mean[place + 1] === null;
      return last && this.endOf(starts[place]) <= t ? -1 : place;
    }

    valueAt(line) {
      const place = this.placeAt(line);
      return place < 0 ? "—" : number(line.mean[place], line, this.units);
    }
  }

  window.envmon.Frame = Frame;
})();
