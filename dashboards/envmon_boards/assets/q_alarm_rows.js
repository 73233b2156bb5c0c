// The alarm board: what stands, the most urgent first, what follows from it folded below.
"use strict";
(() => {
  const {
    put, make, timeOfDay, setShape, LIVES, isOpen, isUnseen, nameOf, partsOf, groupsOf, unseenIn,
    lengthText, byUrgency, sinceWord,
  } = window.envmon;
  const unfolded = new Set();
  let drawn = "";

  const bayNames = (page) => JSON.parse(page.dataset.bays);

  function button(text, act, alarm, more = {}) {
    const element = make("button", `alarm-button ${more.main ? "main" : ""}`.trim(), text);
    element.type = "button";
    Object.assign(element.dataset, { act, alarmId: alarm.id });
    if (more.also) element.dataset.also = more.also;
    return element;
  }

  // The state in plain words, the standard's short name small beside it.
  function lifeWords(alarm) {
    const line = make("span", "life", LIVES[alarm.life] ?? alarm.life);
    line.append(" ", make("small", "", `(${alarm.life})`));
    return line;
  }

  function facts(alarm) {
    const line = make("p", "facts", "");
    const since = make("span", "", `${sinceWord(alarm)} ${timeOfDay(alarm.since)}`);
    const length = make("span", "length", "");
    length.dataset.since = alarm.since;
    length.dataset.ago = sinceWord(alarm) === "since" ? "" : " ago";
    line.append(since, length, lifeWords(alarm));
    if (alarm.by && alarm.life === "ACKED") line.append(make("span", "", `by ${alarm.by}`));
    return line;
  }

  function urgency(alarm) {
    const box = make("div", "urgency", "");
    const mark = make("span", "mark", "");
    setShape(mark, alarm.priority);
    const word = alarm.what === "leaving" ? "warning" : alarm.priority;
    box.append(mark, make("span", "word", word));
    return box;
  }

  function body(alarm, names) {
    const box = make("div", "alarm-body", "");
    const title = make("h3", "", "");
    const [head, rest] = partsOf(alarm);
    title.append(make("span", "where", alarm.bay ? names[alarm.bay] ?? alarm.bay : "Shop"),
      make("span", "", head));
    box.append(title);
    if (rest) box.append(make("p", "text", rest));
    if (alarm.do) box.append(make("p", "do", alarm.do));
    box.append(facts(alarm));
    return box;
  }

  function actsOf(alarm, group) {
    const box = make("div", "alarm-acts", "");
    const unseen = unseenIn(group);
    if (unseen.length) {
      const many = unseen.length > 1 ? `acknowledge all ${unseen.length}` : "acknowledge";
      const also = unseen.filter((one) => one !== alarm).map((one) => one.id).join(" ");
      const name = isUnseen(alarm) ? alarm : unseen[0];
      box.append(button(many, "acknowledge", name, { main: true, also }));
    }
    if (alarm.life === "LTACK") box.append(button("reset…", "reset", alarm, { main: true }));
    if (alarm.life === "LTUNK") box.append(make("p", "then", "then look, and reset"));
    box.append(button("shelve…", "shelve", alarm),
      button("out of service…", "remove", alarm));
    return box;
  }

  function row(alarm, names, acts) {
    const line = make("article", `alarm-row ${isUnseen(alarm) ? "unseen" : "seen"}`, "");
    Object.assign(line.dataset, { priority: alarm.priority, life: alarm.life, row: alarm.id });
    line.append(urgency(alarm), body(alarm, names), acts);
    return line;
  }

  function fold(group, names) {
    const box = make("details", "follows", "");
    box.open = unfolded.has(group.root.id);
    const count = group.under.length;
    box.append(make("summary", "", `${count} ${count === 1 ? "alarm follows" : "alarms follow"} from it`));
    for (const alarm of group.under) {
      box.append(row(alarm, names, actsOf(alarm, { root: alarm, under: [] })));
    }
    box.addEventListener("toggle", () => {
      unfolded[box.open ? "add" : "delete"](group.root.id);
    });
    return box;
  }

  function asideRow(alarm, names) {
    const acts = make("div", "alarm-acts", "");
    if (alarm.life === "SHLVD") acts.append(button("back now", "unshelve", alarm, { main: true }));
    if (alarm.life === "OOSRV") {
      acts.append(button("back in service", "return", alarm, { main: true }));
    }
    const line = row(alarm, names, acts);
    const why = [];
    if (alarm.until) why.push(`until ${timeOfDay(alarm.until)}`);
    if (alarm.reason) why.push(alarm.reason);
    if (alarm.by) why.push(`by ${alarm.by}`);
    why.push(alarm.active ? "its condition stands" : "its condition does not stand now");
    line.querySelector(".do")?.remove();
    line.querySelector(".alarm-body").append(make("p", "why", why.join(" · ")));
    return line;
  }

  function fill(root, name, rows) {
    const box = root.querySelector(`[data-alarms="${name}"]`);
    const focused = document.activeElement?.dataset ?? {};
    box.replaceChildren(...rows);
    if (box.parentElement.matches("section")) box.parentElement.hidden = !rows.length;
    if (!focused.alarmId) return;
    const same = `[data-act="${focused.act}"][data-alarm-id="${CSS.escape(focused.alarmId)}"]`;
    box.querySelector(same)?.focus();
  }

  function drawLists(root, alarms) {
    const names = bayNames(root);
    fill(root, "open", groupsOf(alarms).map((group) => {
      const line = row(group.root, names, actsOf(group.root, group));
      if (group.under.length) line.append(fold(group, names));
      return line;
    }));
    const aside = alarms.filter((alarm) => !isOpen(alarm)).sort(byUrgency);
    fill(root, "aside", aside.map((alarm) => asideRow(alarm, names)));
  }

  function drawLengths(root, now) {
    for (const element of root.querySelectorAll("[data-since]")) {
      const { since, ago } = element.dataset;
      const text = now ? lengthText((now - Date.parse(since)) / 1000) + ago : "";
      if (element.textContent !== text) element.textContent = text;
    }
  }

  // An old list could be taken for the present: only its size and its time are said.
  function notLiveText(view, trouble) {
    if (!view.connected) return "";
    const why = trouble || "the alarms are not heard";
    if (!view.at) return `${why}. Which alarms stand is not known.`;
    const count = view.list.filter(isOpen).length;
    return `${why}. Which alarms stand is not known: when last heard, at ${timeOfDay(view.at)}, `
      + `${count === 1 ? "one stood" : `${count || "none"} stood`}.`;
  }

  function drawCalm(root, view) {
    const open = view.list.filter(isOpen);
    const box = root.querySelector(".calm");
    box.hidden = !view.live || open.length > 0;
    if (box.hidden) return;
    const since = window.envmon.calmSince?.();
    setShape(box.querySelector('[data-f="mark"]'), "fit");
    put(box, "calm-since", since ? `since ${window.envmon.dayAndTime(since)}` : "");
  }

  window.envmon.showAlarms = (page, view, trouble) => {
    const root = page.querySelector("[data-alarm-page]");
    if (!root) return;
    const text = view.live ? "" : notLiveText(view, trouble);
    put(root, "not-live", text).parentElement.hidden = !text;
    const shown = view.live ? view.list : [];
    const key = JSON.stringify(shown);
    if (drawn !== key || root.envmonDrawn !== true) {
      drawn = key;
      root.envmonDrawn = true;
      drawLists(root, shown);
      window.envmon.pastIsOld?.();
    }
    drawLengths(root, view.now);
    drawCalm(root, view);
    window.envmon.showPast?.(root, view);
    window.envmon.labelAcks?.(root, shown);
  };

  // What every page's head says: alarms nobody has seen, and those of the whole shop.
  window.envmon.showTop = (page, view) => {
    const groups = view.live ? groupsOf(view.list) : [];
    const count = groups.filter((group) => unseenIn(group).length).length;
    const badge = put(page, "unseen", count ? `${count} not acknowledged` : "");
    if (badge) badge.hidden = !count;
    const wide = groups.filter((group) => !group.root.bay).map((group) => group.root);
    wide.sort((one, other) => Number(isUnseen(other)) - Number(isUnseen(one)) || byUrgency(one, other));
    const more = wide.length > 1 ? ` (+${wide.length - 1})` : "";
    const over = wide.length && !wide[0].active ? ": over" : "";
    const text = wide.length ? `${nameOf(wide[0])}${over}${more}` : "";
    const box = put(page, "shopwide", text);
    if (box) {
      box.parentElement.hidden = !text;
      setShape(page.querySelector(".shop-wide .mark"), wide[0]?.priority ?? "low");
      Object.assign(box.parentElement.dataset, {
        priority: wide[0]?.priority ?? "", loud: wide[0] && isUnseen(wide[0]) ? "loud" : "calm",
      });
    }
    return text;
  };
  window.envmon.forgetAlarms = () => { drawn = ""; };
})();
