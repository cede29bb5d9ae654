// The run while it is recorded. Every text from outside goes in as text, never as markup.
"use strict";
const $ = (id) => document.getElementById(id);
const feed = new Worker("/static/feed.js");
let state = null, lost = "", single = localStorage.getItem("single-keys") !== "off";
let drawn = "", begun = null, begun_ms = 0, quiet = 0;

// -- showing --------------------------------------------------------------------------------

function element(tag, text, kind) {
  const made = document.createElement(tag);
  if (text !== undefined && text !== null) made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

// Rows are made once and then only get new words, so that nothing jumps and focus stays.
function rows(place, wanted, make, fill) {
  while (place.children.length > wanted.length) place.lastChild.remove();
  wanted.forEach((one, n) => {
    if (!place.children[n]) place.append(make());
    fill(place.children[n], one);
  });
}

function say(place, text) { if (place.textContent !== text) place.textContent = text; }
function kind(place, name, on) { if (place.classList.contains(name) !== !!on) place.classList.toggle(name, !!on); }
function hide(place, hidden) { if (place.hidden !== hidden) place.hidden = hidden; }
function seconds(s) { return s < 100 ? `${s.toFixed(1)} s` : `${Math.round(s)} s`; }
function aged(age) { return age === null ? "never heard" : age >= 0.5 ? `${seconds(age)} old` : "now"; }
function clock(s) { return `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`; }

function band(word, order) {
  const place = $("band"), name = word.replace(" ", "-");
  if (place.dataset.word !== name) { place.dataset.word = name; $("sign").setAttribute("href", `#sign-${name}`); }
  say($("word"), word);
  say($("order"), order);
  say($("always-word"), word);
  $("always-word").dataset.word = name;
  kind($("order"), "long", order.length > 32);
  if (drawn !== word + order) {
    drawn = word + order;
    $("told").textContent = `${word}: ${order}`;
    document.title = `${word} · canscope bench`;
  }
}

function show() {
  if (!state) return;
  const over = state.phase === "over";
  if (lost) band("STOP", `This page no longer knows: ${lost}`);
  else band(state.word, state.order);
  kind(document.body, "lost", lost);
  hide($("lost-note"), !lost);
  if (over) { showResult(state.result); return; }
  if (state.phase !== "running") return;
  const standing = state.alarms.filter((a) => !a.acknowledged);
  hide($("acknowledge"), !standing.length || !!lost);
  say($("rec"), lost ? "NOT KNOWN" : state.recording ? "● RECORDING" : "○ ARMED");
  say($("always-rec"), $("rec").textContent);
  const frames = state.buses.reduce((sum, bus) => sum + bus.frames, 0);
  say($("rec-more"), `${state.since_s === null || state.replays ? "" : clock(state.since_s) + " · "}${frames.toLocaleString("en")} frames · ${state.recorder}${state.replays ? " · REHEARSAL: a recorded file, no vehicle" : ""}`);
  showSound();
  const most = innerHeight > 950 && innerWidth > 700 ? 4 : 2, alarms = state.alarms.slice(0, $("all-alarms").checked ? undefined : most);
  say($("more-alarms"), state.alarms.length > most ? ` all ${state.alarms.length} alarms of this run` : "");
  hide($("all-alarms").parentElement, state.alarms.length <= most);
  rows($("alarms"), alarms, () => { const li = element("li"); li.append(element("b"), element("span"), element("small")); return li; }, (li, a) => {
    li.className = `${a.stops ? "stop" : "warn"}${a.acknowledged ? " done" : ""}`;
    const [b, span, small] = li.children;
    say(b, a.acknowledged ? `${a.stops ? "■" : "△"} acknowledged` : a.stops ? "■ STOP" : "△ warning");
    say(span, a.acknowledged && a.short ? a.short : a.text);
    say(small, `${a.rule}${a.subject ? ", " + a.subject : ""}`);
  });
  const why = state.word === "NOT READY" ? state.why.filter((w) => !/^(not acknowledged|failed in this run): /.test(w)) : [];
  rows($("why"), why, () => element("li"), (li, text) => say(li, text));
  hide($("units"), !state.units.length);
  axles(state.units);
  const facts = [...state.driver.map((d) => ({ ...d, unit: "" })), ...state.pack];
  rows($("facts"), facts, () => { const div = element("div"); div.append(element("dt"), element("dd"), element("dd", "", "age")); return div; }, (div, f) => {
    const [dt, dd, age] = div.children;
    say(dt, f.name); say(dd, f.value === null ? "?" : `${f.value} ${f.unit}`); say(age, f.how || aged(f.age_s));
    kind(div, "stale", f.value === null);
  });
  rows($("temperatures"), state.temperatures, () => { const tr = element("tr"); tr.append(element("th"), element("td"), element("td"), element("td"), element("td", "", "age")); tr.firstChild.scope = "row"; return tr; }, (tr, t) => {
    const [name, now, slope, ceiling, age] = tr.children, soon = t.to_ceiling_s !== null && t.to_ceiling_s < 60;
    say(name, t.name); say(now, t.value === null ? "?" : t.value.toFixed(1));
    say(slope, t.value === null || t.slope === null ? "" : `${t.slope > 0 ? "▲ +" : t.slope < 0 ? "▼ −" : "▶ "}${Math.abs(t.slope).toFixed(2)}`);
    say(ceiling, t.ceiling === null ? "" : t.value === null || t.to_ceiling_s === null || t.to_ceiling_s > 999 ? `${t.ceiling} °C` : `${t.ceiling} °C in ${t.to_ceiling_s} s`);
    say(age, aged(t.age_s)); kind(tr, "soon", soon); kind(tr, "stale", t.value === null);
  });
  rows($("buses"), state.buses, () => { const li = element("li"); li.append(element("b"), element("span")); return li; }, (li, b) => {
    say(li.firstChild, b.name);
    const words = [b.state === "recording" ? "" : b.state, b.lost ? `${b.lost} LOST` : "", b.listens, `${b.frames.toLocaleString("en")} frames`, b.per_s === null ? "" : `${b.per_s.toLocaleString("en")}/s`, b.age_s === null ? "no frame yet" : b.age_s >= 0.5 ? `the last ${seconds(b.age_s)} ago` : "", b.errors];
    say(li.lastChild, words.filter(Boolean).join(", "));
    kind(li, "wrong", b.wrong);
  });
  rows($("marks"), [...state.marks].reverse(), () => element("li"), (li, m) => say(li, m.after_s ? `${clock(m.after_s)}  ${m.text}` : m.text));
  showTicks();
  try { Sound.wake(); } catch { /* no sound at all: the page says so */ }
buttons();
}

const ARROWS = { forward: "▲ forward", reverse: "▼ reverse", neutral: "● neutral", still: "■ still" };

// A row for each thing, a column for each axle, so that the axles are compared at a glance.
function axles(units) {
  const table = $("units"), lines = [
    ["asked", (u) => (u.asked ? ARROWS[u.asked] : "?")],
    ["turns", (u) => (u.turns ? ARROWS[u.turns] : "?") + (against(u) ? " ✖ not as asked" : "")],
    ["rpm", (u) => (u.speed_rpm === null ? "?" : u.speed_rpm)],
    ["age", (u) => aged(u.age_s)],
    ...(units.some((u) => u.dry) ? [["dry left", (u) => left(u.burst_left_s)], ["dry in all", (u) => left(u.total_left_s)]] : []),
  ];
  rows(table.tHead.rows[0], [{ name: "" }, ...units], () => { const th = element("th"); th.scope = "col"; return th; }, (th, u) => {
    say(th, u.name); kind(th, "turning", u.turning); kind(th, "against", u.name && against(u));
  });
  rows(table.tBodies[0], lines, () => element("tr"), (tr, [word, what]) => {
    tr.className = word.replace(/ /g, "-");
    rows(tr, [null, ...units], () => { const cell = element(tr.children.length ? "td" : "th"); if (!tr.children.length) cell.scope = "row"; return cell; }, (cell, u) => {
      say(cell, u ? String(what(u)) : word);
      if (!u) return;
      kind(cell, "turning", u.turning); kind(cell, "against", against(u)); kind(cell, "stale", u.speed_rpm === null);
      kind(cell, "short", word === "dry left" && u.burst_left_s !== null && u.burst_left_s < 2);
    });
  });
}

function against(u) { return u.asked && u.turns && u.turns !== "still" && u.asked !== "neutral" && u.asked !== u.turns; }
function left(s) { return s === null ? "no limit" : s < 0 ? `over by ${(-s).toFixed(1)} s` : `${s.toFixed(1)} s`; }

function showSound() {
  const on = Sound.on();
  hide($("silent"), on && state.heard);
  say($("silent-why"), on ? "Was it heard at the vehicle?" : "This page makes no sound before it is touched, or a key is pressed.");
}

function showTicks() {
  const boxes = [...$("steps").querySelectorAll("input")];
  boxes.forEach((box) => { const done = !!state.ticks[box.name]; if (box.checked !== done && document.activeElement !== box) box.checked = done; });
  say($("steps-count"), `(${boxes.filter((b) => b.checked).length} of ${boxes.length} done)`);
}

function showResult(result) {
  const place = $("result");
  document.body.classList.add("over");
  hide($("acknowledge"), true);
  if (!place.hidden || !result) return;
  const words = { pass: "PASS", fail: "FAIL", unproven: "UNPROVEN" }, shapes = { pass: "proven", fail: "failed", unproven: "unproven" };
  if (result.verdict) {
    const p = element("p", null, `verdict ${result.verdict}`), svg = document.createElementNS("http://www.w3.org/2000/svg", "svg"), use = document.createElementNS("http://www.w3.org/2000/svg", "use");
    use.setAttribute("href", `#shape-${shapes[result.verdict]}`); svg.setAttribute("class", "shape"); svg.append(use);
    p.append(svg, ` ${words[result.verdict]}`);
    place.append(p, element("p", result.headline));
  } else place.append(element("p", "No plan: nothing was judged."));
  if (result.mistake) place.append(element("p", result.mistake, "mistake"));
  if (result.report) {
    const link = element("a", "Open the report", "big"), path = `${document.body.dataset.run}/${result.report}`;
    link.href = `/documents/${path.split("/").map(encodeURIComponent).join("/")}`;
    place.append(link);
  }
  const on = element("a", "All runs", "big"); on.href = "/after"; place.append(on);
  hide(place, false);
}

// -- doing ----------------------------------------------------------------------------------

async function act(what) {
  try {
    const answer = await fetch("/during/do", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(what) });
    const said = await answer.json();
    if (said.error) { prompt_(said.error); return null; }
    return said;
  } catch { prompt_("That did not reach the run: do it again"); return null; }
}

