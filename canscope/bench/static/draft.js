// The draft of a plan: files in, roles with their candidates and open questions out.
"use strict";
const $ = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg", size = document.body.dataset;
const roles = {}, answers = {};

function element(tag, text, kind) {
  const made = document.createElement(tag);
  if (text) made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

async function ask(write) {
  const files = [...document.querySelectorAll("[name=definition]:checked")].map((box) => box.value);
  const asked = { definitions: files, capture: $("capture").value, to: $("to").value, roles, answers, write };
  $("refused").hidden = true;
  $("wait").textContent = "Looking through the capture …";
  let said = { error: "the page's server gives no answer" };
  try {
    const answer = await fetch("/before/draft", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(asked) });
    said = await answer.json();
  } catch { /* said so */ }
  $("wait").textContent = "";
  if (said.written) { location.assign(`/before?plan=${encodeURIComponent(said.written)}`); return; }
  if (said.error) {
    $("refused").textContent = said.hint ? `${said.error}: ${said.hint}` : said.error;
    $("refused").hidden = false;
    $("refused").scrollIntoView();
    return;
  }
  show(said);
}

function show({ roles: found, questions, open, unused }) {
  $("part-roles").hidden = $("part-questions").hidden = false;
  $("roles").replaceChildren(...found.map(role));
  $("questions").replaceChildren(...questions.map(question));
  const told = unused.length ? ` ${unused.join(", ")}: fits no bus of this capture.` : "";
  $("left").textContent = (open ? `${open} questions are open.` : "Nothing is open.") + told;
}

function role({ role: name, taken, candidates }) {
  const label = element("label", null, taken ? "" : "open"), select = element("select"), curve = document.createElementNS(SVG, "svg"), why = element("small");
  label.append(element("b", name), select, curve, why);
  select.add(new Option("left open", ""));
  for (const one of candidates) select.add(new Option(`${one.percent} %  ${one.key}`, one.key));
  select.value = taken;
  curve.setAttribute("viewBox", `0 0 ${size.width} ${size.height}`);
  curve.setAttribute("aria-hidden", "true");
  const outline = document.createElementNS(SVG, "polygon");
  curve.append(outline);
  function drawn() {
    const one = candidates.find((c) => c.key === select.value);
    outline.setAttribute("points", one ? one.curve : "");
    why.textContent = one ? one.why : "";
  }
  drawn();
  select.addEventListener("change", () => { roles[name] = select.value; drawn(); });
  return label;
}

function question({ path, asks, form, choices, said, answered, wrong }) {
  const label = element("label", null, "question");
  label.append(element("b", asks), element("small", ` ${path}`));
  const field = element(choices.length ? "select" : "input");
  if (choices.length) for (const one of ["", ...choices]) field.add(new Option(one || "not answered", one));
  else { field.placeholder = form; field.autocomplete = "off"; }
  field.value = answers[path] === undefined ? said : answers[path];
  field.setAttribute("aria-invalid", wrong ? "true" : "false");
  field.addEventListener("change", () => { answers[path] = field.value; });
  label.append(field);
  if (!choices.length) label.append(element("small", form));
  if (wrong) label.append(element("p", wrong, "mistake"));
  if (answered) label.classList.add("is");
  return label;
}

$("draft").addEventListener("click", () => ask(false));
$("again").addEventListener("click", () => ask(false));
$("write").addEventListener("click", () => ask(true));
