// Asks the server for the next state again and again, in a thread of its own: a page that is not in
// front of others is slowed down, and its alarms must not be.
"use strict";
const LOST_MS = 1000, GIVE_UP_MS = 1800, AGAIN_MS = 250;
let number = 0, step = 0, fresh = performance.now(), why = "", sound = 0, over = false;

addEventListener("message", (said) => { sound = said.data.sound ? 1 : 0; });

async function next() {
  const stop = new AbortController();
  const late = setTimeout(() => stop.abort(), GIVE_UP_MS);
  try {
    const answer = await fetch(`/during/now?after=${number}&step=${step}&sound=${sound}`, { signal: stop.signal });
    if (answer.status === 410) { why = why || "No run is being recorded any more"; return; }
    if (answer.status === 403) { why = "The page needs a new link: look where canscope bench was started"; return; }
    if (!answer.ok) { why = (await answer.json()).error; return; }
    const got = await answer.json();
    if (got.number === number && !over) { why = "The process that judges stands still"; return; }
    if (got.number < number) step = 0;
    number = got.number;
    over = got.state.phase !== "running";
    step = got.curves.from + Math.max(0, ...Object.values(got.curves.roles).map((r) => r[0].length)) - 1;
    fresh = performance.now(); why = "";
    postMessage(got);
    if (over) await new Promise((go) => setTimeout(go, 200));
  } catch {
    why = "The page's server gives no answer";
  } finally { clearTimeout(late); }
}

async function follow() {
  for (;;) {
    await next();
    if (why) await new Promise((go) => setTimeout(go, AGAIN_MS));
  }
}

setInterval(() => {
  const age = performance.now() - fresh;
  postMessage({ age, lost: age > LOST_MS && (!over || why) ? why || "Nothing new has come" : "" });
}, 100);
follow();
