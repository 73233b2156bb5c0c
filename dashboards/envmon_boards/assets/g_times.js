// Time in the shop's zone: midnights, hours and ticks, with days of 23 and 25 hours.
"use strict";
(() => {
  const [SECOND, MINUTE, HOUR, DAY] = [1e3, 60e3, 3600e3, 864e5];
  const QUARTER = 15 * MINUTE; // no zone changes its offset at another time
  const STEPS = [
    ...[1, 5, 10, 30].map((n) => n * SECOND), ...[1, 2, 5, 10, 15, 30].map((n) => n * MINUTE),
  ];
  const HOURS = [1, 2, 3, 6, 12];
  const DAYS = [1, 2, 7];
  const MONTHS = [1, 3, 6, 12];
  const DAY_NAMES = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
  const MONTH_NAMES = [
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
  ];
  const formats = new Map();
  const offsets = new Map();

  function measuredOffset(t, zone) {
    if (!formats.has(zone)) {
      formats.set(zone, new Intl.DateTimeFormat("en-US", {
        timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric",
        hour: "numeric", minute: "numeric", second: "numeric",
      }));
    }
    const parts = {};
    for (const { type, value } of formats.get(zone).formatToParts(t)) parts[type] = Number(value);
    const { year, month, day, hour, minute, second } = parts;
    return Date.UTC(year, month - 1, day, hour, minute, second) - Math.floor(t / 1000) * 1000;
  }

  // Local time minus UTC [ms].
  function offset(t, zone) {
    const place = Math.floor(t / QUARTER);
    const key = `${zone} ${place}`;
    if (!offsets.has(key)) {
      if (offsets.size > 50_000) offsets.clear();
      offsets.set(key, measuredOffset(place * QUARTER, zone));
    }
    return offsets.get(key);
  }

  // What the shop's clock shows, as a date whose UTC parts are to be read.
  const local = (t, zone) => new Date(t + offset(t, zone));

  // The moment at which the shop's clock shows this; the first of two, or the end of a gap.
  function utc(shown, zone) {
    const tries = [offset(shown - DAY, zone), offset(shown + DAY, zone)].map((o) => shown - o);
    const right = tries.filter((t) => t + offset(t, zone) === shown);
    return right.length ? Math.min(...right) : tries[0];
  }

  // Midnight of the shop's day that holds t, or of the one so many days later.
  function midnight(t, zone, days = 0) {
    return utc((Math.floor((t + offset(t, zone)) / DAY) + days) * DAY, zone);
  }

  const two = (n) => String(n).padStart(2, "0");
  function clock(t, zone, seconds = false) {
    const d = local(t, zone);
    const text = `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}`;
    return seconds ? `${text}:${two(d.getUTCSeconds())}` : text;
  }

  function day(t, zone, year = false) {
    const d = local(t, zone);
    const text = `${DAY_NAMES[d.getUTCDay()]} ${d.getUTCDate()} ${MONTH_NAMES[d.getUTCMonth()]}`;
    return year ? `${text} ${d.getUTCFullYear()}` : text;
  }

  // The first moment from t on at which the shop's clock shows a whole step.
  function aligned(t, step, zone) {
    const shown = t + offset(t, zone);
    const next = Math.round(t + Math.ceil(shown / step) * step - shown);
    // A clock that is changed by half an hour shows another time there.
    return (next + offset(next, zone)) % step ? aligned(next, step, zone) : next;
  }

  function fineTicks(from, to, step, zone) {
    const found = [];
    for (let t = aligned(from, step, zone); t <= to; t = aligned(t + 1, step, zone)) {
      found.push({ t, text: clock(t, zone, step < MINUTE) });
    }
    return found;
  }

  // Every hour that passed has its place: one that comes twice is said twice.
  function hourTicks(from, to, hours, zone) {
    const found = [];
    for (let t = aligned(from, HOUR, zone); t <= to; t = aligned(t + 1, HOUR, zone)) {
      const again = offset(t, zone) < offset(t - HOUR, zone);
      if (local(t, zone).getUTCHours() % hours || (again && hours > 1)) continue;
      found.push({ t, text: again ? `${clock(t, zone)} again` : clock(t, zone) });
    }
    return found;
  }

  function dayTicks(from, to, days, zone) {
    const found = [];
    const first = Math.floor((from + offset(from, zone)) / DAY);
    for (let n = first; n <= first + (to - from) / DAY + 2; n += 1) {
      const t = utc(n * DAY, zone);
      if (t < from || t > to || (days === 7 ? (n + 3) % 7 : n % days)) continue;
      const d = new Date(n * DAY);
      found.push({ t, text: `${days === 1 ? `${DAY_NAMES[d.getUTCDay()]} ` : ""}${d.getUTCDate()}` });
    }
    return found;
  }

  function monthTicks(from, to, months, zone) {
    const found = [];
    const first = local(from, zone);
    for (let n = 0; ; n += 1) {
      const shown = Date.UTC(first.getUTCFullYear(), first.getUTCMonth() + n, 1);
      const t = utc(shown, zone);
      if (t > to) return found;
      const month = new Date(shown).getUTCMonth();
      if (t >= from && month % months === 0) found.push({ t, text: MONTH_NAMES[month] });
    }
  }

  // The longer stretches under the ticks: days, months or years.
  function stretches(from, to, kind, zone) {
    const found = [];
    for (let t = from; t < to;) {
      const d = local(t, zone);
      const [y, m] = [d.getUTCFullYear(), d.getUTCMonth()];
      let [begin, next, text] = [utc(Date.UTC(y, 0, 1), zone), utc(Date.UTC(y + 1, 0, 1), zone), `${y}`];
      if (kind === "month") {
        [begin, next] = [utc(Date.UTC(y, m, 1), zone), utc(Date.UTC(y, m + 1, 1), zone)];
        text = `${MONTH_NAMES[m]} ${y}`;
      } else if (kind === "day") {
        [begin, next, text] = [midnight(t, zone), midnight(t, zone, 1), day(t, zone)];
        const hours = (next - begin) / HOUR;
        if (hours !== 24) text += ` · ${hours} h`;
      }
      found.push({ from: Math.max(begin, from), to: Math.min(next, to), text, whole: begin >= from });
      t = next;
    }
    return found;
  }

  // The finest ticks of which at most so many (of a time's width; dates and months are shorter)
  // fit, and the stretches below them.
  function axis(from, to, zone, room) {
    const fits = (step, short = 1) => (to - from) / step <= room * short;
    const fine = STEPS.find((step) => fits(step));
    if (fine) return { ticks: fineTicks(from, to, fine, zone), below: stretches(from, to, "day", zone) };
    const hours = HOURS.find((n) => fits(n * HOUR));
    if (hours) {
      return { ticks: hourTicks(from, to, hours, zone), below: stretches(from, to, "day", zone) };
    }
    const days = DAYS.find((n) => fits(n * DAY, n > 1 ? 1.8 : 1));
    if (days) {
      return { ticks: dayTicks(from, to, days, zone), below: stretches(from, to, "month", zone) };
    }
    const months = MONTHS.find((n) => fits(n * 30 * DAY, 1.5)) ?? 12;
    return { ticks: monthTicks(from, to, months, zone), below: stretches(from, to, "year", zone) };
  }

  // "2026-01-27T14:05" as fields give it, in the shop's time; NaN when it is none.
  const fromField = (text, zone) => {
    const shown = Date.parse(`${text}Z`);
    return Number.isNaN(shown) ? NaN : utc(shown, zone);
  };
  const toField = (t, zone) => local(t, zone).toISOString().slice(0, 16);

  window.envmon.times = { offset, utc, midnight, clock, day, axis, fromField, toField, HOUR, DAY };
})();
