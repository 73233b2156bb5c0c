// The alarm's sound: what is played when. Made by the browser itself, no files.
"use strict";
(() => {
  // Pulses in a burst: ten for high, three for medium, two for low, as IEC 60601-1-8 has them for
  // such ranks (from memory). Start and length [s], frequency [Hz].
  const five = (at) => [[at, 880], [at + 0.2, 880], [at + 0.4, 880], [at + 0.75, 1175], [at + 0.95, 1175]];
  const PATTERNS = {
    high: { every: 5, wave: "square", length: 0.13, pulses: [...five(0), ...five(1.5)] },
    medium: { every: 20, wave: "triangle", length: 0.24, pulses: [[0, 660], [0.4, 660], [0.8, 660]] },
    low: { every: Infinity, wave: "sine", length: 0.3, pulses: [[0, 523], [0.45, 392]] },
  };
  const LOUDNESS = { high: 0.35, medium: 0.6, low: 0.6 };
  const RISE_S = 0.015; // without it every pulse clicks

  function schedule(context, priority, at) {
    const { wave, length, pulses } = PATTERNS[priority];
    for (const [start, hertz] of pulses) {
      const tone = new OscillatorNode(context, { type: wave, frequency: hertz });
      const loud = new GainNode(context, { gain: 0 });
      const [from, to] = [at + start, at + start + length];
      loud.gain.setValueAtTime(0, from);
      loud.gain.linearRampToValueAtTime(LOUDNESS[priority], from + RISE_S);
      loud.gain.setValueAtTime(LOUDNESS[priority], to - RISE_S);
      loud.gain.linearRampToValueAtTime(0, to);
      tone.connect(loud).connect(context.destination);
      tone.start(from);
      tone.stop(to);
    }
  }

  let context = null;

  // A context made before the page was touched is suspended; resume is tried again at each touch.
  function ensureContext() {
    if (typeof AudioContext === "undefined") return null;
    context ??= new AudioContext();
    if (context.state !== "running") context.resume().catch(() => {});
    return context;
  }

  const allowed = () => context?.state === "running";

  function play(priority) {
    if (!allowed()) return false;
    schedule(context, priority, context.currentTime + 0.05);
    const detail = { priority, at: context.currentTime, pulses: PATTERNS[priority].pulses.length };
    document.dispatchEvent(new CustomEvent("envmon-tone", { detail }));
    return true;
  }

  for (const name of ["pointerdown", "pointerup", "keydown"]) {
    document.addEventListener(name, () => {
      if (context && !allowed()) ensureContext()?.resume().then(() => window.envmon.show(), () => {});
    }, { capture: true });
  }
  Object.assign(window.envmon, { tones: { PATTERNS, schedule, play, allowed, ensureContext } });
})();
