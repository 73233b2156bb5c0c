// The points board: asks every few seconds while it is looked at; a card that is open stays.
"use strict";
(() => {
  const { put, make, stamp, since, ask, points } = window.envmon;
  const EVERY_S = 3;
  const state = { root: null, answer: null, sensors: null, triedAt: null, asking: false, why: "" };

  const plural = (count, one, many) => `${count} ${count === 1 ? one : many}`;

  function headTexts() {
    const { answer } = state;
    const count = answer.unclaimed.length + answer.more;
    const since = points.ageText(answer.listening_s);
    if (!answer.up) return ["Listening to the broker …", answer.trouble];
    const listening = `Listening for ${since}; a sensor that speaks seldom takes longer to show.`;
    const lost = answer.forgotten
      ? ` So many topics came that ${answer.forgotten} of them were forgotten again.` : "";
    if (!count) return ["No unclaimed topic heard", listening + lost];
    return [`${plural(count, "topic", "topics")} that nobody claims`, listening + lost];
  }

  function drawTopics() {
    const list = state.root.querySelector("[data-topics]");
    const cards = new Map([...list.children].map((card) => [card.dataset.topic, card]));
    const rows = new Map(state.answer.unclaimed.map((row) => [row.topic, row]));
    for (const [topic, card] of cards) if (!rows.has(topic) && !card.open) card.remove();
    for (const row of state.answer.unclaimed) {
      const card = cards.get(row.topic);
      if (card) points.fill(card, row);
      else list.append(points.topicCard(row, (one) => points.open(one, state.answer)));
    }
    const { more } = state.answer;
    put(state.root, "more", more ? `and ${plural(more, "more topic", "more topics")}` : "");
  }

  function drawClaimed() {
    const { sensors, now_ms: now } = state.sensors;
    const rows = sensors.map((sensor) =>
      points.claimedRow(sensor, state.answer.batteries[sensor.id], now));
    const none = make("p", "about", "No point is claimed yet.");
    state.root.querySelector("[data-claimed]").replaceChildren(...(rows.length ? rows : [none]));
  }

  function draw() {
    const [go, why] = headTexts();
    put(state.root, "go", go);
    put(state.root, "why", why);
    drawTopics();
    drawClaimed();
  }

  // What cannot be known is not shown; what a person has begun to claim stays.
  function blank() {
    put(state.root, "go", "Nobody knows who talks");
    put(state.root, "why", "the board server does not answer");
    for (const card of state.root.querySelectorAll(".topic")) if (!card.open) card.remove();
    state.root.querySelector("[data-claimed]").replaceChildren();
    put(state.root, "more", "");
  }

  async function fetchPoints() {
    state.asking = true;
    state.triedAt = stamp();
    const { root } = state;
    try {
      const found = await Promise.all([ask("/api/v1/points"), ask("/api/v1/sensors")]);
      if (root !== state.root) return;
      [state.answer, state.sensors] = found;
      state.why = "";
      draw();
    } catch (error) {
      state.why = error.name === "Error" ? error.message : "the board server does not answer";
      if (root === state.root) blank();
    } finally {
      state.asking = false;
      const bar = state.root.querySelector(".lost-bar");
      const cannot = state.why && `The points cannot be had: ${state.why}. It is asked for again.`;
      const said = cannot || state.answer?.refused || "";
      bar.hidden = !said;
      put(bar, "lost", said);
    }
  }

  function tick() {
    const root = document.querySelector("[data-points]");
    if (!root || document.hidden) return;
    if (root !== state.root) Object.assign(state, { root, triedAt: null, answer: null });
    if (!state.asking && (!state.triedAt || since(state.triedAt) >= EVERY_S)) fetchPoints();
  }

  const parts = new MutationObserver(() => {
    const root = document.querySelector("[data-points]");
    if (root && root !== state.root) tick();
  });
  parts.observe(document, { childList: true, subtree: true });
  document.addEventListener("visibilitychange", tick);
  setInterval(tick, 1000);
})();
