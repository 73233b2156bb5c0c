// Logs a person in. What is typed goes to this server only and is kept nowhere in the browser.
"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const [form, name, secret, said] = ["form", "name", "secret", "said"].map(byId);
  const MOST_NAMES = 4;
  let busy = false;
  let waitUntil = 0;

  const wished = localStorage.getItem("envmon-theme");
  const light = matchMedia("(prefers-color-scheme: light)").matches;
  document.documentElement.dataset.theme = wished ?? (light ? "light" : "dark");

  // Only a page of ours is gone back to.
  function next() {
    const asked = new URLSearchParams(location.search).get("next") ?? "/";
    try {
      const address = new URL(asked, location.origin);
      const own = address.origin === location.origin && asked.startsWith("/");
      // "/.//other" is of ours, but its path alone leads to another machine.
      return own && !/^\/(\/|login)/.test(address.pathname) ? address.pathname : "/";
    } catch {
      return "/";
    }
  }

  function namesBefore() {
    try {
      const kept = JSON.parse(localStorage.getItem("envmon-names")) ?? [];
      return kept.filter((one) => typeof one === "string").slice(0, MOST_NAMES);
    } catch {
      return [];
    }
  }

  function remember(who) {
    const names = [who, ...namesBefore().filter((one) => one !== who)];
    localStorage.setItem("envmon-names", JSON.stringify(names.slice(0, MOST_NAMES)));
  }

  function choose(who) {
    name.value = who;
    for (const chip of byId("names").children) chip.ariaPressed = String(chip.textContent === who);
  }

  function showNames() {
    const chips = namesBefore().map((who) => {
      const chip = document.createElement("button");
      Object.assign(chip, { type: "button", className: "chip", textContent: who });
      chip.addEventListener("click", () => { choose(who); secret.focus(); });
      return chip;
    });
    byId("names").replaceChildren(...chips);
    if (chips.length) choose(chips[0].textContent);
  }

  function say(text, kind = "bad") {
    said.textContent = text;
    said.dataset.kind = kind;
  }

  function usePassword(on) {
    document.body.dataset.with = on ? "password" : "pin";
    byId("what").textContent = on ? "Password" : "PIN";
    byId("other").textContent = on ? "PIN instead" : "password instead";
    secret.inputMode = on ? "text" : "none";
    byId("keys").hidden = on;
    document.querySelector(".go.wide").hidden = !on;
    secret.value = "";
    say("");
  }

  function press(key) {
    secret.value = key === "rub" ? secret.value.slice(0, -1) : secret.value + key;
    say("");
  }

  function wait() {
    const left = Math.ceil((waitUntil - performance.now()) / 1000);
    if (left > 0) say(`Too many tries. Try again in ${left} s.`);
    else if (waitUntil) {
      waitUntil = 0;
      say("Try again now.", "calm");
    }
  }

  async function send(body) {
    const answer = await fetch("/api/v1/login", {
      method: "POST", cache: "no-store", headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body), signal: AbortSignal.timeout(20000),
    });
    const told = await answer.json();
    if (answer.ok) {
      remember(told.name);
      location.replace(next());
      return;
    }
    secret.value = "";
    if (answer.status === 429) {
      waitUntil = performance.now() + 1000 * Number(answer.headers.get("Retry-After") ?? 5);
      wait();
    } else if (answer.status === 401) {
      const pin = document.body.dataset.with === "pin";
      say(`Name and ${pin ? "PIN" : "password"} do not fit together.`);
    } else say(told.error ?? `answer ${answer.status}`);
  }

  async function logIn(event) {
    event.preventDefault();
    if (busy || waitUntil) return;
    if (!name.value.trim()) { say("Say who you are first."); name.focus(); return; }
    if (!secret.value) { say("Nothing is typed yet."); return; }
    busy = true;
    say("…", "calm");
    try {
      await send({ name: name.value.trim(), secret: secret.value });
    } catch {
      say("The board server does not answer.");
    } finally {
      busy = false;
    }
  }

  form.addEventListener("submit", logIn);
  byId("keys").addEventListener("click", (event) => {
    const { key } = event.target.closest("button")?.dataset ?? {};
    if (key) press(key);
  });
  byId("other").addEventListener("click", () => usePassword(document.body.dataset.with === "pin"));
  setInterval(wait, 500);
  usePassword(false);
  showNames();
  if (name.value) secret.focus(); else name.focus();
  // Opened from another program the browser keeps the session back at first; asked here it shows.
  fetch("/api/v1/who", { cache: "no-store" }).then((answer) => answer.json())
    .then((told) => { if (told.name && new URLSearchParams(location.search).has("next")) location.replace(next()); })
    .catch(() => {});
})();
