// Long work beside the server: begins it, says how far it has come, and what came of it.

const STEPS = {
  start: "Beginning",
  check: "Checking",
  report: "Writing the report",
  curves: "Drawing the curves",
  record: "Reading the runs",
};
const part = (name) => document.getElementById(name);

export function wrong(text) {
  part("wrong").textContent = text;
  part("wrong").hidden = !text;
}

export async function answer(response) {
  const said = await response.json().catch(() => ({ text: "The server gave no answer." }));
  if (!response.ok) {
    throw new Error(said.text || "The server refused.");
  }
  return said;
}

export function post(path, body) {
  const told = { method: "POST", body: JSON.stringify(body) };
  return fetch(path, told).then(answer);
}

export async function begin(order) {
  const begun = await post("/after/jobs", order);
  return begun;
}

// Follow a job until ``until`` of its state is true or it is done; its last state.
export async function follow(id, until = () => false) {
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  part("work").hidden = false;
  part("end").onclick = () => post(`/after/jobs/${id}/end`, {});
  try {
    for (;;) {
      const state = await fetch(`/after/jobs/${id}`).then(answer);
      if (state.error) {
        throw new Error(state.error.text);
      }
      show(state);
      if (state.done || until(state)) {
        return state;
      }
      await pause(300);
    }
  } finally {
    part("work").hidden = true;
  }
}

function show(state) {
  const bar = part("share");
  let text = STEPS[state.step] || "Working";
  if (state.total) {
    bar.value = state.read / state.total;
    text += `: ${Math.floor(100 * bar.value)} % read`;
  } else {
    bar.removeAttribute("value");
  }
  if (state.frames) {
    text += `, ${state.frames.toLocaleString("en")} frames`;
  }
  part("work-title").textContent = state.about ? `Working: ${state.about}` : "Working";
  if (part("said").textContent !== text) {
    part("said").textContent = text;
  }
}
