// Who is logged in, logging out with one tap, and saying so when a log-in has ended.
"use strict";
(() => {
  const { make } = window.envmon;
  let who = null; // {people, name, role}; null until the server has told
  let ended = false; // nothing is answered any more until somebody logs in
  let bar = null;

  const logIn = () => `/login?next=${encodeURIComponent(location.pathname)}`;

  async function learn() {
    try {
      const answer = await fetch("/api/v1/who", { cache: "no-store", signal: AbortSignal.timeout(4000) });
      if (!answer.ok) return;
      who = await answer.json();
      const { dataset } = document.documentElement;
      if (who.name) Object.assign(dataset, { person: who.name, role: who.role });
      window.envmon.show?.();
    } catch {
      setTimeout(learn, 5000);
    }
  }

  function showBar() {
    if (bar) return;
    bar = make("div", "door-bar", "");
    bar.setAttribute("role", "alert");
    const words = ended ? "The log-in has ended; nothing here is live." : "This takes a log-in.";
    const link = make("a", "door-go", ended ? "log in again" : "log in");
    link.href = logIn();
    bar.append(make("span", "", words), link);
    if (!ended) {
      const leave = make("button", "door-leave", "not now");
      leave.addEventListener("click", hideBar);
      bar.append(leave);
    }
    document.body.append(bar);
  }

  function hideBar() {
    bar?.remove();
    bar = null;
  }

  // Of every answer a page got: 401 to a question means that the log-in is over, to an act that
  // it takes one.
  function heard(status, wrote) {
    if (status === 401 && !(wrote && !who?.name)) {
      if (!ended) hideBar();
      ended = true;
      showBar();
    } else if (status === 401) showBar();
    else if (ended && status < 400) {
      ended = false;
      hideBar();
      learn();
    }
  }

  async function logOut() {
    try {
      await window.envmon.ask("/api/v1/logout", {});
      location.reload();
    } catch {
      window.alert("Not logged out: the board server does not answer.");
    }
  }

  function showDoor(page) {
    const box = page.querySelector("[data-door]");
    if (!box || !who?.people) return;
    const key = `${who.name} ${who.role}`;
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    if (!who.name) {
      const link = make("a", "door-button door-in", "log in");
      link.href = logIn();
      box.replaceChildren(link);
      return;
    }
    const out = make("button", "door-button door-out", "log out");
    out.addEventListener("click", logOut);
    box.replaceChildren(make("span", "door-name", who.name), out);
  }

  learn();
  Object.assign(window.envmon, { showDoor, heard, doorEnded: () => ended });
})();
