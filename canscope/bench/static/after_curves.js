// Curves of chosen signals on one axis of time, drawn on a canvas.
//
// The server thins each window to the lowest and the highest of each column, so that no spike is
// lost at any zoom; only the window that is shown, and a little around it, is ever fetched.

const COLOURS = ["#123a6b", "#8a4b00", "#3b6b1f", "#6b1f5e", "#444444", "#00667a"];
const DASHES = [[], [7, 4], [2, 3], [9, 3, 2, 3], [14, 4]];
const INK = "#141414", QUIET = "#4a4a4a", GRID = "#dddddd", RED = "#b00020", OPEN = "#8a4b00";
const SILENT = "nothing came";
const MARK = "#123a6b", BURST = "#efe9d8", NOTHING = "#f1f1f1";
const SHORTEST_S = 100e-6;
const COLUMNS = 1536;  // of what is fetched: half as much again as is shown
const EDGE = 5;  // around the canvas, for the frame that shows that it has the keyboard
const TOP = 34, LANE = 24, GAP = 14, BOTTOM = 44, RIGHT = 14, LINE = 17;

export class Curves {
  // ``told`` is what /after/signals says, ``fetchWindow(keys, from, until, columns)`` gives curves.
  constructor(canvas, told, fetchWindow) {
    this.canvas = canvas;
    this.told = told;
    this.fetchWindow = fetchWindow;
    this.known = new Map(told.signals.map((signal) => [signal.key, signal]));
    this.shown = [];
    this.view = { from: told.from, until: Math.max(told.until, told.from + SHORTEST_S) };
    this.data = new Map();
    this.fetched = null;
    this.cursor = null;
    this.fit = true;
    this.chosen = null;  // the finding that was jumped to
    this.onView = () => {};
    this.onCursor = () => {};
    this.onWrong = () => {};
    this.round = 0;
    this.listen();
    new ResizeObserver(() => this.draw()).observe(canvas.parentElement);
  }

  // --- what is shown ----------------------------------------------------------------------------

  show(keys) {
    this.shown = keys.filter((key) => this.known.has(key));
    this.fetched = null;
    this.draw();
    this.look();
  }

  go(from, until) {
    const whole = this.told.until - this.told.from || 1;
    const span = Math.min(Math.max(until - from, SHORTEST_S), 1.04 * whole);
    const middle = (from + until) / 2;
    const least = this.told.from - 0.02 * whole, most = this.told.until + 0.02 * whole;
    const start = Math.min(Math.max(middle - span / 2, least), most - span);
    this.view = { from: start, until: start + span };
    this.draw();
    this.look();
    this.onView(this.view);
  }

  whole() {
    this.go(this.told.from, this.told.until);
  }

  pan(share) {
    const by = share * (this.view.until - this.view.from);
    this.go(this.view.from + by, this.view.until + by);
  }

  zoom(factor, around = null) {
    const { from, until } = this.view;
    const inside = this.cursor !== null && this.cursor >= from && this.cursor <= until;
    const at = around ?? (inside ? this.cursor : (from + until) / 2);
    this.go(at - (at - from) * factor, at + (until - at) * factor);
  }

  point(at) {
    this.cursor = at;
    this.draw();
    this.onCursor(this.readings());
  }

  jump(finding) {
    this.chosen = finding;
    const [start, end] = finding.window || [finding.at, finding.at];
    const from = Math.min(start ?? finding.at, finding.at), until = Math.max(end ?? finding.at, finding.at);
    const around = Math.max(1.5, 0.3 * (until - from));
    const longest = 60;
    this.cursor = finding.at;
    if (until - from > longest) {
      this.go(finding.at - longest / 2, finding.at + longest / 2);
    } else {
      this.go(from - around, until + around);
    }
    this.point(finding.at);
  }

  // The next finding after the cursor, or the one before it; null where there is none.
  neighbour(direction) {
    const timed = this.told.findings.filter((one) => one.at !== null && one.signals.length);
    timed.sort((a, b) => direction * (a.at - b.at));
    const now = this.cursor ?? (direction > 0 ? -Infinity : Infinity);
    return timed.find((one) => direction * (one.at - now) > 1e-6) ?? null;
  }

  // --- data -------------------------------------------------------------------------------------