function prompt_(text) { say($("prompt"), text); quiet = Date.now() + 4000; }

function heard() { Sound.wake(); act({ do: "heard" }); }
function acknowledge() { Sound.wake(); act({ do: "acknowledge" }); }
function mark(row, words) { act({ do: "mark", ...row }).then((done) => done && prompt_(`noted: ${words}`)); }

// What was begun with a first key; it is forgotten after some seconds.
function begin(what, words) { begun = what; begun_ms = Date.now(); say($("prompt"), words); quiet = Date.now() + 8000; buttons(true); }

const WAYS = { f: "forward", r: "reverse", s: "still", n: "neutral" };
function choices() {
  if (begun && Date.now() - begun_ms > 8000) begun = null;
  if (begun) {
    const ways = begun.axle ? ["f", "r", "s"] : ["f", "r", "n"];
    return [...ways.map((key) => [key, WAYS[key], () => {
      const was = begun; begun = null;
      if (was.axle) mark({ axle: was.axle, seen: WAYS[key] }, `${was.axle} wheel seen: ${WAYS[key]}`);
      else mark({ asked: WAYS[key] }, `asked for: ${WAYS[key]}`);
      buttons(true);
    }]), ["Escape", "drop it", () => { begun = null; say($("prompt"), ""); buttons(true); }]];
  }
  const axles = state ? state.axles.slice(0, 9) : [];
  return [
    ...axles.map((axle, n) => [String(n + 1), axle, () => begin({ axle }, `Which way did the ${axle} wheel turn?`)]),
    ["a", "asked", () => begin({ asked: true }, "Which direction was asked for?")],
    ...(state && Object.keys(state.hand).length ? [["m", "meter", openMeter]] : []),
    ["n", "note", () => { $("note").value = ""; $("note-box").show(); }],
    ["e", "end", () => $("end-box").show()],
  ];
}

