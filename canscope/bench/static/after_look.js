// One recording: its curves beside what its report says.

import { Curves, name, short, unitOf } from "./after_curves.js";
import { answer, begin, follow, wrong } from "./after_work.js";

const part = (id) => document.getElementById(id);
const section = part("curves");
const query = section.dataset.query, report = section.dataset.report;
const MOST = 32, LISTED = 200;
// What is shown unasked: what the driver asked for, and what answered.
const FIRST = [/^driver\.direction$/, /^driver\.brake$/, /^units\.[^.]+\.speed$/, /^pack\.voltage$/, /^pack\.current$/, /\.temperatures\./];
let curves = null;

function asked() {
  const names = new URLSearchParams(query), found = { capture: [], plan: [], definitions: [], marks: [] };
  for (const [key, value] of names) {
    found[key]?.push(value);
  }
  return found;
}

// --- work ---------------------------------------------------------------------------------------

async function load() {
  const more = report ? `&report=${encodeURIComponent(report)}` : "";
  const ask = () => fetch(`/after/signals?${query}${more}`).then(answer);
  let told = await ask();
  if (told.missing && section.dataset.running) {
    // It may be this recording that is being worked on; what goes wrong with another is not told.
    await follow(section.dataset.running).catch(() => {});
    told = await ask();
  }
  if (told.missing) {
    await follow((await begin({ ...asked(), judge: false })).id);
    told = await ask();
  }
  if (told.missing) {
    throw new Error(`No curves: ${told.missing}.`);
  }
  draw(told);
}

part("again")?.addEventListener("click", async function () {
  try {
    wrong("");
    const begun = await begin(asked());
    part("work").scrollIntoView({ block: "center" });
    const state = await follow(begun.id, (now) => now.report);
    location.href = `${begun.look}&report=${encodeURIComponent(state.where)}`;
  } catch (error) {
    wrong(error.message);
  }
});

// --- curves -------------------------------------------------------------------------------------

function draw(told) {
  if (!told.signals.length) {
    wrong("No signal of these definitions came in this recording.");
    return;
  }
  part("drawn").hidden = false;
  curves = new Curves(part("canvas"), told, async function (keys, from, until, columns) {
    const names = new URLSearchParams(query);
    keys.forEach((key) => names.append("key", key));
    names.set("from", from);
    names.set("until", until);
    names.set("width", columns);
    return (await fetch(`/after/curves?${names}`).then(answer)).curves;
  });
  curves.onWrong = wrong;
  curves.onView = viewed;
  curves.onCursor = read;
  curves.onFinding = jump;
  recall(first(told));
  listed();
  marked(told.marks);
}

function first(told) {
  const found = FIRST.flatMap((wanted) => told.signals.filter((signal) => wanted.test(signal.role)));
  const some = found.length ? found : told.signals.slice(0, 4);
  return some.slice(0, MOST).map((signal) => signal.key);
}

function choose(keys) {
  curves.show(keys.slice(0, MOST));
}

// The address says what is shown, so that it survives a reload and can be sent to somebody.
function recall(otherwise) {
  const kept = new URLSearchParams(location.hash.slice(1));
  const keys = kept.getAll("key").filter((key) => curves.known.has(key));
  choose(keys.length ? keys : otherwise);
  const from = Number(kept.get("from") ?? NaN), until = Number(kept.get("until") ?? NaN);
  if (from < until) {
    curves.go(from, until);
  } else {
    curves.whole();
  }
}

window.addEventListener("hashchange", function () {
  if (curves) {
    recall(curves.shown);
    listed();
  }
});

let announcing = 0;
function viewed(view) {
  const digits = Math.max(1, Math.min(6, 2 - Math.floor(Math.log10(view.until - view.from))));
  const text = `${view.from.toFixed(digits)} s to ${view.until.toFixed(digits)} s of ${short(curves.told.until)} s`;
  part("span").textContent = text;
  clearTimeout(announcing);
  announcing = setTimeout(function () {
    part("told").textContent = `Shown: ${text}`;
    remember();
  }, 400);
}