  // Ask for what is shown unless it is there already; one request at a time, the latest counts.
  look() {
    if (this.isFetching) {
      this.isStale = true;
      return;
    }
    const { from, until } = this.view, span = until - from, got = this.fetched;
    if (!this.shown.length || (got && got.from <= from && got.until >= until && got.until - got.from <= 2.2 * span)) {
      return;
    }
    this.isFetching = true;
    const wanted = { from: from - span / 4, until: until + span / 4 };
    const keys = this.shown;
    this.fetchWindow(keys, wanted.from, wanted.until, COLUMNS).then((curves) => {
      this.data = new Map(curves.map((curve) => [curve.key, curve]));
      this.fetched = keys === this.shown ? wanted : null;
      this.round += 1;
      this.onWrong("");
    }, (error) => {
      this.isStale = false;
      this.onWrong(error.message);
    }).finally(() => {
      this.isFetching = false;
      this.draw();
      this.onCursor(this.readings());
      if (this.isStale || this.fetched === null && keys !== this.shown) {
        this.isStale = false;
        this.look();
      }
    });
  }

  // What each signal reads at the cursor.
  readings() {
    return this.shown.map((key) => ({ signal: this.known.get(key), text: this.reading(key) }));
  }

  reading(key) {
    const curve = this.data.get(key), at = this.cursor;
    if (!curve || at === null) {
      return "";
    }
    if (curve.gaps.some(([from, until]) => from < at && at < until)) {
      return SILENT;
    }
    let last = upTo(curve.t, at);
    if (last < 0) {
      return "nothing yet";
    }
    if (curve.states || !curve.bucket) {
      return worded(curve, curve.v[last]);
    }
    let low = Infinity, high = -Infinity;
    const start = Math.floor(at / curve.bucket) * curve.bucket;
    for (let row = upTo(curve.t, start + curve.bucket); row >= 0 && curve.t[row] >= start - 1e-9; row -= 1) {
      low = Math.min(low, curve.v[row]);
      high = Math.max(high, curve.v[row]);
    }
    if (low > high) {
      return worded(curve, curve.v[last]);
    }
    return low === high ? worded(curve, low) : `${short(low)} to ${worded(curve, high)}`;
  }

  // --- drawing ----------------------------------------------------------------------------------

  draw() {
    if (!this.isWaiting) {
      this.isWaiting = true;
      requestAnimationFrame(() => {
        this.isWaiting = false;
        this.drawNow();
      });
    }
  }

  // Panels from top to bottom: a lane for each state, then one for each unit.
  panels() {
    const lanes = [], units = new Map();
    for (const key of this.shown) {
      const signal = this.known.get(key);
      if (signal.states) {
        lanes.push({ lane: true, signals: [signal], height: LINE + LANE });
      } else {
        if (!units.has(signal.unit)) {
          units.set(signal.unit, { lane: false, unit: signal.unit, signals: [] });
        }
        units.get(signal.unit).signals.push(signal);
      }
    }
    const many = [...units.values()];
    const each = this.isNarrow ? 110 : many.length < 3 ? 190 : 140;
    for (const panel of many) {
      panel.height = LINE * panel.signals.length + each;
      panel.plot = each;
    }
    return [...lanes, ...many];
  }

  strips() {
    return [...new Set(this.told.bursts.map((burst) => burst.unit))];
  }

  drawNow() {
    const width = this.canvas.parentElement.clientWidth - 2 * EDGE;
    if (width <= 0) {
      return;
    }
    this.isNarrow = width < 620;
    this.left = this.isNarrow ? 48 : 66;
    this.plotWidth = Math.max(40, width - this.left - RIGHT);
    const panels = this.panels(), strips = this.strips();
    const begin = TOP + LINE * strips.length + (strips.length ? 6 : 0);
    const height = begin + panels.reduce((sum, one) => sum + one.height + GAP, 0) + LINE + BOTTOM;
    const ratio = window.devicePixelRatio || 1;
    if (this.canvas.width !== Math.round(width * ratio) || this.canvas.height !== Math.round(height * ratio)) {
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
      this.canvas.style.width = `${width}px`;
      this.canvas.style.height = `${height}px`;
    }
    const pen = this.canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.fillStyle = "#ffffff";
    pen.fillRect(0, 0, width, height);
    pen.font = '13px system-ui, "Liberation Sans", Arial, sans-serif';
    pen.textBaseline = "alphabetic";
    this.bottom = height - BOTTOM - LINE;
    this.areas = [];  // what the lines of findings and cursor cross: not the titles
    this.drawPlace(pen);
    this.drawBursts(pen, strips, begin);
    const ticks = steps(this.view.from, this.view.until, this.plotWidth / (this.isNarrow ? 90 : 110));
    let top = begin;
    for (const panel of panels) {
      if (panel.lane) {
        this.drawLane(pen, panel, top);
      } else {
        this.drawPanel(pen, panel, top, ticks);
      }
      top += panel.height + GAP;
    }
    this.drawAxis(pen, ticks, height);
    this.drawMarks(pen);
    this.drawFindings(pen);
    this.drawCursor(pen);
    this.canvas.dataset.round = this.round;
  }

