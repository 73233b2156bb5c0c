// The ribbons above the lanes: stages, alarms with shape and word, times of unknown.
"use strict";
(() => {
  const { el, shapeOf, widthOf, fitted, ALARM_WORDS } = window.envmon.pen;
  const { Lanes } = window.envmon;
  const kindOf = (mark) => (mark.what === "unknown" ? "unknown" : "window");
  const LEAST = 9; // px between the marks of two alarms

  class Ribbons extends Lanes {
    ribbonName(text, y, height) {
      this.text(this.left - 8, y + height / 2 + this.size * 0.34, text, {
        class: "soft", "text-anchor": "end",
      });
    }

    stages() {
      const [y, height] = [2, this.ribbon - 8];
      this.ribbonName("stage", y, height);
      this.inner.append(el("rect", { class: "ribbon", x: this.left, y, width: this.plot, height }));
      let narrow = "";
      for (const mark of this.answer.stages) {
        const [x0, x1] = [this.clip(this.x(mark.from_ms)), this.clip(this.x(this.end(mark)))];
        if (this.end(mark) <= this.from || mark.from_ms >= this.to) continue;
        const wide = Math.max(1, x1 - x0 - 1);
        if (wide < 5) {
          narrow += `M${x0} ${y}h${wide}v${height}h${-wide}z`;
          continue;
        }
        this.inner.append(el("rect", {
          class: "stage-block", x: x0, y, width: wide, height, "data-stage": mark.stage,
        }));
        const said = fitted(mark.name, this.size, wide - 12);
        if (said) {
          this.inner.append(el("text", {
            x: x0 + 7, y: y + height / 2 + this.size * 0.34, class: "stage-name",
          }, said));
        }
      }
      if (narrow) this.inner.append(el("path", { class: "stage-block", d: narrow }));
    }

    // Alarms nearer than a finger's width become one mark that says how many they are.
    clusters(marks, height) {
      const found = [];
      const right = this.left + this.plot;
      const need = (count) => height + (count > 1 ? widthOf(`×${count}`, this.size, 700) + 8 : 0);
      for (const mark of marks) {
        if (this.end(mark) < this.from || mark.from_ms > this.to) continue;
        const [x0, x1] = [this.clip(this.x(mark.from_ms)), this.clip(this.x(this.end(mark)))];
        const begin = Math.min(x0, right - need(mark.count));
        const last = found.at(-1);
        if (last && begin - Math.max(last.x1, last.x0 + need(last.count)) < LEAST) {
          last.x1 = Math.max(last.x1, x1);
          last.count += mark.count;
        } else {
          found.push({ x0, x1, count: mark.count });
        }
      }
      for (const mark of found) {
        mark.wide = Math.max(need(mark.count), mark.x1 - mark.x0);
        mark.x = Math.max(this.left, Math.min(mark.x0, right - mark.wide));
      }
      return found;
    }

    alarms() {
      // Whatever else an alarm may be about stands with those out of the window.
      const row = (what) => this.answer.alarms.filter((mark) => kindOf(mark) === what);
      const [y, height] = [this.ribbon - 2, this.ribbon - 12];
      this.ribbonName("alarm", y, height);
      this.inner.append(el("rect", { class: "ribbon", x: this.left, y, width: this.plot, height }));
      this.alarmMarks("window", "unfit", row("window"), y, height);
      const y2 = y + height + 4;
      this.ribbonName("unknown", y2, this.thin);
      this.inner.append(el("rect", {
        class: "ribbon", x: this.left, y: y2, width: this.plot, height: this.thin,
      }));
      let d = "";
      for (const mark of this.answer.unknown) {
        const [x0, x1] = [this.clip(this.x(mark.from_ms)), this.clip(this.x(this.end(mark)))];
        if (x1 > this.left && x0 < this.left + this.plot) {
          d += `M${x0} ${y2}h${Math.max(2, x1 - x0)}v${this.thin}h${-Math.max(2, x1 - x0)}z`;
        }
      }
      if (d) this.inner.append(el("path", { class: "unknown-time", d }));
      this.alarmMarks("unknown", "unknown", row("unknown"), y2, this.thin);
    }

    alarmMarks(what, kind, marks, y, height) {
      for (const { x, wide, count } of this.clusters(marks, height)) {
        const g = el("g", { class: `alarm-mark ${what}`, "data-alarm": what, "data-kind": kind });
        g.append(el("rect", { class: "alarm-block", x, y, width: wide, height }));
        const icon = shapeOf(kind);
        const [size, inset] = [height - 8, 4];
        const box = { x: x + inset, y: y + inset, width: size, height: size };
        for (const [key, value] of Object.entries(box)) icon.setAttribute(key, value);
        g.append(icon);
        const times = count > 1 ? `×${count}` : "";
        const words = [`${ALARM_WORDS[what] ?? what} ${times}`, `ALARM ${times}`, times];
        const word = words.find((w) => widthOf(w, this.size, 700) <= wide - height - 4) ?? "";
        g.append(el("text", {
          x: x + height, y: y + height / 2 + this.size * 0.34, class: "alarm-word",
        }, word));
        this.inner.append(g);
      }
    }

    clockMarks() {
      for (const mark of this.answer.clock_set_back) {
        const x = this.x(mark.at_ms);
        if (x < this.left || x > this.left + this.plot) continue;
        this.inner.append(el("path", { class: "clock-mark", d: `M${x} ${this.head - 4}V${this.bottom}` }));
        const text = "clock set back";
        const wide = widthOf(text, this.size * 0.84);
        const right = x + wide + 12 > this.left + this.plot;
        this.text(x + (right ? -6 : 6), this.bottom - 6, text, {
          class: "clock-word", "font-size": this.size * 0.84, "text-anchor": right ? "end" : "start",
        });
      }
    }

    // What stands at a place of the ribbons: a stage or a cluster of alarms, as a span to zoom to.
    ribbonAt(x, y) {
      if (y >= this.head || x < this.left || x > this.left + this.plot) return null;
      const t = this.time(x);
      if (y < this.ribbon - 4) {
        return this.answer.stages.find((m) => m.from_ms <= t && this.end(m) >= t) ?? null;
      }
      const what = y < this.ribbon - 2 + this.ribbon - 10 ? "window" : "unknown";
      const marks = this.answer.alarms.filter((m) => kindOf(m) === what);
      const near = this.time(x + this.thin) - t;
      const hits = marks.filter((m) => m.from_ms - near / 2 <= t && this.end(m) + near >= t);
      if (!hits.length) return null;
      return {
        from_ms: Math.min(...hits.map((m) => m.from_ms)),
        to_ms: Math.max(...hits.map((m) => this.end(m))),
      };
    }
  }

  window.envmon.Ribbons = Ribbons;
})();
