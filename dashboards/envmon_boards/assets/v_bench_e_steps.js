// The steps of a job: start, finish, go back, skip; what hinders a start, and the cure.
"use strict";
(() => {
  const { make, timeOfDay, setShape, kindOf, WORDS, lengthText } = window.envmon;
  const { keep, text, sub, actButton, setAct, isWaiting, ask, act, minutesText } = window.envmon.bench;
  const STATUS = { todo: ["none", "to do"], active: ["low", "now"], done: ["fit", "done"],
    skipped: ["none", "skipped"] };
  const WHY = ["the sheet allows it", "measured by hand", "the customer wants it so"];

  function stateWord(step, stage) {
    const [, word] = STATUS[step.status];
    if (step.status === "active") return `now, since ${timeOfDay(step.started_at)}`;
    if (step.status === "done") return `${timeOfDay(step.started_at)}–${timeOfDay(step.ended_at)}`;
    if (step.status === "skipped") return `skipped: ${step.skip_reason}`;
    return stage ? `${word} · ${WORDS[kindOf(stage)].toLowerCase()} now` : word;
  }

  function actsOf(step, job) {
    const to = { step: String(step.index) };
    if (step.status === "active") return [["finish", { act: "finish", ...to }]];
    const begun = step.status !== "todo" || job.steps.some((s) => s.index > step.index && s.status !== "todo");
    const start = [begun ? "go back" : "start", { act: begun ? "back" : "start", ...to }];
    return step.status === "todo" ? [start, ["skip", { act: "skip", ...to }]] : [start];
  }

  function drawStep(row, step, { job, bay, able }) {
    const stage = bay?.stages.find((one) => one.id === step.stage);
    const kind = step.status === "todo" && stage ? kindOf(stage) : STATUS[step.status][0];
    row.dataset.status = step.status;
    row.dataset.rowStep = String(step.index);
    row.dataset.kind = step.status === "skipped" ? "none" : kind;
    row.classList.toggle("following", job.following === step.index);
    setShape(sub(row, "span", "mark"), kind);
    text(sub(row, "span", "name"), `${step.index + 1}. ${step.name}`);
    text(sub(row, "span", "word"), [stateWord(step, stage), step.product].filter(Boolean).join(" · "));
    const place = `step ${step.index}`;
    const acts = actsOf(step, job);
    const box = sub(row, "div", "acts");
    box.classList.toggle("many", acts.length > 1);
    keep(box, acts, ([, data]) => data.act, () => actButton("small"),
      (button, [words, data]) => {
        setAct(button, words, { ...data, place }, { off: !able || isWaiting(place) });
        button.setAttribute("aria-label", `${step.name}: ${words}`);
        const proposed = job.next.step === step.index && !job.next.panel;
        button.classList.toggle("main", proposed && ["start", "finish"].includes(data.act));
        button.classList.toggle("quiet", ["back", "skip"].includes(data.act));
      });
    const against = `started against: ${step.against.join("; ")}. Reason: ${step.reason}`;
    text(sub(row, "p", "outside"), step.against.length ? against : "");
    sub(row, "p", "bench-said").dataset.said = place;
  }

  function drawSteps(box, job, view) {
    box.hidden = !job;
    if (!job) return;
    text(sub(box, "h2", "title"), "Steps");
    text(sub(box, "p", "count"), job.procedure);
    keep(sub(box, "div", "step-list"), job.steps, (step) => step.index, () => make("div", "step-row", ""),
      (row, step) => drawStep(row, step, { ...view, job }));
  }

  // Until when it lasts by itself, counted on in the browser.
  function untilText(hindrance, now) {
    if (!hindrance.until || now === null) return "";
    const left = (Date.parse(hindrance.until) - now) / 1000;
    return left > 0 ? `${minutesText(left)} to go` : "over now";
  }

  function drawHindrances(box, job, { now }) {
    // While panels are worked the next step is far off.
    const step = job?.next.panel ? null : job?.steps[job.following];
    const shown = step ? job.hindrances : [];
    box.hidden = !step || (job.current !== null && !shown.length);
    if (box.hidden) return;
    box.className = "hindrances";
    box.dataset.kind = shown.length ? "notyet" : "fit";
    setShape(sub(box, "span", "mark"), shown.length ? "notyet" : "fit");
    text(sub(box, "h3", "title"), shown.length ? `Before ${step.name}` : `${step.name} may start`);
    keep(sub(box, "ul", "list"), shown, (one) => one.kind + one.text, () => make("li", "", ""),
      (line, one) => text(line, [one.text, untilText(one, now)].filter(Boolean).join(" · ")));
  }

  function drawMilestone(row, mark) {
    const share = mark.need_s > 0 ? 1 - mark.left_s / mark.need_s : 1;
    row.dataset.kind = mark.left_s > 0 ? "notyet" : "fit";
    setShape(sub(row, "span", "mark"), mark.left_s > 0 ? "notyet" : "fit");
    text(sub(row, "span", "name"), mark.name);
    const at = mark.at ? ` · ${timeOfDay(mark.at)}` : "";
    text(sub(row, "span", "word"), mark.left_s > 0 ? `in ${lengthText(mark.left_s)}${at}` : "reached");
    const bar = sub(row, "progress", "bar");
    bar.max = 1;
    bar.value = Math.min(1, Math.max(0, share));
    bar.setAttribute("aria-label", mark.name);
    row.title = mark.source;
  }

  function drawCure(box, cure) {
    box.hidden = !cure;
    if (!cure) return;
    box.className = "cure";
    box.dataset.kind = cure.window;
    setShape(sub(box, "span", "mark"), cure.window);
    text(sub(box, "h3", "title"), `Cure ${WORDS[cure.window]}`);
    const spans = [[cure.inside_s, "in window"], [cure.outside_s, "outside"], [cure.unknown_s, "not known"]];
    const told = spans.filter(([span]) => span > 0).map(([span, word]) => `${lengthText(span)} ${word}`);
    const since = `${lengthText(cure.clock_s)} since ${timeOfDay(cure.since)}`;
    text(sub(box, "p", "cure-spans"), [since, ...told].join(" · "));
    keep(sub(box, "div", "marks"), cure.milestones, (mark) => mark.name, () => make("div", "milestone", ""),
      drawMilestone);
    text(sub(box, "p", "held"), cure.text);
  }

  // What hinders an act is overridden with a reason only.
  function askReason(place, body, hindrances, name = "") {
    const what = { start: "Start", finish: "Finish", close: "Close" }[body.act] ?? "Go on";
    ask({
      title: [what, name, "all the same?"].filter(Boolean).join(" "), lines: hindrances.map((one) => one.text),
      fields: [{ name: "reason", label: "why (goes into the record)", least: 3, choices: WHY }],
      go: `${what.toLowerCase()} all the same`, done: ({ reason }) => act(place, { ...body, reason }),
    });
  }

  function start(place, step, job) {
    const body = { act: "start", job: job.job, step, seen: job.steps[step].status };
    if (step === job.following && job.hindrances.length) {
      askReason(place, body, job.hindrances, job.steps[step].name);
    } else act(place, body);
  }

  function goBack(place, step, job) {
    const after = job.steps.filter((one) => one.index > step && one.status !== "todo");
    const lines = after.map((one) => `${one.name} is to be done again`);
    const coated = job.panels.some((panel) => panel.applied_at);
    const strips = after.some((one) => one.stage === "coating") && coated;
    if (strips) {
      lines.push("the panels' marks and the cure are taken away: what stands on the paint must come off");
    }
    ask({
      title: `Go back to ${job.steps[step].name}?`, lines, go: "go back",
      done: () => start(place, step, job),
    });
  }

  function skip(place, step, job) {
    ask({
      title: `Skip ${job.steps[step].name}?`,
      fields: [{ name: "reason", label: "why (goes into the record)", least: 3,
        choices: ["not needed on this vehicle", "done already", "the customer does not want it"] }],
      go: "skip it", done: ({ reason }) => act(place, { act: "skip", job: job.job, step, reason }),
    });
  }

  Object.assign(window.envmon.bench, {
    drawSteps, drawHindrances, drawCure, askReason, start, goBack, skip,
  });
})();