let legend = "";
function buttons(now) {
  const wanted = choices(), text = wanted.map(([key, words]) => key + words).join() + single;
  if (text === legend && !now) return;
  legend = text;
  const place = $("buttons"), focused = document.activeElement && document.activeElement.dataset ? document.activeElement.dataset.key : null;
  place.replaceChildren(...wanted.map(([key, words, go]) => {
    const button = element("button", words);
    button.dataset.key = key;
    button.prepend(element("kbd", key === "Escape" ? "Esc" : key.toUpperCase()), " ");
    button.addEventListener("click", go);
    return button;
  }));
  const toggle = element("button", single ? "single keys: on" : "single keys: off", "quiet");
  toggle.addEventListener("click", () => { single = !single; localStorage.setItem("single-keys", single ? "on" : "off"); buttons(true); });
  place.append(toggle);
  if (begun) place.firstChild.focus();
  else if (focused) { const again = place.querySelector(`[data-key="${focused}"]`); if (again) again.focus(); }
}

addEventListener("keydown", (event) => {
  Sound.wake();
  if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
  const open = document.querySelector("dialog[open]");
  if (open && event.key === "Escape") { open.close(""); return; }
  if (event.target.closest("input:not([type=checkbox]), select, textarea, dialog")) return;
  if (event.key === " " && !$("acknowledge").hidden) { event.preventDefault(); if (!event.repeat) acknowledge(); return; }
  // Else it would scroll the word out of sight, when the alarm went away just before.
  if (event.key === " " && !event.target.closest("button, summary, a, input")) event.preventDefault();
  if (!single || event.repeat) return;
  const more = [["t", "", Sound.test], ["h", "", heard]];
  const found = [...choices(), ...more].find(([key]) => key === event.key.toLowerCase() || key === event.key);
  if (found) { event.preventDefault(); found[2](); }
});
addEventListener("pointerdown", () => Sound.wake());
$("acknowledge").addEventListener("click", acknowledge);
$("sound").addEventListener("click", Sound.test);
$("heard").addEventListener("click", heard);
$("steps").addEventListener("change", (event) => act({ do: "tick", task: event.target.name, done: event.target.checked }));

