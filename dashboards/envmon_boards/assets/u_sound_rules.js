// When the alarm sounds: which priorities on this screen, muted for a time, never for ever.
"use strict";
(() => {
  const {
    RANKS, put, make, timeOfDay, stamp, since, isUnseen, groupsOf, keyOf, setShape, tones,
  } = window.envmon;
  const MUTE_MINUTES = [5, 15, 30];
  const LONGEST_MS = Math.max(...MUTE_MINUTES) * 60_000;
  const playedAt = {};
  const heardLow = new Set();
  let everLive = false;
  let dialog = null;

  function kept(name, otherwise) {
    try {
      return JSON.parse(localStorage.getItem(name)) ?? otherwise;
    } catch {
      return otherwise;
    }
  }
  const keep = (name, value) => localStorage.setItem(name, JSON.stringify(value));

  // A phone stays silent until somebody wants otherwise.
  function priorities() {
    const chosen = kept("envmon-sound", null);
    return Array.isArray(chosen) ? RANKS.filter((rank) => chosen.includes(rank))
      : innerWidth > 900 ? [...RANKS] : [];
  }

  // A mute that ends later than any could is one of a clock that was set back.
  function mutedUntil() {
    const { until } = kept("envmon-mute", {});
    const left = until - Date.now();
    return left > 0 && left <= LONGEST_MS ? until : null;
  }

  // What would sound: alarms nobody has acknowledged, each with what follows from it as one.
  function calling(view) {
    if (!view.live) return everLive && view.connected ? [{ priority: "medium", key: "watch is down" }] : [];
    const late = (window.envmon.overdueNow?.() ?? []).map((key) => ({ priority: "medium", key }));
    const alarms = groupsOf(view.list).map((group) => group.root).filter(isUnseen)
      .map((alarm) => ({ priority: alarm.priority, key: keyOf(alarm) }));
    return [...alarms, ...late];
  }

  function mute(minutes) {
    const now = calling(window.envmon.alarmsNow());
    const known = now.filter((one) => one.priority === "high").map((one) => one.key);
    if (minutes) keep("envmon-mute", { until: Date.now() + minutes * 60_000, known });
    else localStorage.removeItem("envmon-mute");
    window.envmon.show();
  }

  // A new high alarm breaks the mute.
  function breakMute(calls) {
    const { known = [] } = kept("envmon-mute", {});
    const news = calls.filter((one) => one.priority === "high" && !known.includes(one.key));
    if (mutedUntil() && news.length) localStorage.removeItem("envmon-mute");
  }

  function sound(calls, wanted) {
    const keys = new Set(calls.map((one) => one.key));
    for (const key of heardLow) if (!keys.has(key)) heardLow.delete(key);
    const top = RANKS.find((rank) => wanted.includes(rank) && calls.some((one) => one.priority === rank));
    if (!top) return;
    const every = tones.PATTERNS[top].every;
    const fresh = calls.filter((one) => one.priority === "low" && !heardLow.has(one.key));
    const due = top === "low" ? fresh.length > 0 : !playedAt[top] || since(playedAt[top]) >= every - 0.4;
    if (!due || !tones.play(top)) return;
    playedAt[top] = stamp();
    if (top === "low") for (const one of fresh) heardLow.add(one.key);
  }

  function stateText(wanted) {
    if (!wanted.length) return "silent here";
    const until = mutedUntil();
    if (until) return `muted to ${timeOfDay(until)}`;
    return tones.allowed() ? "sound on" : "sound: not allowed yet";
  }

  window.envmon.soundFor = (page, view) => {
    everLive ||= view.live;
    const wanted = priorities();
    const calls = calling(view);
    breakMute(calls);
    if (wanted.length) tones.ensureContext();
    if (!mutedUntil()) sound(calls, wanted);
    const text = stateText(wanted);
    const button = put(page, "sound", text)?.closest("button");
    if (button) button.dataset.sound = text.split(" ")[0].replace(":", "");
    const ask = page.querySelector(".sound-ask");
    if (ask) ask.hidden = !wanted.length || tones.allowed();
    if (dialog) drawDialog();
  };

  function key(text, name, value) {
    const button = make("button", "choice", text);
    button.type = "button";
    Object.assign(button.dataset, { soundAct: name, value: String(value) });
    return button;
  }

  function rankKey(rank) {
    const button = key("", "rank", rank);
    const mark = make("span", "mark", "");
    setShape(mark, rank);
    button.dataset.priority = rank;
    button.append(mark, make("span", "", rank));
    return button;
  }

  function rowOf(title, keys) {
    const row = make("div", "choices", "");
    row.append(make("p", "", title), ...keys);
    return row;
  }

  function drawDialog() {
    const wanted = priorities();
    dialog.querySelector(".look").textContent = stateText(wanted);
    for (const button of dialog.querySelectorAll('[data-sound-act="rank"]')) {
      button.setAttribute("aria-pressed", String(wanted.includes(button.dataset.value)));
    }
  }

  function open() {
    dialog?.remove();
    dialog = make("dialog", "alarm-ask sound-dialog", "");
    const leave = make("button", "alarm-button main", "done");
    leave.dataset.soundAct = "leave";
    const end = make("div", "ends", "");
    end.append(leave);
    dialog.append(make("h2", "", "Sound of this screen"), make("p", "look", ""),
      rowOf("mute; a new high alarm sounds all the same",
        [...MUTE_MINUTES.map((minutes) => key(`${minutes} min`, "mute", minutes)), key("not muted", "mute", 0)]),
      rowOf("what sounds here", RANKS.map(rankKey)),
      rowOf("hear it", RANKS.map((rank) => key(`test ${rank}`, "test", rank))), end);
    document.body.append(dialog);
    dialog.addEventListener("close", () => { dialog?.remove(); dialog = null; });
    drawDialog();
    dialog.showModal();
  }

  async function test(rank) {
    await tones.ensureContext()?.resume();
    tones.play(rank);
  }

  const ACTS = {
    mute: (value) => mute(Number(value)),
    rank: (value) => {
      const now = priorities();
      keep("envmon-sound", now.includes(value) ? now.filter((rank) => rank !== value) : [...now, value]);
      window.envmon.show();
    },
    test: (value) => test(value),
    leave: () => dialog.close(),
  };

  document.addEventListener("click", (event) => {
    const button = event.target.closest?.("button");
    if (button?.dataset.act === "sound") open();
    else if (button?.dataset.soundAct) ACTS[button.dataset.soundAct](button.dataset.value);
  });
})();
