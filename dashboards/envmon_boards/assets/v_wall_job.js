// What the wall shows of a bay's job, from six metres: the panel due next, the cure, a start.
"use strict";
(() => {
  const { put, make, timeOfDay, setShape, kindOf, WORDS, lengthText, squeeze } = window.envmon;
  const { keep, text, sub, clockOf, shapeOf, flying, minutesText } = window.envmon.bench;
  const SLACK_PX = 8; // of a line's descenders below its box
  const late = new Map(); // bay -> keys of what is overdue in it

  function ofPanels(job, now) {
    const [first, ...others] = flying(job);
    const clock = clockOf(first, now);
    const rest = others.map((panel) => {
      const one = clockOf(panel, now);
      return `${panel.name} ${one.left}`;
    });
    const count = `${job.flying} of ${job.in_flight} in flight`;
    return { phase: clock.phase, what: first.name, left: clock.left, words: clock.words,
      more: [rest.length ? `then ${rest.join(", ")}` : "", count].filter(Boolean).join(" · ") };
  }

  function ofCure(cure) {
    const ahead = cure.milestones.find((mark) => mark.left_s > 0);
    const reached = cure.milestones.filter((mark) => mark.left_s <= 0).map((mark) => mark.name);
    const out = cure.outside_s + cure.unknown_s;
    const told = [`${lengthText(cure.inside_s)} in window`, out > 0 ? `${lengthText(out)} not` : "",
      reached.length ? `reached: ${reached.join(", ")}` : "", ahead?.at ? `about ${timeOfDay(ahead.at)}` : ""];
    const share = ahead?.need_s ? 1 - ahead.left_s / ahead.need_s : 1;
    return { kind: cure.window, what: ahead ? ahead.name : "cured", share,
      left: ahead ? lengthText(ahead.left_s).replace(" min", "") : "", words: ahead ? "in" : "",
      more: told.filter(Boolean).join(" · ") };
  }

  function ofStart(job, now) {
    const step = job.steps[job.following];
    const [first, ...others] = job.hindrances;
    if (!first) return { kind: "fit", what: step.name, left: "may start", words: "", more: "" };
    const left = first.until && now ? (Date.parse(first.until) - now) / 1000 : 0;
    const end = left > 0 ? ` (${minutesText(left)})` : "";
    const more = `${first.text}${end}${others.length ? `  (+${others.length})` : ""}`;
    return { kind: "notyet", what: step.name, left: "not yet", words: "", more };
  }

  // The most pressing thing of a job; null when the stage's own verdict says all.
  function tell(job, now) {
    if (job.panels.some((panel) => ["flashing", "due", "overdue"].includes(panel.phase))) {
      return ofPanels(job, now);
    }
    if (job.cure) return ofCure(job.cure);
    if (job.current === null && job.following !== null) return ofStart(job, now);
    const worth = ["apply", "wipe", "inspect", "close"].includes(job.next.act)
      || (job.next.act === "wait" && job.next.at);
    if (!worth) return null;
    const left = job.next.at ? (Date.parse(job.next.at) - now) / 1000 : 0;
    return { kind: "none", what: job.next.text, left: left > 0 ? minutesText(left) : "", words: "", more: "" };
  }

  function drawPart(card, box, told) {
    box.hidden = !told;
    card.classList.toggle("has-job", Boolean(told));
    card.dataset.late = told?.phase === "overdue" ? "yes" : "no";
    if (!told) return;
    delete box.dataset[told.phase ? "kind" : "phase"];
    box.dataset[told.phase ? "phase" : "kind"] = told.phase ?? told.kind;
    const mark = box.querySelector('[data-f="job-mark"]');
    if (told.phase) shapeOf(mark, told.phase);
    else setShape(mark, told.kind);
    put(box, "job-left", told.left);
    put(box, "job-words", told.words);
    put(box, "job-what", told.what);
    put(box, "job-more", told.more);
    box.style.setProperty("--share", String(told.share ?? 0));
    box.classList.toggle("has-share", told.share !== undefined);
    const key = JSON.stringify([told.what, told.left.length, told.words, told.more, box.clientWidth,
      card.dataset.kind, card.dataset.loud, document.fonts?.status]);
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    const more = box.querySelector('[data-f="job-more"]');
    more.classList.remove("no-room");
    for (const name of ["job-what", "job-more"]) squeeze(box.querySelector(`[data-f="${name}"]`));
    // What is due must be whole; the small line is on the bench as well.
    more.classList.toggle("no-room", box.scrollHeight > box.clientHeight + SLACK_PX);
  }

  const WORD = { done: "done", active: "now", skipped: "skipped" };

  function drawSteps(card, job, bay) {
    const box = card.querySelector('[data-f="strip"]');
    if (box.dataset.key !== "job") {
      box.replaceChildren();
      box.dataset.key = "job";
    }
    keep(box, job.steps, (step) => step.index, () => make("span", "step", ""), (item, step) => {
      const stage = bay.stages.find((one) => one.id === step.stage);
      const kind = step.status === "done" ? "fit"
        : step.status === "skipped" || !stage ? "none" : kindOf(stage);
      item.dataset.kind = kind;
      item.dataset.status = step.status;
      item.classList.toggle("now", step.status === "active");
      setShape(sub(item, "span", "mark"), kind);
      text(sub(item, "span", "name"), step.name);
      text(sub(item, "span", "word"), WORD[step.status] ?? WORDS[kind].toLowerCase());
    });
  }

  function forget(card) {
    if (card.dataset.job !== "yes") return;
    card.dataset.job = "no";
    put(card, "step-of", "");
    const box = card.querySelector('[data-f="strip"]');
    box.dataset.key = "";
    box.replaceChildren();
    card.envmonDrawn = undefined;
  }

  window.envmon.showJob = (card, { bay, job: state, now }) => {
    const box = card.querySelector(".job");
    const job = bay && now !== null ? state?.job : null;
    late.delete(card.dataset.bay);
    if (!job) {
      forget(card);
      drawPart(card, box, null);
      return;
    }
    card.dataset.job = "yes";
    const place = job.current ?? job.following;
    put(card, "step-of", place === null ? "all steps done" : `step ${place + 1} of ${job.steps.length}`);
    drawSteps(card, job, bay);
    const told = tell(job, now);
    drawPart(card, box, told);
    if (told?.phase === "overdue") late.set(card.dataset.bay, [`${job.job} ${told.what}`]);
  };

  // What is overdue in the bays on this screen; it sounds like an alarm of medium urgency.
  window.envmon.overdueNow = () => [...late.values()].flat();
})();