$("note-box").addEventListener("close", () => {
  const text = $("note").value.trim();
  if ($("note-box").returnValue === "keep" && text) mark({ text }, "a note");
  $("note-box").returnValue = "";
});
$("end-box").addEventListener("close", () => {
  if ($("end-box").returnValue === "end") act({ do: "end" });
  $("end-box").returnValue = "";
});

let looked = null;
const METERS = "meters"; // which instrument read a unit last, and who
async function openMeter() {
  const said = await act({ do: "look" });
  if (!said) return;
  looked = said.time_ns;
  const role = $("meter-role");
  if (!role.options.length) for (const name of Object.keys(state.hand)) role.add(new Option(name.replace("units.", "").replace(".temperatures.", " ").replace(/[._]/g, " "), name));
  fillMeter();
  $("meter-value").value = "";
  $("meter-box").show();
}
function fillMeter() {
  const unit = state.hand[$("meter-role").value], known = JSON.parse(localStorage.getItem(METERS) || "{}")[unit] || {};
  $("meter-unit").textContent = unit;
  $("meter-instrument").value = known.instrument || "";
  $("meter-uncertainty").value = known.uncertainty || "";
  $("meter-by").value = known.by || state.tester || "";
}
$("meter-role").addEventListener("change", fillMeter);
$("meter-box").addEventListener("close", () => {
  if ($("meter-box").returnValue !== "keep") return;
  $("meter-box").returnValue = "";
  const field = (name) => $(`meter-${name}`).value.trim(), role = field("role"), unit = state.hand[role];
  const row = { role, value: field("value").replace(",", "."), uncertainty: field("uncertainty").replace(",", "."), instrument: field("instrument"), by: field("by") };
  const all = JSON.parse(localStorage.getItem(METERS) || "{}");
  all[unit] = { instrument: row.instrument, uncertainty: row.uncertainty, by: row.by };
  localStorage.setItem(METERS, JSON.stringify(all));
  act({ do: "reading", time_ns: looked, ...row }).then((done) => done && prompt_(`noted: ${role} ${row.value} ${unit}`));
});

// -- following --------------------------------------------------------------------------------

feed.addEventListener("message", ({ data }) => {
  if (data.state) {
    if (state && state.run !== data.state.run) { location.reload(); return; } // another run began
    const first = !state;
    state = data.state;
    Curves.take(data.curves);
    if (first || !$("curves").children.length) Curves.layOut($("curves"), Object.keys(data.curves.roles));
    lost = "";
    show();
    if (data.number % 2 === 0) requestAnimationFrame(Curves.draw);
    return;
  }
  const over = state && state.phase === "over";
  if (data.lost !== undefined) {
    const was = lost;
    lost = over ? "" : data.lost;
    if (!state && lost) band("STOP", `This page no longer knows: ${lost}`);
    else if (lost !== was) show();
    say($("age"), over ? "" : ` · ${(data.age / 1000).toFixed(1)} s ago`);
    Sound.ring(lost ? "stop" : state && state.phase === "running" ? state.rings : "");
    feed.postMessage({ sound: Sound.on() });
    if (state && state.phase === "running") showSound();
    if (quiet && Date.now() > quiet) { quiet = 0; if (begun) begun = null; say($("prompt"), ""); buttons(true); }
  }
});
try { Sound.wake(); } catch { /* no sound at all: the page says so */ }
Sound.wake(); // where the browser lets it: the person was at Before a moment ago
buttons();