  x(at) {
    return this.left + ((at - this.view.from) / (this.view.until - this.view.from)) * this.plotWidth;
  }

  time(x) {
    return this.view.from + ((x - this.left) / this.plotWidth) * (this.view.until - this.view.from);
  }

  // A line from top to bottom, but not through the words above a panel.
  upright(pen, x) {
    pen.beginPath();
    for (const [top, height] of this.areas) {
      pen.moveTo(x, top);
      pen.lineTo(x, top + height);
    }
    pen.stroke();
  }

  clipped(pen, top, height, work) {
    pen.save();
    pen.beginPath();
    pen.rect(this.left, top, this.plotWidth, height);
    pen.clip();
    work();
    pen.restore();
  }

  // Where in the whole run the window lies.
  drawPlace(pen) {
    const { from, until } = this.told, span = until - from || 1;
    const place = (at) => this.left + Math.min(Math.max((at - from) / span, 0), 1) * this.plotWidth;
    pen.fillStyle = "#e4e4e4";
    pen.fillRect(this.left, 4, this.plotWidth, 10);
    pen.fillStyle = INK;
    const start = place(this.view.from);
    pen.fillRect(start, 4, Math.max(3, place(this.view.until) - start), 10);
    pen.fillStyle = RED;
    for (const finding of this.told.findings) {
      if (finding.at !== null && finding.state === "failed") {
        pen.fillRect(place(finding.at) - 1, 2, 2, 14);
      }
    }
  }

  drawBursts(pen, strips, begin) {
    if (strips.length) {
      this.areas.push([TOP, LINE * strips.length]);
    }
    strips.forEach((unit, order) => {
      const y = TOP + LINE * order;
      this.clipped(pen, 0, this.bottom, () => {
        for (const burst of this.told.bursts) {
          const start = this.x(burst.from), end = this.x(burst.until);
          if (burst.unit !== unit || end < this.left || start > this.left + this.plotWidth) {
            continue;
          }
          pen.fillStyle = BURST;
          pen.fillRect(start, begin, Math.max(1, end - start), this.bottom - begin);
          pen.fillStyle = "#6b5e36";
          pen.fillRect(start, y, Math.max(2, end - start), LINE - 4);
          pen.fillStyle = "#ffffff";
          const text = `${unit} turned`;
          if (pen.measureText(text).width < end - Math.max(start, this.left) - 8) {
            pen.fillText(text, Math.max(start, this.left) + 4, y + LINE - 7);
          }
        }
      });
      pen.fillStyle = QUIET;
      pen.textAlign = "right";
      pen.fillText(cut(pen, unit, this.left - 10), this.left - 6, y + LINE - 6);
      pen.textAlign = "left";
    });
  }

  title(pen, signal, order, x, y, tag = "") {
    const line = order === null ? null : style(order);
    if (line) {
      pen.strokeStyle = line.colour;
      pen.setLineDash(line.dash);
      pen.lineWidth = 2.4;
      pen.beginPath();
      pen.moveTo(x, y - 4);
      pen.lineTo(x + 30, y - 4);
      pen.stroke();
      pen.setLineDash([]);
    }
    pen.fillStyle = line ? line.colour : INK;
    const start = line ? x + 36 : x;
    const text = tag ? `${tag} = ${name(signal)}` : name(signal);
    pen.fillText(cut(pen, text, this.left + this.plotWidth - start), start, y);
  }

