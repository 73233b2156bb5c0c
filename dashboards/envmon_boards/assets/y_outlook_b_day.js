// The day on the bench: what is foreseen of the next stage, advice, and the plan of the steps left.
"use strict";
(() => {
  const { make, since, stamp, timeOfDay, ask } = window.envmon;
  const { keep, text, sub } = window.envmon.bench;
  const EVERY_S = 5;
  const TITLES = { in_time: "fit", maybe_late: "marginal", late: "unfit", unknown: "unknown" };
  let plan = null; // the newest answer, with what was asked for
  let asked = null;
  let asking = false;

  // The plan comes from the server, which has the words; anew every few seconds.
  async function fetchPlan(bay, by) {
    const due = !asked || asked.bay !== bay || asked.by !== by || since(asked.at) > EVERY_S;
    if (!due || asking) return;
    asked = { bay, by, at: stamp() };
    asking = true;
    try {
      const answer = await ask(`/api/v1/bays/${bay}/plan${by ? `?by=${encodeURIComponent(by)}` : ""}`);
      plan = { bay, by, answer, at: stamp() };
    } catch (error) {
      plan = { bay, by, answer: null, error: error.message, at: stamp() };
    } finally {
      asking = false;
    }
  }

  function wished(box, root) {
    const label = sub(box, "label", "day-by");
    text(sub(label, "span", "what"), "hand over by");
    const input = sub(label, "input", "entry");
    if (input.type !== "time") {
      input.type = "time";
      input.addEventListener("change", () => {
        asked = null;
        fetchPlan(root.dataset.bench, input.value).then(() => window.envmon.show());
      });
    }
    return input.value;
  }

  function latestText(latest, now) {
    if (!latest) return "";
    return Date.parse(latest) < now ? "too late for it already" : `at the latest ${timeOfDay(latest)}`;
  }

  function drawSteps(box, steps, now) {
    keep(sub(box, "div", "day-steps"), steps, (one) => one.step.index, () => make("div", "day-step", ""),
      (row, one) => {
        row.dataset.status = one.step.status;
        text(sub(row, "b", "name"), one.step.name);
        text(sub(row, "span", "word"), one.text);
        text(sub(row, "small", "latest"), one.step.status === "todo" ? latestText(one.latest, now) : "");
      });
  }

  // The next stage that has to wait for its air, or the one worked.
  function aboutText(outlook) {
    const { guessing } = outlook;
    const about = window.envmon.outlookSaid(outlook);
    if (!about) return "";
    const rest = about.turns === "enters" && about.settle_min
      ? `, then ${Math.round(about.settle_min)} min to settle` : "";
    const hand = about.not_foreseen.length ? `; not foreseen: ${about.not_foreseen.join(", ")}` : "";
    return `${about.name}: ${about.text}${rest}${hand}${guessing ? " (a guess still)" : ""}`;
  }

  window.envmon.showDay = (page, benchOf) => {
    const root = page.querySelector("[data-bench]");
    const box = root?.querySelector('[data-part="day"]');
    if (!box) return;
    const outlook = window.envmon.outlookNow(root.dataset.bench);
    const view = benchOf(root.dataset.bench);
    box.hidden = !outlook || !view.job || view.now === null;
    if (box.hidden) {
      plan = null;
      return;
    }
    const panels = view.job.job?.panels ?? [];
    const busy = panels.some((panel) => ["flashing", "due", "overdue"].includes(panel.phase));
    box.dataset.short = busy ? "yes" : "no";
    text(sub(box, "h2", "title"), "The day");
    const usual = outlook.of_job ? "by this shop's usual times" : "were the usual procedure begun now";
    const outdoor = outlook.outdoor?.by === "forecast" ? `; ${outlook.outdoor.text}` : "";
    text(sub(box, "p", "count"), usual + outdoor);
    text(sub(box, "p", "day-about"), aboutText(outlook));
    const advice = [...(outlook.morning ? [outlook.morning.text] : []), ...outlook.advice];
    keep(sub(box, "ul", "day-advice"), advice, (_, place) => place, () => make("li", "", ""), text);
    const by = wished(box, root);
    fetchPlan(root.dataset.bench, by);
    const known = plan?.bay === root.dataset.bench && plan.by === by ? plan : null;
    const said = sub(box, "p", "day-said");
    said.dataset.kind = TITLES[known?.answer?.verdict] ?? "none";
    text(said, known?.answer?.text ?? known?.error ?? "");
    drawSteps(box, known?.answer?.steps ?? [], view.now);
  };
})();
