// Sends what a person does at the bench, and keeps what was said to it at the place of the act.
"use strict";
(() => {
  const { stamp, since } = window.envmon;
  const { isOff, text } = window.envmon.bench;
  const PATIENCE_MS = 8000;
  const STAYS_S = 20; // a refusal stays in sight for so long
  const said = new Map(); // place -> {text, kind, at}
  const refused = new Set(); // what this device was told at the place of its act
  let why = ""; // why nothing is taken now

  const bayId = () => document.querySelector("[data-bench]")?.dataset.bench;

  function say(place, words, kind) {
    said.set(place, { text: words, kind, at: stamp() });
    window.envmon.show();
  }

  async function post(body, address) {
    const by = (localStorage.getItem("envmon-by") ?? "").trim();
    const answer = await fetch(address ?? `/api/v1/bays/${bayId()}/acts`, {
      method: "POST", cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS),
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ ...body, ...(by ? { by } : {}) }),
    });
    window.envmon.heard?.(answer.status, true);
    return { status: answer.status, ...(await answer.json()) };
  }

  // Do an act; what comes of it is said at its place. What hinders it is overridden by a typed
  // reason only. Returns the answer, or null.
  async function act(place, body, address) {
    if (why) {
      say(place, awayText(), "bad");
      return null;
    }
    say(place, "sent …", "wait");
    let answer;
    try {
      answer = await post(body, address);
    } catch {
      say(place, "no answer: nobody knows whether it was done. Look before you press again.", "bad");
      return null;
    }
    if (answer.error) refused.add(answer.error);
    if (answer.ok) said.delete(place);
    else if (answer.kept) say(place, answer.text, "warn");
    else say(place, answer.conflict ? `not done: ${answer.error}` : answer.error, "bad");
    window.envmon.show();
    if (answer.hindrances?.length && !answer.conflict) {
      window.envmon.bench.askReason(place, body, answer.hindrances);
    }
    return answer;
  }

  // What was only kept is out of date once the job has gone on.
  let version = 0;
  function hear(job) {
    const now = job?.version ?? 0;
    if (now === version) return;
    version = now;
    for (const [place, one] of said) if (one.kind === "warn") said.delete(place);
  }

  function drawSaid(root) {
    for (const box of root.querySelectorAll("[data-said]")) {
      const one = said.get(box.dataset.said);
      const old = one && one.kind !== "wait" && since(one.at) > STAYS_S;
      if (old) said.delete(box.dataset.said);
      const shown = old ? undefined : one;
      text(box, shown?.text ?? "");
      box.dataset.kindSaid = shown?.kind ?? "";
    }
  }

  const isWaiting = (place) => said.get(place)?.kind === "wait";

  const away = (words) => { why = words; };
  const awayText = () => (why ? `not taken: ${why}. Press again when it is back.` : "");

  // Of a press on the bench: what the button means, and where its answer is said.
  function pressed(event) {
    const button = event.target.closest?.("[data-bench] button[data-act]");
    if (!button) return null;
    const place = button.dataset.place ?? "next";
    if (!isOff(button)) return { button, ...button.dataset, place };
    if (why) say(place, awayText(), "bad");
    return null;
  }

  const wasOwn = (words) => refused.has(words);

  Object.assign(window.envmon.bench, { away, awayText, wasOwn, act, say, hear, drawSaid, isWaiting, pressed, bayId });
})();
