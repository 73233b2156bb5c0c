// Hands on the chart: drag a span, pinch, wheel, tap a moment, keys.
"use strict";
(() => {
  const { board } = window.envmon;
  const { state, setWindow } = board;

  const fingers = new Map();
  let grip = null; // where a drag or pinch began

  const placeOf = (event) => {
    const box = event.currentTarget.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  };

  const inPlot = ({ x }) => {
    const { left, plot } = state.chart;
    return Math.min(left + plot, Math.max(left, x));
  };

  function down(event) {
    if (!state.chart || event.button > 0) return;
    event.currentTarget.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, placeOf(event));
    const at = [...fingers.values()].map((p) => state.chart.time(inPlot(p)));
    grip = { at, start: placeOf(event), dragged: fingers.size > 1, pinch: fingers.size > 1 };
    state.select = null;
  }

  function moved(event) {
    if (!state.chart) return;
    const place = placeOf(event);
    if (!fingers.has(event.pointerId)) {
      if (event.pointerType === "mouse" && !state.pinned) point(place);
      return;
    }
    fingers.set(event.pointerId, place);
    if (grip?.pinch && fingers.size === 2) pinch();
    else if (grip && !grip.pinch) drag(place);
  }

  function drag(place) {
    if (Math.abs(place.x - grip.start.x) < 9 && !grip.dragged) return;
    grip.dragged = true;
    state.select = [grip.at[0], state.chart.time(inPlot(place))];
    board.draw();
  }

  // The times under two fingers stay under them.
  function pinch() {
    const [a, b] = [...fingers.values()].map((p) => inPlot(p));
    const [ta, tb] = grip.at;
    if (Math.abs(a - b) < 12 || ta === tb) return;
    const per = (tb - ta) / (b - a);
    const from = ta - (a - state.chart.left) * per;
    if (per <= 0) return;
    setWindow(from, from + state.chart.plot * per);
    board.rested();
  }

  function up(event) {
    if (!fingers.delete(event.pointerId) || !grip || grip.pinch) return;
    const { dragged } = grip;
    const select = state.select;
    grip = null;
    state.select = null;
    if (event.type === "pointercancel") board.draw();
    else if (dragged && select) {
      const [from, to] = [...select].sort((p, q) => p - q);
      if (Math.abs(state.chart.x(to) - state.chart.x(from)) < 12) { board.draw(); return; }
      setWindow(from, to);
      state.cursor = null;
      board.changed();
    } else tap(placeOf(event));
  }

  function tap(place) {
    const mark = state.chart.ribbonAt(place.x, place.y);
    if (mark) {
      const [from, to] = [mark.from_ms, state.chart.end(mark)];
      const room = Math.max(5 * 60e3, 0.15 * (to - from));
      setWindow(from - room, to + room);
      board.changed();
      return;
    }
    state.pinned = true;
    point(place);
  }

  function point(place) {
    const { left, plot } = state.chart;
    const inside = place.x >= left && place.x <= left + plot;
    state.cursor = inside ? state.chart.time(place.x) : null;
    if (!inside) state.pinned = false;
    frame(board.drawCursor);
  }

  // Once a frame; of a whole drawing and a cursor asked for in one, the whole is done.
  let framed = null;

  function frame(work) {
    if (framed === null) {
      requestAnimationFrame(() => { const due = framed; framed = null; due(); });
    }
    if (framed === null || work === board.draw) framed = work;
  }

  function left(event) {
    if (event.pointerType !== "mouse" || state.pinned || state.cursor === null) return;
    state.cursor = null;
    frame(board.drawCursor);
  }

  function wheel(event) {
    if (!state.chart) return;
    event.preventDefault();
    const wide = state.to - state.from;
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      const by = (event.deltaX / state.chart.plot) * wide;
      setWindow(state.from + by, state.to + by);
    } else {
      const factor = Math.min(3, Math.max(1 / 3, 1.0018 ** event.deltaY));
      const t = state.chart.time(inPlot(placeOf(event)));
      setWindow(t - (t - state.from) * factor, t + (state.to - t) * factor);
    }
    board.rested();
  }

  function typed(event) {
    if (!state.chart || event.target.closest("input")) return;
    const moves = { "+": "closer", "-": "wider", PageUp: "earlier", PageDown: "later" };
    if (event.key === "Escape") {
      Object.assign(state, { cursor: null, pinned: false });
      board.drawCursor();
    } else if (event.target.closest("[data-chart]") && moves[event.key]) {
      board.move(moves[event.key]);
    } else if (event.target.closest("[data-chart]") && ["ArrowLeft", "ArrowRight"].includes(event.key)) {
      const by = (event.key === "ArrowLeft" ? -1 : 1) * Math.max(state.answer.step_s * 1000, (state.to - state.from) / 400);
      const at = (state.cursor ?? (event.key === "ArrowLeft" ? state.to : state.from)) + by;
      Object.assign(state, { cursor: Math.min(state.to, Math.max(state.from, at)), pinned: true });
      board.drawCursor();
    } else return;
    event.preventDefault();
  }

  function connectGrip(chart) {
    chart.addEventListener("pointerdown", down);
    chart.addEventListener("pointermove", moved);
    chart.addEventListener("pointerup", up);
    chart.addEventListener("pointercancel", up);
    chart.addEventListener("pointerleave", left);
    chart.addEventListener("wheel", wheel, { passive: false });
    document.addEventListener("keydown", typed);
  }

  Object.assign(board, { connectGrip, frame, held: () => fingers.size > 0 });
})();
