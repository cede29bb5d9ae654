// The list of runs and recordings: files are sent, picked and checked.

import { begin, follow, post, wrong } from "./after_work.js";

const part = (name) => document.getElementById(name);

async function guarded(work) {
  wrong("");
  try {
    await work();
  } catch (error) {
    wrong(error.message);
    part("wrong").scrollIntoView({ block: "center" });
  }
}

// --- sending files ------------------------------------------------------------------------------

function send(file) {
  const line = document.createElement("li");
  const bar = document.createElement("progress");
  bar.max = 1;
  bar.value = 0;
  bar.setAttribute("aria-label", file.name);
  line.append(`${file.name} `, bar);
  part("sent").append(line);
  return new Promise(function (done, failed) {
    const request = new XMLHttpRequest();
    request.open("PUT", `/files/${encodeURIComponent(file.name)}`);
    request.upload.onprogress = (event) => { bar.value = event.loaded / Math.max(event.total, 1); };
    request.onerror = () => failed(new Error(`${file.name} could not be sent: it is too large, or the server is gone.`));
    request.onload = function () {
      bar.remove();
      let said = {};
      try { said = JSON.parse(request.responseText); } catch { said = { text: request.responseText }; }
      if (request.status !== 201) {
        line.remove();
        failed(new Error(said.text || `${file.name} was refused.`));
        return;
      }
      done({ name: said.name, as: file.name });
    };
    request.send(file);
  });
}

async function take(files) {
  if (!files.length) {
    return;
  }
  const sent = [];
  for (const file of files) {
    sent.push(await send(file));
  }
  const together = await post("/after/together", { files: sent });
  const { captures = [], plans = [], definitions = [], marks = [] } = together.kinds;
  if (plans.length) {
    choose(part("plan"), plans[0]);
  }
  for (const name of definitions) {
    tick(name, !plans.length);
  }
  if (captures.length) {
    choose(part("capture"), captures[0]);
    part("capture").dataset.also = JSON.stringify(captures.slice(1));
    part("capture").dataset.marks = marks[0] || "";
  }
  if (!captures.length) {
    wrong("No recording is among these files. Pick it below, or send it as well.");
  }
  for (const line of part("sent").children) {
    line.textContent = `${line.textContent.trim()}: here`;
  }
}

function choose(select, name) {
  const known = Array.from(select.options).find((option) => option.value === name);
  select.value = (known || select.appendChild(new Option(name, name))).value;
}

function tick(name, on) {
  const label = document.createElement("label"), box = document.createElement("input");
  box.type = "checkbox";
  box.name = "definitions";
  box.value = name;
  box.checked = on;
  label.append(box, ` ${name}`);
  part("definitions").querySelector(".empty")?.remove();
  part("definitions").append(label);
  part("without-plan").open = part("without-plan").open || on;
}

const drop = part("drop");
part("files").addEventListener("change", (event) => guarded(() => take([...event.target.files])));
for (const kind of ["dragenter", "dragover"]) {
  drop.addEventListener(kind, function (event) {
    event.preventDefault();
    drop.classList.add("over");
  });
}
drop.addEventListener("dragleave", () => drop.classList.remove("over"));
drop.addEventListener("drop", function (event) {
  event.preventDefault();
  drop.classList.remove("over");
  guarded(() => take([...event.dataTransfer.files]));
});
// A file that misses the field must not replace the page.
window.addEventListener("dragover", (event) => event.preventDefault());
window.addEventListener("drop", (event) => event.preventDefault());

// --- checking -----------------------------------------------------------------------------------

part("capture").addEventListener("change", function () {
  delete part("capture").dataset.also;
  delete part("capture").dataset.marks;
  if (part("capture").selectedOptions[0]?.dataset.run) {
    part("plan").value = "";  // a run folder brings its own
  }
});

part("check").addEventListener("submit", function (event) {
  event.preventDefault();
  guarded(async function () {
    const also = JSON.parse(part("capture").dataset.also || "[]");
    const boxes = document.querySelectorAll("input[name=definitions]:checked");
    const plan = part("plan").value, marks = part("capture").dataset.marks;
    const order = {
      capture: [part("capture").value, ...also],
      plan: plan ? [plan] : [],
      marks: marks && plan ? [marks] : [],
      definitions: plan ? [] : Array.from(boxes, (box) => box.value),
    };
    const begun = await begin(order);
    await watch(begun.id, begun.look);
  });
});

async function watch(id, look) {
  part("work").scrollIntoView({ block: "center" });
  const state = await follow(id, (now) => now.report);
  const report = state.where ? `&report=${encodeURIComponent(state.where)}` : "";
  location.href = look + report;
}

for (const button of document.querySelectorAll(".record")) {
  button.addEventListener("click", () => guarded(async function () {
    const begun = await begin({ record: button.dataset.home });
    part("work").hidden = false;
    part("work").scrollIntoView({ block: "center" });
    const state = await follow(begun.id);
    location.href = `/documents/${state.where.split("/").map(encodeURIComponent).join("/")}`;
  }));
}

const running = part("work").dataset.running;
if (running) {
  guarded(async function () {
    await follow(running);
    location.reload();
  });
}