  drawLane(pen, panel, top) {
    const [signal] = panel.signals, curve = this.data.get(signal.key);
    this.title(pen, signal, null, this.left, top + LINE - 5);
    const y = top + LINE;
    this.areas.push([y, LANE]);
    const border = () => {
      pen.strokeStyle = "#767676";
      pen.lineWidth = 1;
      pen.strokeRect(this.left + 0.5, y + 0.5, this.plotWidth - 1, LANE - 1);
    };
    border();
    if (!curve || !curve.t.length) {
      return;
    }
    // What is nearest to 0 is drawn as a thin line: off, neutral.
    const rest = curve.v.reduce((least, value) => Math.min(least, Math.abs(value)), Infinity);
    this.clipped(pen, y, LANE, () => {
      this.gapsOf(pen, curve, y, LANE);
      for (let row = 0; row < curve.t.length; row += 1) {
        const until = curve.t[row + 1] ?? curve.t[row];
        for (const [from, end] of heard(curve.t[row], until, curve.gaps)) {
          this.state(pen, curve, curve.v[row], rest, this.x(from), this.x(end), y);
        }
      }
    });
    border();
  }

  // One stretch of a state: what is off or neutral is a thin line, all else a bar with its name.
  state(pen, curve, value, rest, start, end, y) {
    const right = this.left + this.plotWidth;
    if (end < this.left || start > right) {
      return;
    }
    const isPlain = curve.labels.length ? Math.abs(value) === rest : value === 0;
    pen.fillStyle = isPlain ? "#9a9a9a" : COLOURS[Math.abs(Math.round(value)) % COLOURS.length];
    pen.fillRect(start, isPlain ? y + LANE - 7 : y + 3, Math.max(1, end - start), isPlain ? 4 : LANE - 6);
    const text = worded(curve, value), left = Math.max(start, this.left);
    if (pen.measureText(text).width < Math.min(end, right) - left - 10) {
      pen.fillStyle = isPlain ? QUIET : "#ffffff";
      pen.fillText(text, left + 5, y + LANE - (isPlain ? 9 : 7));
    }
  }

  drawPanel(pen, panel, top, ticks) {
    const y = top + LINE * panel.signals.length, height = panel.plot;
    this.areas.push([y, height]);
    panel.signals.forEach((signal, order) => {
      const tag = panel.signals.length > 1 ? letter(order) : "";
      this.title(pen, signal, order, this.left, top + LINE * (order + 1) - 5, tag);
    });
    const [low, high] = this.range(panel);
    const place = (value) => y + height - ((value - low) / (high - low)) * height;
    pen.lineWidth = 1;
    pen.strokeStyle = GRID;
    pen.fillStyle = QUIET;
    pen.textAlign = "right";
    for (const value of steps(low, high, height / 42)) {
      const line = Math.round(place(value)) + 0.5;
      pen.beginPath();
      pen.moveTo(this.left, line);
      pen.lineTo(this.left + this.plotWidth, line);
      pen.stroke();
      pen.fillText(short(value), this.left - 6, line + 4);
    }
    pen.textAlign = "left";
    for (const at of ticks) {
      const line = Math.round(this.x(at)) + 0.5;
      pen.beginPath();
      pen.moveTo(line, y);
      pen.lineTo(line, y + height);
      pen.stroke();
    }
    this.clipped(pen, y, height, () => {
      panel.signals.forEach((signal, order) => {
        const curve = this.data.get(signal.key);
        if (curve) {
          this.gapsOf(pen, curve, y, height);
          this.line(pen, curve, place, style(order));
        }
      });
      if (panel.signals.length > 1) {
        panel.signals.forEach((signal, order) => this.tags(pen, signal, place, order, y, height));
      }
    });
    pen.strokeStyle = INK;
    pen.strokeRect(this.left + 0.5, y + 0.5, this.plotWidth - 1, height - 1);
    if (panel.unit) {
      pen.fillStyle = INK;
      pen.font = `bold ${pen.font}`;
      pen.fillText(cut(pen, unitOf(panel), this.left - 6), 2, y - 4);
      pen.font = pen.font.replace("bold ", "");
    }
  }

