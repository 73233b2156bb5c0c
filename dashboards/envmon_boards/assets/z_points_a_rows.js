// The points board, its rows: an unclaimed topic with what it seems to send, a claimed point.
"use strict";
(() => {
  const { make, put, setShape } = window.envmon;

  function ageText(seconds) {
    if (seconds < 120) return `${Math.max(0, Math.round(seconds))} s`;
    if (seconds < 7200) return `${Math.floor(seconds / 60)} min`;
    if (seconds < 48 * 3600) return `${Math.floor(seconds / 3600)} h`;
    return `${Math.floor(seconds / 86400)} days`;
  }

  function heardText(row) {
    const sent = row.sent_age_s === null ? "" : `, says it is ${ageText(row.sent_age_s)} old`;
    if (row.retained) return `kept by the broker${sent || ", nobody knows how old"}`;
    const often = row.every_s === null ? "heard once" : `every ${ageText(row.every_s)}`;
    return `${ageText(row.age_s)} ago, ${often}${sent}`;
  }

  function offerLine(offer) {
    const line = make("li", "offer", "");
    line.dataset.sure = offer.sure;
    const number = `${Number(offer.value.toPrecision(6))} ${offer.unit}`.trim();
    line.append(make("b", "place", offer.shown || "number"), make("span", "number", number),
      make("span", "words", offer.words));
    return line;
  }

  function topicCard(row, claim) {
    const card = make("section", "topic", "");
    card.dataset.topic = row.topic;
    const key = make("button", "claim-key", "claim");
    key.addEventListener("click", () => claim(card));
    const name = make("div", "topic-name", row.shown);
    const heard = make("div", "heard", "");
    heard.dataset.f = "heard";
    const payload = make("code", "payload", "");
    payload.dataset.f = "payload";
    const room = make("div", "claim-room", "");
    card.append(name, key, heard, payload, make("ul", "offers", ""), make("p", "refused", ""), room);
    fill(card, row);
    return card;
  }

  function fill(card, row) {
    card.row = row;
    put(card, "heard", [row.format === "unknown" ? "no format envmon reads" : row.format,
      heardText(row), row.battery && `battery ${row.battery}`].filter(Boolean).join(" · "));
    put(card, "payload", row.payload);
    card.querySelector(".offers").replaceChildren(...row.offers.map(offerLine));
    const refused = card.querySelector(".refused");
    refused.textContent = row.refused && `It cannot be claimed: ${row.refused}`;
    refused.hidden = !row.refused;
    card.querySelector(".claim-key").hidden = Boolean(row.refused) || Boolean(card.open);
  }

  const DUE = {
    none: () => "never calibrated", shop_file: () => "calibrated in the shop file",
    valid: (c) => `calibration due ${c.due}`, undated: (c) => `calibrated ${c.checked}, no date for the next`,
    overdue: (c) => `calibration was due ${c.due}`,
  };

  function claimedRow(sensor, battery, now) {
    const row = make("section", "claimed", "");
    row.dataset.kind = sensor.kind;
    const shape = make("div", "shape", "");
    setShape(shape, sensor.kind);
    const times = sensor.quantities.map((each) => each.t_ms).filter((each) => each !== null);
    const age = times.length ? `${ageText((now - Math.max(...times)) / 1000)} ago` : "nothing heard";
    const due = [...new Set(sensor.quantities.filter((each) => each.calibration)
      .map((each) => DUE[each.calibration.standing](each.calibration)))];
    const charge = battery || sensor.battery;
    const about = [sensor.where, age, charge && `battery ${charge}`, ...due].filter(Boolean);
    row.append(shape, make("b", "name", sensor.id), make("span", "word", sensor.word),
      make("span", "about", about.join(" · ")));
    return row;
  }

  window.envmon.points = { topicCard, fill, claimedRow, ageText };
})();
