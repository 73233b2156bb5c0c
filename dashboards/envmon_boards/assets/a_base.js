// Shared helpers. Text from outside is only ever set as textContent: it stays inert.
"use strict";
window.envmon = (() => {
  const settings = () => document.getElementById("page")?.dataset ?? {};
  const formats = new Map();

  function put(root, name, text) {
    const element = root.querySelector(`[data-f="${name}"]`);
    if (element && element.textContent !== text) element.textContent = text;
    return element;
  }

  function make(tag, className, text) {
    const element = document.createElement(tag);
    element.className = className;
    element.textContent = text;
    return element;
  }

  // Time of day in the shop's zone with its daylight-saving rule.
  function timeOfDay(moment, seconds = false) {
    if (moment === null || moment === undefined || Number.isNaN(+new Date(moment))) return "—";
    const zone = settings().tz;
    const key = `${zone}${seconds}`;
    if (!formats.has(key)) {
      formats.set(key, new Intl.DateTimeFormat("en-GB", {
        timeZone: zone, hourCycle: "h23", hour: "2-digit", minute: "2-digit",
        ...(seconds ? { second: "2-digit" } : {}),
      }));
    }
    return formats.get(key).format(new Date(moment));
  }

  // performance.now stands still while the machine sleeps, Date may be set back: the larger of
  // both is never too young.
  const stamp = () => ({ perf: performance.now(), date: Date.now() });
  const since = (then) =>
    Math.max(performance.now() - then.perf, Date.now() - then.date, 0) / 1000;

  // Long text is squeezed sideways, so that its characters keep their height; a text that needs
  // more than that gets smaller.
  function squeeze(element, least = 0.7) {
    element.style.transform = element.style.fontSize = "";
    const box = element.parentElement;
    const left = element.offsetLeft - (element.offsetParent === box ? 0 : box.offsetLeft);
    const room = box.clientWidth - left - parseFloat(getComputedStyle(box).paddingRight);
    const width = element.scrollWidth;
    if (room <= 0 || width <= room) return;
    const ratio = room / width;
    if (ratio < least) {
      const size = parseFloat(getComputedStyle(element).fontSize);
      element.style.fontSize = `${(size * ratio) / least}px`;
    }
    element.style.transform = `scaleX(${Math.max(ratio, least)})`;
  }

  async function ask(address, body) {
    const how = { signal: AbortSignal.timeout(4000), cache: "no-store" };
    if (body !== undefined) {
      Object.assign(how, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
      });
    }
    const answer = await fetch(address, how);
    window.envmon.heard?.(answer.status, body !== undefined);
    const document = await answer.json();
    if (!answer.ok) throw new Error(document.error ?? `answer ${answer.status}`);
    return document;
  }

  return { settings, put, make, timeOfDay, stamp, since, squeeze, ask };
})();
