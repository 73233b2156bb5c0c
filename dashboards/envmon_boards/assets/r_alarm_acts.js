// What a person does to an alarm: acknowledge at once, the rest after a question.
"use strict";
(() => {
  const { put, make, ask, stamp, since } = window.envmon;
  const LATE_S = 4; // then the watch should have taken it
  const REASONS = ["being worked on", "waiting for a part", "the sensor is wrong", "no car in the bay"];
  // What must be seen before a latched alarm is reset; common practice of the trade.
  const LOOK_FIRST = {
    condensation: "Look at every panel for haze, water marks and soft spots before the car goes on.",
    cure_break: "Check the film as the product's sheet says before the car is handed over.",
  };
  const asked = new Map(); // alarm id -> {act, life, at}
  let dialog = null;

  const person = () => localStorage.getItem("envmon-by") ?? "";

  function say(text, bad) {
    const page = document.getElementById("page");
    const box = put(page, "said", text);
    if (box) box.classList.toggle("bad", bad);
  }

  const stateOf = (id) => window.envmon.alarmsNow().list.find((alarm) => alarm.id === id);

  async function send(id, act, body) {
    asked.set(id, { act, life: stateOf(id)?.life, at: stamp() });
    window.envmon.show();
    try {
      const by = person().trim();
      await ask(`/api/v1/alarms/${encodeURIComponent(id)}/${act}`, { ...body, ...(by ? { by } : {}) });
      say("", false);
      return true;
    } catch (error) {
      asked.set(id, { act, life: stateOf(id)?.life, at: stamp(), error: error.message });
      say(`not done: ${error.message}`, true);
      window.envmon.show();
      return false;
    }
  }

  // Only the watch can say that it is done; until then the button says what was asked.
  function askedText(id) {
    const one = asked.get(id);
    if (!one) return "";
    if (stateOf(id)?.life !== one.life || since(one.at) > 30) {
      asked.delete(id);
      return "";
    }
    if (one.error) return since(one.at) > 8 ? "" : "not done: try again";
    return since(one.at) > LATE_S ? "sent, the watch has not taken it yet" : "sent";
  }

  function labelAck(button, alarm) {
    if (!button) return;
    button.hidden = !alarm;
    if (!alarm) return;
    button.dataset.alarmId = alarm.id;
    const text = askedText(alarm.id) || "acknowledge";
    if (button.textContent !== text) button.textContent = text;
  }

  function labelAcks(root) {
    for (const button of root.querySelectorAll("[data-alarm-id]")) {
      const id = button.dataset.alarmId;
      button.dataset.text ??= button.textContent;
      const said = asked.get(id)?.act === button.dataset.act ? askedText(id) : "";
      const text = said || button.dataset.text;
      if (button.textContent !== text) button.textContent = text;
    }
  }

  function choice(text, name, value) {
    const button = make("button", "choice", text);
    button.type = "button";
    Object.assign(button.dataset, { choice: name, value });
    button.setAttribute("aria-pressed", "false");
    return button;
  }

  function choices(title, name, options) {
    const box = make("div", "choices", "");
    box.append(make("p", "", title), ...options.map(([text, value]) => choice(text, name, value)));
    return box;
  }

  function field(label, name, value, length) {
    const box = make("label", "why-field", label);
    const input = make("input", "", "");
    Object.assign(input, { name, value, maxLength: length, autocomplete: "off" });
    box.append(input);
    return box;
  }

  const lengthOf = (minutes) => (minutes % 60 === 0 ? `${minutes / 60} h` : `${minutes} min`);

  function minutesOf(longest) {
    const found = [15, 60, longest].filter((minutes) => minutes <= longest);
    return [...new Set(found)].map((minutes) =>
      [minutes === 60 ? "60 min" : lengthOf(minutes), String(minutes)]);
  }

  const QUESTIONS = {
    shelve: (longest) => ({
      title: "Shelve", done: "shelve",
      parts: [choices("for how long?", "minutes", minutesOf(longest)),
        choices("why?", "reason", REASONS.map((text) => [text, text])),
        field("or in words", "reason", "", 200)],
    }),
    remove: () => ({
      title: "Out of service", done: "take out of service",
      parts: [make("p", "look", "It does not alarm until somebody puts it back."),
        choices("why?", "reason", REASONS.map((text) => [text, text])),
        field("or in words", "reason", "", 200)],
    }),
    reset: (_longest, alarm) => ({
      title: "Reset", done: "looked at: reset",
      parts: [make("p", "look", LOOK_FIRST[alarm.what] ?? alarm.do)],
    }),
  };

  function open(act, alarm) {
    const page = document.querySelector("[data-alarm-page]");
    const { title, done, parts } = QUESTIONS[act](Number(page?.dataset.longest ?? 60), alarm);
    dialog?.remove();
    dialog = make("dialog", "alarm-ask", "");
    Object.assign(dialog.dataset, { asks: act, alarmOf: alarm.id });
    const end = make("div", "ends", "");
    const go = make("button", "alarm-button main", done);
    go.dataset.act = "ask-go";
    const cancel = make("button", "alarm-button", "leave it");
    cancel.dataset.act = "ask-leave";
    end.append(go, cancel);
    dialog.append(make("h2", "", `${title}: ${alarm.name || alarm.text}`), ...parts,
      field("your name (may be left out)", "by", person(), 60), end);
    document.body.append(dialog);
    dialog.addEventListener("input", ready);
    ready();
    dialog.showModal();
  }

  function answers() {
    const picked = (name) =>
      dialog.querySelector(`[data-choice="${name}"][aria-pressed="true"]`)?.dataset.value;
    const typed = (name) => dialog.querySelector(`input[name="${name}"]`)?.value.trim() ?? "";
    localStorage.setItem("envmon-by", typed("by"));
    const act = dialog.dataset.asks;
    const reason = typed("reason") || picked("reason") || "";
    if (act === "shelve") return { minutes: Number(picked("minutes") ?? NaN), reason };
    return act === "remove" ? { reason } : {};
  }

  function ready() {
    const body = answers();
    const good = (body.reason ?? "x") !== "" && !Number.isNaN(body.minutes ?? 0);
    dialog.querySelector('[data-act="ask-go"]').disabled = !good;
  }

  function pick(button) {
    for (const other of dialog.querySelectorAll(`[data-choice="${button.dataset.choice}"]`)) {
      other.setAttribute("aria-pressed", String(other === button));
    }
    const words = dialog.querySelector(`input[name="${button.dataset.choice}"]`);
    if (words) words.value = "";
    ready();
  }

  function finish(go) {
    if (go) send(dialog.dataset.alarmOf, dialog.dataset.asks, answers());
    dialog.close();
    dialog.remove();
    dialog = null;
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest?.("button");
    if (!button) return;
    const { act, alarmId: id, also } = button.dataset;
    if (button.dataset.choice) pick(button);
    else if (act === "ask-go" || act === "ask-leave") finish(act === "ask-go");
    else if (!id) return;
    else if (QUESTIONS[act]) {
      const alarm = stateOf(id);
      if (alarm) open(act, alarm);
    } else for (const one of [id, ...(also ? also.split(" ") : [])]) send(one, act, {});
  });
  Object.assign(window.envmon, { labelAck, labelAcks });
})();
