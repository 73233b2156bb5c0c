// The alarm board below what stands: what was, and how the alarms behave.
"use strict";
(() => {
  const { make, timeOfDay, setShape, stamp, since, ask, settings, lengthText } = window.envmon;
  const AGAIN_S = 60;
  const FIRST = 12; // rows; the rest at a touch
  let all = false;
  const spans = { past: "24", figures: "30" };
  const kept = { past: null, figures: null };
  const readAt = { past: null, figures: null };
  const failed = { past: "", figures: "" };
  const addresses = {
    past: () => `/api/v1/alarms/recent?hours=${spans.past}`,
    figures: () => `/api/v1/alarms/figures?days=${spans.figures}`,
  };
  const busy = new Set();

  function dayAndTime(at) {
    const day = new Intl.DateTimeFormat("en-GB", {
      timeZone: settings().tz, weekday: "short", day: "numeric", month: "short",
    });
    return `${day.format(new Date(at))} ${timeOfDay(at)}`;
  }

  function cells(tag, texts, className = "") {
    const line = make("tr", className, "");
    line.append(...texts.map((text) => {
      const cell = make(tag, "", "");
      cell.append(text);
      return cell;
    }));
    return line;
  }

  function endText(one) {
    if (one.ended_ms === null) return "still standing";
    const stood = lengthText(one.stood_s);
    return one.end === "over" ? stood : `${stood}, then ${one.end}`;
  }

  function ackText(one) {
    const by = one.by ? ` by ${one.by}` : "";
    if (one.acknowledged_ms === null) return one.end === "over" || !one.end ? "no" : by.trim();
    return `after ${lengthText(one.waited_s)}${by}`;
  }

  function pastRow(one, names) {
    const mark = make("span", "mark", "");
    setShape(mark, one.priority);
    const rank = make("span", "rank", "");
    rank.append(mark, one.priority);
    const what = make("span", "", "");
    const where = one.bay ? names[one.bay] ?? one.bay : "Shop";
    what.append(make("b", "", where), ` ${one.text || one.name}`);
    const line = cells("td", [dayAndTime(one.raised_ms), rank, what, endText(one), ackText(one)]);
    line.dataset.priority = one.priority;
    return line;
  }

  function table(heads, rows, className) {
    const box = make("table", className, "");
    const head = make("thead", "", "");
    head.append(cells("th", heads));
    const body = make("tbody", "", "");
    body.append(...rows);
    box.append(head, body);
    return box;
  }

  function drawPast(box, document, root) {
    const names = JSON.parse(root.dataset.bays);
    if (!document.alarms.length) {
      box.replaceChildren(make("p", "none", "none in this time"));
      return;
    }
    const shown = all ? document.alarms : document.alarms.slice(0, FIRST);
    const rows = shown.map((one) => pastRow(one, names));
    box.replaceChildren(table(["raised", "priority", "alarm", "stood", "acknowledged"], rows, "past"));
    if (shown.length < document.alarms.length) {
      const more = make("button", "key", `show all ${document.alarms.length}`);
      more.dataset.act = "all-past";
      box.append(more);
    } else if (document.left_out) box.append(make("p", "none", `and ${document.left_out} older ones`));
  }

  const VERDICTS = { good: "fit", bearable: "marginal", "too much": "unfit" };

  function figureRow(figure) {
    const verdict = make("span", "rank", "");
    const mark = make("span", "mark", "");
    const kind = VERDICTS[figure.verdict] ?? "none";
    setShape(mark, kind);
    verdict.append(mark, figure.verdict);
    const line = cells("td", [figure.name, make("b", "", figure.text), figure.standard, verdict]);
    line.dataset.kind = kind;
    return line;
  }

  function drawFigures(box, document) {
    if (!document.counts) {
      box.replaceChildren(make("p", "none", "nothing to count yet"));
      return;
    }
    const { counts } = document;
    const said = `${counts.alarms} alarms in ${lengthText(counts.days * 86400)}, from `
      + `${dayAndTime(document.from_ms)}`;
    const top = counts.top.map((one) =>
      cells("td", [one.alarm, String(one.count), `${one.share_pct.toFixed(0)} %`]));
    box.replaceChildren(make("p", "none", said),
      table(["figure", "here", "standard", ""], document.figures.map(figureRow), "figures"));
    if (top.length) box.append(table(["came most often", "times", "share"], top, "top-ten"));
  }

  async function read(name) {
    if (busy.has(name)) return;
    busy.add(name);
    const address = addresses[name]();
    try {
      const document = await ask(address);
      if (address === addresses[name]()) Object.assign(kept, { [name]: document });
      failed[name] = "";
      readAt[name] = stamp();
    } catch (error) {
      kept[name] = null;
      failed[name] = `cannot be had now: ${error.message}`;
      readAt[name] = stamp();
    } finally {
      busy.delete(name);
    }
    if (address !== addresses[name]()) readAt[name] = null;
    window.envmon.show();
  }

  function draw(root, name, how) {
    if (!readAt[name] || since(readAt[name]) > AGAIN_S) read(name);
    const box = root.querySelector(`[data-alarms="${name}"]`);
    for (const key of root.querySelectorAll(`[data-act="${name}"]`)) {
      key.setAttribute("aria-pressed", String(key.dataset.span === spans[name]));
      key.classList.toggle("on", key.dataset.span === spans[name]);
    }
    if (failed[name]) box.replaceChildren(make("p", "none", failed[name]));
    else if (kept[name] && box.envmonDrawn !== kept[name]) how(box, kept[name], root);
    box.envmonDrawn = kept[name];
  }

  document.addEventListener("click", (event) => {
    if (event.target.closest?.('[data-act="all-past"]')) {
      all = true;
      kept.past = { ...kept.past };
      window.envmon.show();
    }
    const key = event.target.closest?.("[data-span]");
    const name = key?.dataset.act;
    if (!name || !(name in spans)) return;
    spans[name] = key.dataset.span;
    all = false;
    readAt[name] = null;
    window.envmon.show();
  });
  window.envmon.showPast = (root) => {
    draw(root, "past", drawPast);
    draw(root, "figures", drawFigures);
  };
  window.envmon.dayAndTime = dayAndTime;
  window.envmon.pastIsOld = () => { readAt.past = null; };
  window.envmon.calmSince = () => kept.past?.changed_ms ?? null;
})();