function remember() {
  const kept = new URLSearchParams();
  kept.set("from", curves.view.from);
  kept.set("until", curves.view.until);
  curves.shown.forEach((key) => kept.append("key", key));
  history.replaceState(null, "", `#${kept}`);
}

function read(readings) {
  part("at").textContent = curves.cursor === null ? "the cursor: touch the curves, or point at them" : `${short(Number(curves.cursor.toFixed(6)))} s`;
  const rows = readings.map(function ({ signal, text }) {
    const row = document.createElement("tr");
    const head = document.createElement("th"), value = document.createElement("td");
    head.scope = "row";
    head.textContent = name(signal);
    value.textContent = text;
    row.append(head, value);
    return row;
  });
  part("readout").replaceChildren(...rows);
}

function jump(finding) {
  const missing = finding.signals.filter((key) => curves.known.has(key) && !curves.shown.includes(key));
  if (missing.length) {
    choose([...missing, ...curves.shown]);
    remember();
    listed();
  }
  curves.jump(finding);
  part("told").textContent = finding.text;
}

document.querySelectorAll(".jump").forEach(function (button) {
  button.addEventListener("click", function () {
    if (curves) {
      jump(curves.told.findings[Number(button.dataset.finding)]);
      part("canvas").focus({ preventScroll: true });
      section.scrollIntoView({ block: "start" });
    }
  });
});

function marked(marks) {
  part("marks-part").hidden = !marks.length;
  part("marks").replaceChildren(...marks.map(function (mark) {
    const item = document.createElement("li"), button = document.createElement("button");
    const text = document.createElement("p");
    text.textContent = mark.text;
    button.type = "button";
    button.textContent = `Show at ${mark.at.toFixed(2)} s`;
    button.addEventListener("click", function () {
      curves.jump({ at: mark.at, window: null, signals: [] });
      part("canvas").focus({ preventScroll: true });
      section.scrollIntoView({ block: "start" });
    });
    const row = document.createElement("div");
    row.append(text, button);
    item.append(row);
    return item;
  }));
}

// --- choosing signals ---------------------------------------------------------------------------

function listed() {
  const words = part("filter").value.toLowerCase().split(/\s+/).filter(Boolean);
  const fits = (signal) => words.every((word) => `${name(signal)} ${signal.unit}`.toLowerCase().includes(word));
  const found = curves.told.signals.filter(fits);
  const order = (signal) => (curves.shown.includes(signal.key) ? 0 : signal.role ? 1 : 2);
  found.sort((a, b) => order(a) - order(b));
  part("signals").replaceChildren(...found.slice(0, LISTED).map(function (signal) {
    const label = document.createElement("label"), box = document.createElement("input");
    box.type = "checkbox";
    box.checked = curves.shown.includes(signal.key);
    box.addEventListener("change", function () {
      const others = curves.shown.filter((key) => key !== signal.key);
      if (box.checked && others.length >= MOST) {
        box.checked = false;
        part("more").textContent = `At most ${MOST} signals are drawn at once: take one away first.`;
        return;
      }
      choose(box.checked ? [...others, signal.key] : others);
      remember();
    });
    label.append(box, ` ${name(signal)}${signal.unit ? `, ${unitOf(signal)}` : ""}`);
    return label;
  }));
  const left = found.length - LISTED;
  part("more").textContent = left > 0 ? `and ${left} more: write words of the name to find them` : `${found.length} signals`;
}

part("filter").addEventListener("input", listed);
part("fit").addEventListener("change", function () {
  curves.fit = part("fit").checked;
  curves.draw();
});
const buttons = {
  earlier: () => curves.pan(-0.25),
  later: () => curves.pan(0.25),
  closer: () => curves.zoom(1 / 2),
  further: () => curves.zoom(2),
  whole: () => curves.whole(),
};
for (const [id, work] of Object.entries(buttons)) {
  part(id).addEventListener("click", work);
}

load().catch((error) => wrong(error.message));
