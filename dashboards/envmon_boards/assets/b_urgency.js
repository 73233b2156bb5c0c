// How urgent an alarm is and where it stands, in words; which follow from which.
"use strict";
(() => {
  const RANKS = ["high", "medium", "low"];
  // States after ISA-18.2 and IEC 62682, as a person of the trade says it.
  const LIVES = {
    UNACK: "not acknowledged",
    ACKED: "acknowledged, still standing",
    RTNUN: "over, not acknowledged",
    LTUNK: "latched: over, not acknowledged",
    LTACK: "latched: over, to be looked at and reset",
    SHLVD: "shelved",
    DSUPR: "suppressed by design",
    OOSRV: "out of service",
  };
  const OPEN = new Set(["UNACK", "ACKED", "RTNUN", "LTUNK", "LTACK"]);
  const UNSEEN = new Set(["UNACK", "RTNUN", "LTUNK"]);
  const HEADS = {
    ACKED: "acknowledged", RTNUN: "over", LTUNK: "latched", LTACK: "latched: look, then reset",
  };

  const isOpen = (alarm) => OPEN.has(alarm.life);
  const isUnseen = (alarm) => UNSEEN.has(alarm.life);
  const keyOf = (alarm) => `${alarm.id} ${alarm.since}`;

  // Its time is that of its raising; "acknowledged since" or "over since" would be a lie.
  const sinceWord = (alarm) => (alarm.life === "UNACK" || !isOpen(alarm) ? "since" : "raised");

  // One that is only about to happen is a warning.
  function headOf(alarm) {
    if (alarm.life === "UNACK") return alarm.what === "leaving" ? "WARNING" : "ALARM";
    return HEADS[alarm.life] ?? LIVES[alarm.life];
  }

  // "<name>: <reasons>"; the name alone where there is no room.
  const nameOf = (alarm) => alarm.name || alarm.text.split(": ")[0];

  // "<name>: <reasons>" apart: what it is called, and the rest. "Sensor north-air lost" is called
  // so as well as "sensor lost".
  function partsOf(alarm) {
    const name = nameOf(alarm);
    const [head, ...rest] = alarm.text.split(": ");
    const said = head.toLowerCase().split(" ");
    if (name.toLowerCase().split(" ").every((word) => said.includes(word))) {
      return [head, rest.join(": ")];
    }
    return [name[0].toUpperCase() + name.slice(1), alarm.text];
  }

  // A latched one stands until it is reset.
  const stands = (alarm) => alarm.active || alarm.life === "LTUNK" || alarm.life === "LTACK";

  function byUrgency(one, other) {
    return Number(stands(other)) - Number(stands(one))
      || RANKS.indexOf(one.priority) - RANKS.indexOf(other.priority)
      || Number(isUnseen(other)) - Number(isUnseen(one))
      || other.since.localeCompare(one.since) || one.id.localeCompare(other.id);
  }

  // The alarm it follows from, as long as that one stands itself; else it speaks for itself.
  function rootOf(alarm, byId) {
    const passed = new Set([alarm.id]);
    let root = alarm;
    for (;;) {
      const above = byId.get(root.under);
      if (passed.has(above?.id)) return alarm; // in a ring nothing is the root
      if (!above || !above.active || !isOpen(above)) return root;
      passed.add(above.id);
      root = above;
    }
  }

  function groupsOf(alarms) {
    const open = alarms.filter(isOpen).sort(byUrgency);
    const byId = new Map(open.map((alarm) => [alarm.id, alarm]));
    const groups = new Map();
    const groupOf = (root) => {
      if (!groups.has(root.id)) groups.set(root.id, { root, under: [] });
      return groups.get(root.id);
    };
    for (const alarm of open) {
      const root = rootOf(alarm, byId);
      if (root === alarm) groupOf(root);
      else groupOf(root).under.push(alarm);
    }
    return [...groups.values()].sort((one, other) => byUrgency(one.root, other.root));
  }

  const unseenIn = (group) => [group.root, ...group.under].filter(isUnseen);

  // What the wall says of a bay's alarms: of the most urgent that nobody has seen the newest; once
  // all are seen, the most urgent. A sensor lost later hides no coating in danger.
  function spokenOf(alarms, all) {
    const byId = new Map([...alarms, ...all].map((alarm) => [alarm.id, alarm]));
    const open = alarms.filter(isOpen);
    const own = open.filter((alarm) => rootOf(alarm, byId) === alarm);
    const unseen = (own.length ? own : open).filter(isUnseen);
    unseen.sort((one, other) => RANKS.indexOf(one.priority) - RANKS.indexOf(other.priority)
      || other.since.localeCompare(one.since) || byUrgency(one, other));
    const first = unseen[0] ?? (own.length ? own : open).sort(byUrgency)[0];
    return first ? { alarm: first, others: open.length - 1 } : null;
  }

  function lengthText(seconds) {
    const minutes = Math.floor(Math.max(0, seconds) / 60);
    if (seconds < 60) return `${Math.round(Math.max(0, seconds))} s`;
    if (minutes < 60) return `${minutes} min`;
    if (minutes < 48 * 60) return `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
    return `${Math.floor(minutes / 1440)} days`;
  }

  Object.assign(window.envmon, {
    RANKS, LIVES, isOpen, isUnseen, keyOf, headOf, nameOf, partsOf, groupsOf, unseenIn, spokenOf,
    sinceWord,
    lengthText, byUrgency,
  });
})();
