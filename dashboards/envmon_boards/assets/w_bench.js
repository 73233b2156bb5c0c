// The bench of one bay: draws its job; while nothing is heard, the job as it was last, said to be old.
"use strict";
(() => {
  const { put, make, timeOfDay, setShape, kindOf, WORDS, lengthText, isOpen, isUnseen, headOf, partsOf, byUrgency } =
    window.envmon;
  const bench = window.envmon.bench;
  const { keep, text, sub, actButton, setAct, minutesText, clockOf, isWaiting, act } = bench;
  const SHOWN = [["air_temp_c", "air"], ["rel_hum_pct", "humidity"], ["panel_temp_c", "panel"],
    ["dew_margin_k", "above dew point"]];
  let last = null; // the job as it is drawn now

  const part = (root, name) => root.querySelector(`[data-part="${name}"]`);

  function drawHead(root, job, bay) {
    const named = job ? [`job ${job.job}`, job.procedure, job.body] : ["no job"];
    put(root, "job", named.filter(Boolean).join(" · "));
    const vehicle = bench.vehicleOf(job);
    const opened = job ? `opened ${timeOfDay(job.opened_at)}` : "";
    put(root, "vehicle", [vehicle, opened].filter(Boolean).join(" · "));
    const stage = bay?.stages.find((one) => one.id === bay.stage);
    const kind = bay ? (stage ? kindOf(stage) : "none") : "silent";
    root.querySelector(".bench-now").dataset.kind = kind;
    setShape(root.querySelector('.bench-now [data-f="shape"]'), kind);
    // Without the bay's air the job still knows what is worked.
    const step = bay ? null : job?.steps[job.current];
    put(root, "stage", stage?.name ?? step?.name ?? "no stage");
    put(root, "verdict", bay && !stage ? "" : WORDS[kind]);
    const numbers = SHOWN.map(([name, what]) => [what, bay?.conditions[name]?.text ?? "—"]);
    keep(root.querySelector('[data-f="numbers"]'), numbers, ([what]) => what, () => make("span", "fact", ""),
      (box, [what, value]) => {
        text(sub(box, "small", "what"), what);
        text(sub(box, "b", "value"), value);
      });
    const reasons = (stage?.reasons ?? []).filter((reason) => reason.fitness !== "fit");
    const bad = reasons.map((reason) => reason.text);
    const why = bay ? bad : ["the bay's air is not heard"];
    keep(part(root, "why"), why, (one) => one, () => make("li", "", ""), text);
    keep(part(root, "cautions"), stage?.cautions ?? [], (one) => one, () => make("li", "", ""), text);
  }

  function drawAlarms(root, view) {
    const bay = root.dataset.bench;
    const shown = view.live ? view.list.filter((one) => one.bay === bay && isOpen(one)).sort(byUrgency) : [];
    keep(part(root, "alarms"), shown, (one) => one.id, () => make("div", "bench-alarm", ""), (row, alarm) => {
      const [head, rest] = partsOf(alarm);
      row.dataset.priority = alarm.priority;
      row.dataset.loud = isUnseen(alarm) ? "loud" : "calm";
      row.setAttribute("role", "alert");
      setShape(sub(row, "span", "mark"), alarm.priority);
      text(sub(row, "b", "name"), `${headOf(alarm)}: ${head}`);
      text(sub(row, "span", "word"), [rest, alarm.do].filter(Boolean).join(" · "));
      const button = sub(row, "button", "bench-button ack-button");
      button.hidden = !isUnseen(alarm);
      if (button.dataset.alarmId !== alarm.id) {
        Object.assign(button.dataset, { act: "acknowledge", alarmId: alarm.id });
        button.textContent = "acknowledge";
      }
    });
    window.envmon.labelAcks(part(root, "alarms"));
  }

  // The next best act as buttons: most are one; an inspection has two ends; waiting has none.
  function buttonsOf(job, now) {
    const { act: what, panel, step, at } = job.next;
    const to = panel ? { panel } : Number.isInteger(step) ? { step: String(step) } : {};
    const left = at && now !== null ? (Date.parse(at) - now) / 1000 : 0;
    const clock = left > 0 ? minutesText(left) : "";
    if (what === "none") return [];
    if (what === "wait") {
      const waits = { data: { next: "wait" }, words: job.next.text, clock, off: true };
      const hindered = !panel && step === job.following && job.hindrances.length > 0;
      const start = { data: { act: "start", step: String(step), next: "start" },
        words: "start all the same …", clock: "", against: 1 };
      return hindered ? [waits, start] : [waits];
    }
    if (what === "inspect") {
      return [["clean", `${job.next.text}: clean`], ["high_spot", "high spot"]].map(([result, words]) =>
        ({ data: { act: what, ...to, result, next: what }, words, clock: "" }));
    }
    return [{ data: { act: what, ...to, next: what }, words: job.next.text, clock }];
  }

  function drawNext(root, job, { now, able }) {
    const box = part(root, "next");
    box.dataset.urgent = job.next.urgent ? "yes" : "no";
    keep(box, buttonsOf(job, now), (_, place) => place, () => actButton("next"), (button, one) => {
      const words = sub(button, "span", "next-words");
      const clock = sub(button, "span", "next-clock");
      const inside = [words, clock];
      setActInside(button, inside, [one.words, one.clock], { ...one.data, place: "next" },
        { off: one.off || !able || isWaiting("next") });
      button.classList.toggle("against", Boolean(one.against));
      const panel = job.panels.find((other) => other.id === job.next.panel);
      const late = one.data.act === "level" && panel && clockOf(panel, now).phase === "overdue";
      button.classList.toggle("urgent", one.data.act === "level" && job.next.urgent && !late);
      button.classList.toggle("late", Boolean(late));
    });
    const undo = root.querySelector(".bench-undo");
    undo.disabled = false;
    const data = job.undo ? { act: "undo", seq: String(job.undo.seq), place: "next" } : { act: "undo" };
    setActInside(undo, [sub(undo, "span", "undo-word"), sub(undo, "small", "undo-what")],
      ["undo", job.undo?.text ?? ""], data, { off: !job.undo || !able || isWaiting("next") });
  }

  // As setAct, for a button that holds more than one text.
  function setActInside(button, boxes, words, data, state) {
    for (const node of [...button.childNodes]) if (node.nodeType === Node.TEXT_NODE) node.remove();
    const shown = boxes.map((box, place) => [box, words[place]]);
    setAct(button, null, data, state);
    for (const [box, said] of shown) text(box, said);
  }

  // What the foot switch or another device was refused is said here, as long as it is news.
  function refusedText(state, now) {
    if (!state.refused || !state.refused_at || now === null || bench.wasOwn(state.refused)) return "";
    return now - Date.parse(state.refused_at) < 30_000 ? `refused: ${state.refused}` : "";
  }

  const whyOf = (trouble) => trouble || "nothing is heard of this bay's job";

  // What is shown and of when, while no act is taken.
  function silentText(view, trouble) {
    if (view.able) return "";
    const { kept, counted } = view;
    if (!kept || counted === null) return `${whyOf(trouble)}.`;
    const age = Math.max(0, counted - Date.parse(kept.at)) / 1000;
    const old = age >= 60 ? `${lengthText(age)} old, ` : "";
    return `Not live: ${old}as of ${timeOfDay(kept.at)}. ${whyOf(trouble)}.`;
  }

  function dockText(view, trouble) {
    if (view.able) return refusedText(view.job, view.now);
    return `Not live: ${whyOf(trouble)}. Nothing is taken until it is back; clocks run on.`;
  }

  function blank(root) {
    root.querySelector(".bench-columns").hidden = true;
    root.querySelector(".bench-dock").hidden = true;
    put(root, "job", "");
    put(root, "vehicle", "");
    last = null;
  }

  // ``shown``: what is published of the bay's work, now or as it was last.
  function draw(root, { shown, ...view }, alarms, shop) {
    const { job } = shown;
    last = job;
    bench.hear(job);
    root.dataset.job = job ? "yes" : "no";
    root.querySelector(".bench-columns").hidden = false;
    root.querySelector(".bench-dock").hidden = !job;
    drawHead(root, job, view.bay);
    drawAlarms(root, alarms);
    bench.drawHindrances(part(root, "hindrances"), job, view);
    bench.drawCure(part(root, "cure"), job?.cure);
    bench.drawClocks(part(root, "clocks"), job, view);
    bench.drawPanels(part(root, "panels"), job, view);
    bench.drawSteps(part(root, "steps"), job, view);
    bench.drawOpen(part(root, "open"), part(root, "plain"), shop, { ...view, job });
    bench.drawMore(part(root, "more"), shop, { ...view, job, lastJob: shown.last_job });
    if (job) drawNext(root, job, view);
  }

  window.envmon.showBench = (page, benchOf, alarms, trouble) => {
    const root = page.querySelector("[data-bench]");
    if (!root) return;
    root.envmonShop ??= JSON.parse(root.dataset.catalogue);
    const view = benchOf(root.dataset.bench);
    const silent = silentText(view, trouble);
    put(root, "silent", silent).parentElement.hidden = !silent;
    root.dataset.live = view.able ? "yes" : "no";
    bench.away(view.able ? "" : whyOf(trouble));
    if (view.kept && view.counted !== null) {
      draw(root, { ...view, shown: view.kept, now: view.counted }, alarms, root.envmonShop);
    } else blank(root);
    put(root, "refused", dockText(view, trouble));
    bench.drawSaid(root);
  };

  // Every act names the job it is meant for.
  const send = (place, body) => act(place, { ...body, job: last.job });
  const onPanel = ({ place, act: what, panel }) => send(place, { act: what, panel });

  const ACTS = {
    level: onPanel,
    apply: onPanel,
    wipe: onPanel,
    inspect: ({ place, panel, result }) => send(place, { act: "inspect", panel, result }),
    undo: ({ place, seq }) => send(place, { act: "undo", seq: Number(seq) }),
    finish: ({ place, step }) => send(place, { act: "finish", step: Number(step) }),
    start: ({ place, step }) => bench.start(place, Number(step), last),
    back: ({ place, step }) => bench.goBack(place, Number(step), last),
    skip: ({ place, step }) => bench.skip(place, Number(step), last),
    close: () => bench.askClose(last),
    note: (_, root) => bench.addNote(root),
    in_flight: ({ place, to }) => send(place, { act: "in_flight", in_flight: Number(to) }),
    batch: ({ product, name }) => bench.askBatch(product, name),
    jobs: () => bench.toggle(),
    erase: ({ of: job }) => bench.askErase(job),
    open: (_, root) => bench.openJob(root),
    stage: ({ button }) => bench.setStage(button),
    pick: (pressed) => bench.pickOne(pressed),
    "more-flight": ({ by }) => bench.changeFlight(Number(by)),
    "panels-edit": ({ key }) => bench.edit("panels-edit", key, last),
    "panels-leave": ({ key }) => bench.edit("panels-leave", key, last),
    "panels-save": ({ key }) => bench.edit("panels-save", key, last),
    "panel-add": ({ key }) => bench.edit("panel-add", key, last),
    "panel-out": ({ key }) => bench.edit("panel-out", key, last),
    "panel-up": ({ key }) => bench.edit("panel-up", key, last),
  };

  document.addEventListener("click", (event) => {
    const pressed = bench.pressed(event);
    if (pressed) ACTS[pressed.act]?.(pressed, document.querySelector("[data-bench]"));
  });

  // Clocks run by the browser between two words of the server.
  setInterval(() => {
    if (document.querySelector("[data-bench], .job:not([hidden])")) window.envmon.show();
  }, 250);
})();