  // A silence is a grey band without a line in it.
  gapsOf(pen, curve, y, height) {
    pen.fillStyle = NOTHING;
    for (const [from, until] of curve.gaps) {
      const start = this.x(from), end = this.x(until);
      if (end > this.left && start < this.left + this.plotWidth && end - start > 2) {
        pen.fillRect(start, y, end - start, height);
        pen.strokeStyle = "#c4c4c4";
        pen.lineWidth = 1;
        pen.beginPath();
        for (let x = Math.max(start, this.left) - height; x < Math.min(end, this.left + this.plotWidth); x += 12) {
          const left = Math.max(x, start), right = Math.min(x + height, end);
          if (right > left) {
            pen.moveTo(left, y + height - (left - x));
            pen.lineTo(right, y + height - (right - x));
          }
        }
        pen.stroke();
        const left = Math.max(start, this.left), right = Math.min(end, this.left + this.plotWidth);
        if (right - left > pen.measureText(SILENT).width + 12) {
          pen.fillStyle = QUIET;
          pen.fillText(SILENT, left + 6, y + Math.min(height, LANE) - 7);
          pen.fillStyle = NOTHING;
        }
      }
    }
  }

  line(pen, curve, place, look) {
    pen.strokeStyle = look.colour;
    pen.lineWidth = 1.7;
    pen.lineJoin = "round";
    pen.setLineDash(curve.bucket ? [] : look.dash);
    pen.beginPath();
    let gap = 0, down = false;
    const lone = [];
    for (let row = 0; row < curve.t.length; row += 1) {
      const at = curve.t[row], x = this.x(at), y = place(curve.v[row]);
      if (row && at < curve.t[row - 1]) {
        gap = 0;
        down = false;
      }
      while (gap < curve.gaps.length && curve.gaps[gap][1] <= at) {
        down = down && curve.gaps[gap][0] < (curve.t[row - 1] ?? -Infinity) - 1e-9;
        gap += 1;
      }
      if (down) {
        pen.lineTo(x, y);
      } else {
        pen.moveTo(x, y);
        lone.push([x, y]);
      }
      down = true;
    }
    pen.stroke();
    pen.setLineDash([]);
    pen.fillStyle = look.colour;
    for (const [x, y] of lone) {
      pen.fillRect(x - 1.5, y - 1.5, 3, 3);  // a value alone between two silences is seen as well
    }
    const few = this.plotWidth / Math.max(1, curve.t.length) > 14;
    if (few && !curve.bucket) {
      for (let row = 0; row < curve.t.length; row += 1) {
        pen.fillRect(this.x(curve.t[row]) - 2, place(curve.v[row]) - 2, 4, 4);
      }
    }
  }

  // Its letter along a line: colours and dashes alone do not tell lines apart for everybody.
  tags(pen, signal, place, order, top, height) {
    const curve = this.data.get(signal.key);
    for (let x = this.left + 60 + 40 * order; curve && x < this.left + this.plotWidth; x += 320) {
      const at = this.time(x), row = upTo(curve.t, at);
      if (row < 0 || curve.gaps.some(([from, until]) => from < at && at < until)) {
        continue;
      }
      const y = Math.min(Math.max(place(curve.v[row]), top + 9), top + height - 9);
      pen.fillStyle = "#ffffff";
      pen.fillRect(x - 7, y - 8, 14, 16);
      pen.fillStyle = style(order).colour;
      pen.textAlign = "center";
      pen.fillText(letter(order), x, y + 4);
      pen.textAlign = "left";
    }
  }

  range(panel) {
    let low = Infinity, high = -Infinity;
    for (const signal of panel.signals) {
      const curve = this.data.get(signal.key);
      if (this.fit) {
        for (let row = 0; curve && row < curve.t.length; row += 1) {
          if (curve.t[row] >= this.view.from && curve.t[row] <= this.view.until) {
            low = Math.min(low, curve.v[row]);
            high = Math.max(high, curve.v[row]);
          }
        }
        const before = curve ? upTo(curve.t, this.view.from) : -1;
        if (before >= 0) {
          low = Math.min(low, curve.v[before]);
          high = Math.max(high, curve.v[before]);
        }
      } else if (signal.lowest !== null) {
        low = Math.min(low, signal.lowest);
        high = Math.max(high, signal.highest);
      }
    }
    if (low > high) {
      return [0, 1];
    }
    const around = 0.07 * (high - low) || Math.max(1, 0.02 * Math.abs(high));
    return [low - around, high + around];
  }

