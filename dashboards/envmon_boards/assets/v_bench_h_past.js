// The jobs there were in a bay: their records, and erasing what a vehicle is called.
"use strict";
(() => {
  const { make, ask: fetchJson, timeOfDay, settings } = window.envmon;
  const { keep, text, sub, setAct, act, say, ask } = window.envmon.bench;
  const MOST = 8;
  const vehicle = { job: "", words: "" };
  let list = null; // null: not asked for
  let asOf = ""; // which jobs the list knows of

  // What the vehicle in the bay is called; it is no part of the live state, which many can hear.
  function vehicleOf(job) {
    if (!job) return "";
    if (vehicle.job === job.job) return vehicle.words;
    Object.assign(vehicle, { job: job.job, words: "" });
    fetchJson(`/api/v1/jobs/${encodeURIComponent(job.job)}`).then((told) => {
      if (vehicle.job === told.id) vehicle.words = told.reference ?? "";
    }).catch(() => { vehicle.job = ""; });
    return "";
  }

  const day = (moment) => new Intl.DateTimeFormat("en-GB", {
    timeZone: settings().tz, weekday: "short", day: "numeric", month: "short",
  }).format(new Date(moment));

  function link(words, address) {
    const element = make("a", "wide-link", words);
    element.href = address;
    return element;
  }

  function drawJob(row, job, able) {
    const until = job.closed_at ? `closed ${day(job.closed_at)} ${timeOfDay(job.closed_at)}` : "open";
    text(sub(row, "b", "name"), `${job.job} · ${job.procedure}${job.body ? ` · ${job.body}` : ""}`);
    text(sub(row, "p", "word"), `opened ${day(job.opened_at)} ${timeOfDay(job.opened_at)} · ${until}`);
    const box = sub(row, "div", "links");
    const base = `/api/v1/jobs/${encodeURIComponent(job.job)}/record`;
    if (!box.children.length) box.append(link("record", `${base}.html`), link("PDF", `${base}.pdf`));
    const erase = sub(box, "button", "erase bench-button quiet");
    const data = { act: "erase", of: job.job, place: `job ${job.job}` };
    setAct(erase, job.erased ? "reference erased" : "erase reference …", data, { off: !able || job.erased });
    sub(row, "p", "bench-said").dataset.said = `job ${job.job}`;
  }

  function drawPast(box, known, able) {
    const open = list !== null;
    if (open && asOf !== known) load();
    asOf = known;
    setAct(sub(box, "button", "past bench-button small"), open ? "hide the jobs" : "jobs of this bay …",
      { act: "jobs", place: "jobs" });
    sub(box, "p", "bench-said").dataset.said = "jobs";
    keep(sub(box, "div", "past-list"), list ?? [], (job) => job.job, () => make("div", "past-job", ""),
      (row, job) => drawJob(row, job, able));
  }

  async function load() {
    const bay = document.querySelector("[data-bench]").dataset.bench;
    try {
      const { jobs } = await fetchJson("/api/v1/jobs");
      list = jobs.filter((job) => job.bay === bay).slice(0, MOST);
      if (!list.length) say("jobs", "there was none yet", "good");
    } catch (error) {
      list = null;
      say("jobs", `cannot be had now: ${error.message}`, "bad");
    }
    window.envmon.show();
  }

  function toggle() {
    if (list === null) {
      load();
      return;
    }
    list = null;
    window.envmon.show();
  }

  function askErase(job) {
    ask({
      title: `Erase what the vehicle of job ${job} is called?`,
      lines: ["It cannot be brought back. The record stays, and its proof holds."],
      go: "erase it",
      done: async () => {
        const answer = await act(`job ${job}`, {}, `/api/v1/jobs/${encodeURIComponent(job)}/erase`);
        if (!answer?.ok) return;
        vehicle.job = "";
        load();
      },
    });
  }

  Object.assign(window.envmon.bench, { vehicleOf, drawPast, toggle, askErase });
})();
