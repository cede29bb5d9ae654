// The last 60 s, drawn as strips: for every pixel the line from the least to the greatest value, so
// that a spike of one sample is seen. Lines differ by dash and by their names at the right edge.
"use strict";
const Curves = (() => {
  const STEPS = 1200, BRIDGE = 40; // a gap of more than 2 s stays a gap
  const INKS = ["#141414", "#123a6b", "#8a4b00", "#0f6b3c", "#7a1fa2", "#555555"];
  const DASHES = [[], [9, 5], [3, 4], [14, 4, 3, 4], [6, 3, 2, 3], [2, 2]];
  const kept = {}; // role -> {low, high}: rings by number of step
  let last = 0, strips = [];

  function take(curves) {
    const from = curves.from;
    for (const [role, [low, high]] of Object.entries(curves.roles)) {
      const ring = kept[role] = kept[role] || { low: new Array(STEPS).fill(null), high: new Array(STEPS).fill(null) };
      for (let i = 0; i < low.length; i++) {
        const at = (from + i) % STEPS;
        ring.low[at] = low[i]; ring.high[at] = high[i];
        last = Math.max(last, from + i);
      }
    }
  }

  function named(role) {
    return role.replace("units.", "").replace(".temperatures.", " ").replace(/[._]/g, " ")
      .replace(/ (speed|voltage|current)$/, ""); // the title says that
  }

  function layOut(place, roles) {
    const groups = [
      ["Speed, rpm", 200, roles.filter((r) => r.endsWith(".speed"))],
      ["Voltage, V", 10, roles.filter((r) => r.endsWith("voltage"))],
      ["Pack current, A", 10, roles.filter((r) => r === "pack.current")],
      ["Temperature, °C", 10, roles.filter((r) => r.includes(".temperatures."))],
    ].filter(([, , some]) => some.length);
    place.replaceChildren();
    strips = groups.map(([title, least, some]) => {
      const figure = document.createElement("figure"), caption = document.createElement("figcaption");
      const canvas = document.createElement("canvas");
      caption.append(title, Object.assign(document.createElement("small"), { textContent: ", the last 60 s" }));
      canvas.setAttribute("role", "img");
      canvas.setAttribute("aria-label", `${title}, the last 60 s`);
      figure.append(caption, canvas); place.append(figure);
      return { title, least, roles: some, canvas };
    });
  }

  // The noise of a vehicle at rest must not fill the strip: it spans at least so much.
  function range(roles, least) {
    let low = Infinity, high = -Infinity;
    for (const role of roles) {
      const ring = kept[role];
      for (let i = 0; i < STEPS; i++) if (ring.low[i] !== null) {
        if (ring.low[i] < low) low = ring.low[i];
        if (ring.high[i] > high) high = ring.high[i];
      }
    }
    if (low > high) return null;
    const room = Math.max((high - low) * 0.08, (least - (high - low)) / 2);
    return [low - room, high + room];
  }

  function draw() {
    for (const strip of strips) paint(strip);
  }

  function paint({ title, least, roles, canvas }) {
    const scale = devicePixelRatio || 1, box = canvas.getBoundingClientRect();
    if (!box.width || box.bottom < 0 || box.top > innerHeight) return;
    const width = Math.round(box.width * scale), height = Math.round(box.height * scale);
    if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
    const pen = canvas.getContext("2d"), left = 52 * scale, right = width - 118 * scale;
    pen.clearRect(0, 0, width, height);
    pen.font = `${13 * scale}px system-ui, sans-serif`;
    const bounds = range(roles, least);
    if (!bounds) return;
    const [low, high] = bounds, y = (v) => height - 9 * scale - (v - low) / (high - low) * (height - 18 * scale);
    pen.strokeStyle = "#b5b5b5"; pen.lineWidth = scale; pen.setLineDash([]);
    pen.fillStyle = "#141414"; pen.textAlign = "right"; pen.textBaseline = "middle";
    for (const value of ticks(low, high)) {
      pen.beginPath(); pen.moveTo(left, y(value)); pen.lineTo(right, y(value)); pen.stroke();
      pen.fillText(String(value), left - 6 * scale, y(value));
    }
    pen.textAlign = "left";
    const ends = roles.map((role, n) => ({ n, role, at: line(pen, kept[role], left, right, y, n, scale) })).filter((e) => e.at !== null);
    ends.sort((a, b) => a.at - b.at);
    spread(ends, 15 * scale, height - 8 * scale);
    for (const end of ends) {
      pen.fillStyle = INKS[end.n % INKS.length];
      pen.fillText(short(named(end.role)), right + 8 * scale, end.at);
    }
    canvas.setAttribute("aria-label", `${title}, the last 60 s: from ${low.toFixed(1)} to ${high.toFixed(1)}`);
  }

  // Names at the right edge: as near to their lines as they can be read, none below the strip.
  function spread(ends, apart, lowest) {
    for (let n = 1; n < ends.length; n++) ends[n].at = Math.max(ends[n].at, ends[n - 1].at + apart);
    for (let n = ends.length - 1, most = lowest; n >= 0; n--, most -= apart) ends[n].at = Math.min(ends[n].at, most);
  }

  function short(text) { return text.length > 17 ? text.slice(0, 16) + "…" : text; }

  function line(pen, ring, left, right, y, n, scale) {
    pen.strokeStyle = INKS[n % INKS.length]; pen.setLineDash(DASHES[n % DASHES.length].map((d) => d * scale));
    pen.lineWidth = 2 * scale; pen.lineJoin = "round";
    pen.beginPath();
    let end = null, before = -Infinity;
    for (let i = 0; i < STEPS; i++) {
      const number = last - STEPS + 1 + i, at = ((number % STEPS) + STEPS) % STEPS;
      if (ring.low[at] === null) continue;
      const x = left + i / (STEPS - 1) * (right - left), top = y(ring.high[at]), foot = y(ring.low[at]);
      if (i - before > BRIDGE) pen.moveTo(x, top); else pen.lineTo(x, top);
      if (foot !== top) pen.lineTo(x, foot);
      before = i; end = (top + foot) / 2;
    }
    pen.stroke();
    return end;
  }

  function ticks(low, high) {
    const rough = (high - low) / 3, size = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * size).find((s) => s >= rough);
    const found = [];
    for (let v = Math.ceil(low / step) * step; v <= high; v += step) found.push(Number(v.toPrecision(6)));
    return found;
  }

  return { take, layOut, draw, kept };
})();