  drawAxis(pen, ticks, height) {
    pen.fillStyle = QUIET;
    pen.textAlign = "center";
    const digits = Math.max(0, -Math.floor(Math.log10((ticks[1] ?? 1) - (ticks[0] ?? 0)) + 1e-9));
    for (const at of ticks) {
      pen.fillText(at.toFixed(Math.min(digits, 6)), this.x(at), this.bottom + LINE + 14);
    }
    const text = "seconds since the first frame";
    pen.fillText(text, this.left + this.plotWidth / 2, height - 6);
    pen.textAlign = "left";
  }

  drawMarks(pen) {
    const y = this.bottom, marks = [...this.told.marks].sort((a, b) => a.at - b.at);
    this.clipped(pen, y - 4, LINE + 8, () => {
      marks.forEach((mark, place) => {
        const x = this.x(mark.at);
        const next = marks[place + 1] ? this.x(marks[place + 1].at) - 8 : Infinity;
        pen.fillStyle = MARK;
        pen.beginPath();
        pen.moveTo(x, y);
        pen.lineTo(x - 6, y + 11);
        pen.lineTo(x + 6, y + 11);
        pen.fill();
        if (next > x + 60) {
          pen.fillText(cut(pen, mark.text, next - x - 14), x + 9, y + 11);
        }
      });
    });
  }

  drawFindings(pen) {
    this.clipped(pen, 0, this.bottom, () => {
      let free = -Infinity;
      const inView = this.told.findings.map((finding, order) => ({ finding, order })).filter(({ finding }) => (
        finding.at !== null && finding.at >= this.view.from && finding.at <= this.view.until
      ));
      inView.sort((a, b) => a.finding.at - b.finding.at);
      inView.forEach(({ finding, order }, place) => {
        const x = this.x(finding.at), failed = finding.state === "failed";
        const isChosen = finding === this.chosen;
        pen.strokeStyle = failed ? RED : OPEN;
        pen.fillStyle = pen.strokeStyle;
        pen.lineWidth = isChosen ? 2.5 : 1.3;
        if (failed || isChosen) {
          pen.setLineDash(failed ? [5, 3] : [2, 4]);
          this.upright(pen, x);
          pen.setLineDash([]);
        }
        pen.beginPath();
        if (failed) {
          pen.rect(x - 5, 20, 10, 10);
          pen.fill();
        } else {
          pen.moveTo(x, 19);
          pen.lineTo(x + 6, 25);
          pen.lineTo(x, 31);
          pen.lineTo(x - 6, 25);
          pen.closePath();
          pen.stroke();
        }
        const next = inView[place + 1] ? this.x(inView[place + 1].finding.at) - 8 : Infinity;
        if (x > free && next > x + 24) {
          pen.fillText(String(order + 1), x + 8, 30);
          free = x + 24;
        }
      });
    });
  }

  drawCursor(pen) {
    if (this.cursor === null || this.cursor < this.view.from || this.cursor > this.view.until) {
      return;
    }
    const x = Math.round(this.x(this.cursor)) + 0.5;
    pen.strokeStyle = INK;
    pen.lineWidth = 1;
    this.upright(pen, x);
  }

  // --- hands ------------------------------------------------------------------------------------

