// The tones of a stop and of a warning, as the terminal sounds them: three short ones again and
// again, or one long one with a long pause. A browser lets a page sound once it has been touched.
"use strict";
const Sound = (() => {
  const PERIOD_S = { stop: 1, warn: 4 };
  let context = null, next_s = 0, rung = 0;

  function wake() {
    context = context || new AudioContext();
    if (context.state === "suspended") context.resume();
    return context;
  }

  function on() { return context !== null && context.state === "running"; }

  function beat(at_s, length_s, pitch) {
    const tone = new OscillatorNode(context, { frequency: pitch });
    const swell = new GainNode(context, { gain: 0 });
    swell.gain.setValueAtTime(0, at_s);
    swell.gain.linearRampToValueAtTime(0.8, at_s + 0.005);
    swell.gain.setValueAtTime(0.8, at_s + length_s - 0.005);
    swell.gain.linearRampToValueAtTime(0, at_s + length_s);
    tone.connect(swell).connect(context.destination);
    tone.start(at_s);
    tone.stop(at_s + length_s);
  }

  function play(kind) {
    const at_s = context.currentTime + 0.01;
    if (kind === "stop") [0, 0.22, 0.44].forEach((late) => beat(at_s + late, 0.12, 1800));
    else beat(at_s, 0.8, 500);
    next_s = at_s + PERIOD_S[kind];
    rung += 1;
    document.documentElement.dataset.rung = rung;
  }

  // Call it often; it sounds once a period.
  function ring(kind) {
    document.documentElement.dataset.sound = on() ? "on" : "off";
    if (kind && on() && context.currentTime >= next_s - 0.02) play(kind);
  }

  function test() { wake().resume().then(() => play("stop")); }

  return { wake, on, ring, test };
})();
