// Before: says what is still missing, and starts the run.
"use strict";
const $ = (id) => document.getElementById(id);
const all = (selector) => [...document.querySelectorAll(selector)];
const plan = document.body.dataset.plan, kept = `before ${plan}`;

function rehearsed() { return document.querySelector("[name=how]:checked").value === "replay"; }

// [is it so, what it says if it is, what it says if it is not]
function readiness() {
  const cautions = all("[name=caution]"), buses = all("[name=bus]");
  const open = buses.filter((bus) => !bus.value.trim()).map((bus) => bus.dataset.bus);
  const used = buses.map((bus) => bus.value.trim()).filter(Boolean);
  const twice = used.find((one, n) => used.indexOf(one) !== n);
  const left = cautions.filter((box) => !box.checked).length;
  const source = rehearsed()
    ? [!!$("capture").value, "A rehearsal: nothing of it counts for the vehicle", "No recorded file is chosen"]
    : twice ? [false, "", `${twice} is chosen for two buses`]
      : [!open.length, "Every bus has an adapter", `No adapter for ${open.join(", ")}`];
  return [
    [true, "The plan can be used", ""],
    source,
    [!left, "All cautions are acknowledged", `${left} of ${cautions.length} cautions are not acknowledged`],
    [$("heard").checked, "The sound was heard", "The sound test was not confirmed: the run can start, and is not READY before"],
    [!!$("who").value.trim(), "Somebody signs for the recording", "Nobody is named who records"],
  ];
}

function show() {
  $("adapters").hidden = rehearsed();
  $("replay").hidden = !rehearsed();
  $("ready").replaceChildren(...readiness().map(([is, yes, no]) => {
    const li = document.createElement("li");
    li.className = is ? "is" : "not";
    li.textContent = is ? `✓ ${yes}` : `○ ${no}`;
    return li;
  }));
}

function keep() {
  const ticks = all("[name=step]:checked").map((box) => box.value);
  const buses = Object.fromEntries(all("[name=bus]").map((bus) => [bus.dataset.bus, bus.value]));
  sessionStorage.setItem(kept, JSON.stringify({ ticks, buses }));
}

function recall() {
  const was = JSON.parse(sessionStorage.getItem(kept) || "{}");
  all("[name=step]").forEach((box) => { box.checked = (was.ticks || []).includes(box.value); });
  all("[name=bus]").forEach((bus) => { bus.value = (was.buses || {})[bus.dataset.bus] || bus.value; });
}

async function start() {
  const chosen = rehearsed()
    ? { replay: $("capture").value, speed: $("speed").value }
    : { buses: Object.fromEntries(all("[name=bus]").map((bus) => [bus.dataset.bus, bus.value])), not_silent: $("not-silent").value };
  const ticks = Object.fromEntries(all("[name=step]:checked").map((box) => [box.value, true]));
  const asked = { plan, ...chosen, ticks, cautions: all("[name=caution]:checked").map((box) => box.value), heard: $("heard").checked, who: $("who").value, note: $("note").value };
  $("refused").hidden = true; $("start").disabled = true; $("wait").textContent = "Opening …";
  let said = { error: "the page's server gives no answer", hint: "start canscope bench again" };
  try {
    const answer = await fetch("/before/start", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(asked) });
    said = await answer.json();
  } catch { /* said so */ }
  if (said.go) { sessionStorage.removeItem(kept); location.assign(said.go); return; }
  $("start").disabled = false; $("wait").textContent = "";
  $("refused").textContent = said.hint ? `${said.error}. ${said.hint}` : said.error;
  $("refused").hidden = false;
}

if ($("start")) {
  recall();
  show();
  document.addEventListener("input", () => { keep(); show(); });
  $("test").addEventListener("click", Sound.test);
  $("start").addEventListener("click", start);
  fetch(`/before/earlier?plan=${encodeURIComponent(plan)}`).then((a) => a.json()).then((a) => {
    $("earlier").textContent = a.said ? a.said.join(". ") : a.error;
  }).catch(() => {});
}