  listen() {
    const canvas = this.canvas, fingers = new Map();
    let before = null, moved = 0;
    const at = (event) => this.time(event.clientX - canvas.getBoundingClientRect().left);
    canvas.addEventListener("keydown", (event) => this.key(event));
    canvas.addEventListener("wheel", (event) => {
      // Otherwise the page itself could not be scrolled past the curves.
      if (document.activeElement === canvas || event.ctrlKey) {
        event.preventDefault();
        this.zoom(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 300))), at(event));
      }
    }, { passive: false });
    canvas.addEventListener("dblclick", (event) => this.zoom(1 / 3, at(event)));
    canvas.addEventListener("pointerdown", (event) => {
      fingers.set(event.pointerId, event.clientX);
      canvas.setPointerCapture(event.pointerId);
      before = this.hold(fingers);
      moved = 0;
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId)) {
        if (event.pointerType === "mouse") {
          this.point(at(event));
        }
        return;
      }
      fingers.set(event.pointerId, event.clientX);
      const now = this.hold(fingers);
      const perPixel = (this.view.until - this.view.from) / this.plotWidth;
      moved += Math.abs(now.middle - before.middle) + Math.abs(now.spread - before.spread);
      if (fingers.size > 1 && now.spread > 8 && before.spread > 8) {
        this.zoom(before.spread / now.spread, this.time(now.middle - canvas.getBoundingClientRect().left));
      }
      const by = (before.middle - now.middle) * perPixel;
      if (by) {
        this.go(this.view.from + by, this.view.until + by);
      }
      before = now;
    });
    for (const kind of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(kind, (event) => {
        if (kind === "pointerup" && fingers.size === 1 && moved < 5) {
          this.point(at(event));
        }
        fingers.delete(event.pointerId);
        before = fingers.size ? this.hold(fingers) : null;
      });
    }
  }

  hold(fingers) {
    const places = [...fingers.values()];
    const middle = places.reduce((sum, one) => sum + one, 0) / places.length;
    return { middle: middle, spread: Math.max(...places) - Math.min(...places) };
  }

  key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) {
      return;
    }
    const { from, until } = this.view;
    const step = (direction) => {
      const next = (this.cursor ?? (from + until) / 2) + direction * (until - from) / 100;
      this.point(Math.min(Math.max(next, from), until));
    };
    const finding = (direction) => {
      const found = this.neighbour(direction);
      if (found) {
        this.onFinding(found);
      }
    };
    const keys = {
      ArrowLeft: () => (event.shiftKey ? step(-1) : this.pan(-0.1)),
      ArrowRight: () => (event.shiftKey ? step(1) : this.pan(0.1)),
      "+": () => this.zoom(1 / 2),
      "=": () => this.zoom(1 / 2),
      "-": () => this.zoom(2),
      Home: () => this.whole(),
      n: () => finding(1),
      p: () => finding(-1),
      Escape: () => this.point(null),
    };
    const work = keys[event.key] || keys[event.key.toLowerCase()];
    if (work) {
      event.preventDefault();
      work();
    }
  }
}

export function name(signal) {
  return signal.role ? `${plain(signal.role)}: ${signal.key}` : signal.key;
}

// A role as a person would say it: ``front speed``, ``pack voltage``.
function plain(role) {
  return role.replace(/^(units|driver)\./, "").replace(".temperatures.", " ").replace(/[._]/g, " ");
}

function letter(order) {
  return String.fromCharCode(97 + (order % 26));
}

function style(order) {
  return { colour: COLOURS[order % COLOURS.length], dash: DASHES[order % DASHES.length] };
}

// The stretches between two instants in which something came.
function heard(from, until, gaps) {
  const found = [];
  for (const [silent, again] of gaps) {
    if (silent >= from && silent < until) {
      found.push([from, silent]);
      from = Math.min(again, until);
    }
  }
  return from <= until ? [...found, [from, until]] : found;
}

// The last row whose time is not later; -1 where there is none.
function upTo(times, at) {
  let low = 0, high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] <= at) {
      low = middle + 1;
    } else {
      high = middle;
    }
  }
  return low - 1;
}

export function short(value) {
  if (Number.isInteger(value) && Math.abs(value) < 1e9) {
    return String(value);
  }
  return String(Number(value.toPrecision(6)));
}

function worded(curve, value) {
  const label = curve.labels.find(([named]) => named === value);
  if (label) {
    return label[1];
  }
  return curve.unit ? `${short(value)} ${unitOf(curve)}` : short(value);
}

export function unitOf(one) {
  return one.unit === "degC" ? "°C" : one.unit;
}

// Round numbers between two values, about so many.
function steps(low, high, count) {
  const rough = (high - low) / Math.max(1, count), power = 10 ** Math.floor(Math.log10(rough));
  const step = power * ([1, 2, 5, 10].find((one) => one * power >= rough) || 10);
  const found = [];
  for (let number = Math.ceil(low / step); number * step <= high && found.length < 60; number += 1) {
    found.push(number * step);
  }
  return found;
}

function cut(pen, text, width) {
  if (pen.measureText(text).width <= width) {
    return text;
  }
  let kept = text;
  while (kept.length > 1 && pen.measureText(`${kept}…`).width > width) {
    kept = kept.slice(0, -1);
  }
  return `${kept}…`;
}
