// Draws the state of a bay into its card, or blanks the card when there is nothing to trust.
"use strict";
(() => {
  const {
    put, make, timeOfDay, squeeze, setShape, kindOf, WORDS, headOf, partsOf, isUnseen, spokenOf,
    sinceWord,
  } = window.envmon;
  const MEASURED = [
    "air_temp_c", "rel_hum_pct", "panel_temp_c", "water_temp_c", "dissolved_solids_ppm",
  ];

  const OF_STAGE = new Set(["window", "unknown"]);

  function setKind(card, kind) {
    card.dataset.kind = kind;
    setShape(card.querySelector('[data-f="shape"]'), kind);
    squeeze(put(card, "verdict", WORDS[kind]));
  }

  function range(low, high) {
    if (low !== null && high !== null) {
      const room = 0.6 * (high - low);
      return [low - room, high + room];
    }
    const edge = low ?? high;
    const room = Math.max(5, Math.abs(edge) * 0.6);
    return [edge - room, edge + room];
  }

  function drawTrack(tile, reason) {
    const track = tile.querySelector(".track");
    const held = reason && (reason.low !== null || reason.high !== null);
    track.classList.toggle("off", !held);
    if (!held) return;
    const [from, to] = range(reason.low, reason.high);
    const place = (value) => Math.min(100, Math.max(0, (100 * (value - from)) / (to - from)));
    const band = track.querySelector(".band");
    band.style.left = `${place(reason.low ?? from)}%`;
    band.style.right = `${100 - place(reason.high ?? to)}%`;
    const needle = track.querySelector(".needle");
    needle.hidden = reason.value === null;
    if (reason.value !== null) needle.style.left = `${place(reason.value)}%`;
  }

  function drawTile(tile, condition, reason, wanted) {
    const name = tile.dataset.q;
    tile.hidden = tile.classList.contains("water") && !wanted.has(name);
    const text = condition?.text ?? "—";
    const cut = text.lastIndexOf(" ");
    put(tile, "number", cut < 0 ? text : text.slice(0, cut));
    put(tile, "unit", cut < 0 ? "" : text.slice(cut + 1));
    const mark = tile.querySelector('[data-f="mark"]');
    tile.dataset.fitness = reason?.fitness ?? "";
    mark.hidden = !reason;
    if (reason) setShape(mark, reason.fitness);
    drawTrack(tile, reason);
  }

  function lines(card, texts) {
    const box = card.querySelector('[data-f="reasons"]');
    const key = JSON.stringify([texts, card.dataset.loud]);
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    box.replaceChildren();
    if (card.classList.contains("alone")) fill(box, texts);
    else firstLine(box, texts);
  }

  // On a shared wall there is room for one line.
  function firstLine(box, texts) {
    const [[kind, text], ...others] = texts;
    const left = others.filter(([other]) => other !== "note").length;
    const line = make("p", kind, `${text}${left ? `  (+${left})` : ""}`);
    box.append(line);
    squeeze(line);
  }

  // As many lines as there is room for, and how many more there are.
  function fill(box, texts) {
    for (const [place, [kind, text]] of texts.entries()) {
      box.append(make("p", kind, text));
      if (box.scrollHeight <= box.clientHeight + 2 || place === 0) continue;
      box.lastChild.remove();
      const left = texts.slice(place).filter(([other]) => other !== "note").length;
      if (left) box.lastChild.textContent += `  (+${left})`;
      return;
    }
  }

  function words(state, stage) {
    const notes = state.notes.map((text) => ["note", text]);
    if (!stage) {
      const fit = state.stages.filter((s) => s.fitness === "fit").map((s) => s.name);
      const now = fit.length ? `fit now: ${fit.join(", ")}` : "no stage is fit now";
      return [["plain", now], ...notes];
    }
    const bad = stage.reasons.filter((reason) => reason.fitness !== "fit");
    const why = bad.map((reason) => [reason.fitness, reason.text]);
    if (stage.ready_at) why.push(["plain", `ready at ${timeOfDay(stage.ready_at)} if it holds`]);
    if (!why.length) why.push(["plain", stage.summary]);
    const hand = stage.by_hand.map((text) => ["plain", text]);
    const told = new Set(why.map(([, text]) => text));
    return [...why, ...hand, ...notes.filter(([, text]) => !told.has(text))];
  }

  // What the alarm is about: of a stage its name, whose reasons stand below or come with it; of
  // anything else all there is to say.
  function aboutText(alarm) {
    const [head, rest] = partsOf(alarm);
    return OF_STAGE.has(alarm.what) || !rest ? head : `${head}: ${rest}`;
  }

  function tellAlarm(card, { alarm, others }, reason) {
    const alone = card.classList.contains("alone");
    const when = `${sinceWord(alarm)} ${timeOfDay(alarm.since)}${others > 0 ? ` (+${others})` : ""}`;
    const about = reason ?? aboutText(alarm);
    const comma = alarm.life === "UNACK" ? "" : ",";
    put(card, "alarm-head", alone ? headOf(alarm) : "");
    squeeze(put(card, "alarm", alone ? when : `${headOf(alarm)}${comma} ${when}: ${about}`));
    squeeze(put(card, "alarm-about", alone ? about : ""));
  }

  // Loud until somebody has acknowledged it, calm after that.
  function drawAlarm(card, spoken, reason) {
    const banner = card.querySelector(".banner");
    const loud = Boolean(spoken) && isUnseen(spoken.alarm);
    card.dataset.loud = !spoken ? "" : loud ? "loud" : "calm";
    banner.dataset.priority = spoken?.alarm.priority ?? "";
    if (spoken) setShape(banner.querySelector('[data-f="urgency"]'), spoken.alarm.priority);
    window.envmon.labelAck?.(banner.querySelector(".ack"), loud ? spoken.alarm : null);
    if (spoken) tellAlarm(card, spoken, reason);
  }

  function drawStrip(card, state) {
    if (card.dataset.job === "yes") return; // a job has its own steps
    const box = card.querySelector('[data-f="strip"]');
    const key = JSON.stringify(state?.stages.map((s) => [s.name, kindOf(s), s.id === state.stage]));
    if (box.dataset.key === key) return;
    box.dataset.key = key ?? "";
    box.replaceChildren(...(state?.stages ?? []).map((stage) => {
      const item = make("span", stage.id === state.stage ? "step now" : "step", "");
      item.dataset.kind = kindOf(stage);
      const mark = make("span", "mark", "");
      setShape(mark, kindOf(stage));
      item.append(mark, make("span", "name", stage.name),
        make("span", "word", WORDS[kindOf(stage)].toLowerCase()));
      return item;
    }));
  }

  // On a shared wall the banner takes the place of the line of reasons.
  function reasonFor(spoken, said) {
    const own = spoken && OF_STAGE.has(spoken.alarm.what);
    return own && spoken.alarm.life === "UNACK" ? said[0][1] : null;
  }

  const newest = (state) =>
    MEASURED.map((name) => state.conditions[name]?.t ?? "").sort().at(-1) || null;

  function drawCard(card, state, alarms = []) {
    const stage = state.stages.find((s) => s.id === state.stage);
    const reasons = new Map((stage?.reasons ?? []).map((r) => [r.quantity, r]));
    const wanted = new Set(reasons.keys());
    put(card, "since", stage ? `since ${timeOfDay(state.stage_since)}` : "");
    const last = newest(state);
    put(card, "last", last ? `last reading ${timeOfDay(last, true)}` : "no reading yet");
    squeeze(put(card, "stage", stage?.name ?? "no stage"));
    for (const tile of card.querySelectorAll("[data-q]")) {
      drawTile(tile, state.conditions[tile.dataset.q], reasons.get(tile.dataset.q), wanted);
    }
    setKind(card, stage ? kindOf(stage) : "none");
    const said = words(state, stage);
    const spoken = spokenOf(state.alarms, alarms);
    drawAlarm(card, spoken, card.classList.contains("alone") ? null : reasonFor(spoken, said));
    lines(card, said);
    drawStrip(card, state);
    const foot = [...(stage?.cautions ?? [])];
    if (card.classList.contains("alone")) foot.push(...sourceText(stage));
    put(card, "cautions", foot.join("  "));
  }

  // Whose limit decides: the maker's sheet with its date, or common practice.
  function sourceText(stage) {
    const [first] = stage?.reasons ?? [];
    if (!first) return [];
    return [`Limit from: ${first.source}${stage.sheet ? `, ${stage.sheet}` : ""}.`];
  }

  // Nothing of an old state stays that could be taken for the present.
  function blankCard(card, lastLive) {
    for (const tile of card.querySelectorAll("[data-q]")) {
      const water = tile.classList.contains("water") && tile.hidden;
      drawTile(tile, undefined, undefined, new Set(water ? [] : [tile.dataset.q]));
    }
    put(card, "since", "");
    put(card, "last", "");
    squeeze(put(card, "stage", "—"));
    setKind(card, "silent");
    drawAlarm(card, null);
    const text = lastLive ? `no data since ${timeOfDay(lastLive)}` : "no data yet";
    lines(card, [["unknown", text]]);
    drawStrip(card, undefined);
    put(card, "cautions", "");
  }

  Object.assign(window.envmon, { drawCard, blankCard });
})();
