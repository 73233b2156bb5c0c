// What is foreseen of a bay: one line on its card and a faint fan in its trend. Nothing old is shown.
"use strict";
(() => {
  const { settings, put } = window.envmon;
  const OLDEST_S = 120; // of the shop's own time
  const FAN_MS = 90 * 60_000;
  const FANS = { temps: ["air_temp_c", "--line-air"], hum: ["rel_hum_pct", "--line-air"] };

  // Where the clock runs fast an outlook grows old as fast, but may be as old as a state may.
  function young(one) {
    const silence = Number(settings().silence ?? 15);
    const oldest = Math.max(OLDEST_S / Math.max(1, Number(settings().speed ?? 1)), silence);
    return one && one.age <= oldest ? one.state : null;
  }

  function fresh(one) {
    const state = young(one);
    return state?.known ? state : null;
  }

  // What is said of a stage; the server takes care that it speaks against no verdict.
  function saidOf(outlook) {
    return outlook?.about?.text ? outlook.about : null;
  }

  function wordsOf(about, worked) {
    return about.stage === worked ? about.text : `${about.name}: ${about.text}`;
  }

  window.envmon.showOutlook = (card, heard, bay) => {
    const box = card.querySelector(".outlook");
    const outlook = fresh(heard);
    const about = saidOf(outlook);
    const text = about ? wordsOf(about, bay?.stage) : "";
    const shown = text || (young(heard)?.morning?.line ?? ""); // of the morning when nothing is worked
    box.hidden = !shown;
    box.classList.toggle("morning", !text);
    put(card, "ahead", shown);
    put(card, "guess", text && outlook.guessing ? "a guess still" : "");
    card.style.setProperty("--outlook", shown ? `${box.offsetWidth}px` : "0px");
  };

  function faint(colour, share) {
    const whole = Number.parseInt(colour.replace("#", ""), 16);
    return `rgba(${(whole >> 16) & 255}, ${(whole >> 8) & 255}, ${whole & 255}, ${share})`;
  }

  // Between the ends of what is expected in nine cases of ten, and its middle.
  window.envmon.fansOf = (bay, div, inUnits) => {
    const outlook = fresh(window.envmon.outlookOf(bay));
    const [quantity, token] = FANS[div.dataset.plot];
    const fan = outlook?.fans.find((one) => one.quantity === quantity);
    if (!fan) return [];
    const last = fan.t_ms.findLastIndex((t) => t <= fan.t_ms[0] + FAN_MS) + 1;
    const colour = getComputedStyle(div).getPropertyValue(token).trim();
    const values = (name) => fan[name].slice(0, last).map((v) => inUnits(v, div.dataset.plot));
    const times = fan.t_ms.slice(0, last);
    const plain = { mode: "lines", hoverinfo: "skip", showlegend: false };
    return [
      { ...plain, x: [...times, ...[...times].reverse()], y: [...values("low"), ...values("high").reverse()],
        fill: "toself", fillcolor: faint(colour, 0.14), line: { width: 0 } },
      { ...plain, x: times, y: values("middle"), line: { color: faint(colour, 0.5), width: 3, dash: "dot" } },
    ];
  };

  window.envmon.outlookSaid = saidOf;
  window.envmon.outlookNow = (bay) => fresh(window.envmon.outlookOf(bay));
})();
