"use strict";
// Draws each figure with plotly when it comes near the visible part of the page. The plain drawing
// stays in the page: it is what gets printed, and what shows if anything here goes wrong.
(function () {
  const figures = Array.from(document.querySelectorAll("figure"));
  const touch = window.matchMedia("(pointer: coarse)").matches;
  const config = {
    responsive: true,
    displaylogo: false,
    showSendToCloud: false,
    plotlyServerURL: "",
    modeBarButtonsToRemove: ["lasso2d", "select2d"],
  };

  function draw(figure) {
    const data = figure.querySelector("script[type='application/json']");
    if (!data || !window.Plotly || figure.dataset.drawn) {
      return;
    }
    figure.dataset.drawn = "yes";
    const chart = figure.classList.contains("glance")
      ? glance(figure, JSON.parse(data.textContent))
      : JSON.parse(data.textContent);
    // A finger that scrolls the page must not drag the curve.
    chart.layout.dragmode = touch ? false : "zoom";
    const box = document.createElement("div");
    box.className = "live";
    figure.appendChild(box);
    Plotly.newPlot(box, chart.data, chart.layout, config).then(function () {
      figure.classList.add("drawn");
      figure.box = box;
    }, function () {
      box.remove();
    });
  }

  // The run at a glance: a lane for each state, then a panel for each unit, on one time axis.
  const COLOURS = ["#123a6b", "#8a4b00", "#3b6b1f", "#6b1f5e", "#444444", "#00667a"];
  const DASHES = ["solid", "7px,4px", "2px,3px", "9px,3px,2px,3px", "14px,4px"];
  const PANEL = 120, GAP = 14, LANE = 22, TOP = 34, BOTTOM = 46;

  function escaped(text) {
    return text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");
  }

  function words(trace, value) {
    const direction = { "-1": "reverse", "0": "neutral", "1": "forward" };
    const known = trace.kind === "direction" ? direction : { "0": "no", "1": "yes" };
    return value === null ? "not known" : known[String(value)] || String(value);
  }

  function glanceChart(run, chosen) {
    const shown = run.traces.filter((trace) => chosen.has(trace.role));
    const lanes = shown.filter((trace) => trace.kind !== "number").reverse();
    const units = Array.from(new Set(shown.filter((t) => t.kind === "number").map((t) => t.unit)));
    const heights = units.map(() => PANEL);
    if (lanes.length) {
      heights.unshift(LANE * lanes.length);
    }
    const inner = heights.reduce((sum, one) => sum + one + GAP, -GAP);
    const layout = {
      height: Math.max(inner, PANEL) + TOP + BOTTOM,
      margin: { l: 130, r: 12, t: TOP, b: BOTTOM },
      hovermode: "x unified",
      hoversubplots: "axis",
      showlegend: false,
      font: { family: "system-ui, Liberation Sans, Arial, sans-serif", size: 12, color: "#1a1a1a" },
      paper_bgcolor: "#fff",
      plot_bgcolor: "#fff",
      xaxis: {
        range: [run.from, run.until],
        title: { text: "seconds since the recording's first frame" },
        gridcolor: "#ddd",
        zeroline: false,
        showspikes: true,
        spikemode: "across",
        spikethickness: 1,
        spikecolor: "#555",
        spikedash: "solid",
        anchor: "y" + (heights.length > 1 ? heights.length : ""),
      },
      shapes: [],
      annotations: [],
    };
    const data = [];
    let upper = 1;
    heights.forEach(function (height, place) {
      const axis = "y" + (place ? place + 1 : "");
      const domain = [Math.max(0, upper - height / inner), upper];
      upper -= (height + GAP) / inner;
      const isLanes = lanes.length && place === 0;
      const unit = units[place - (lanes.length ? 1 : 0)];
      layout["yaxis" + (place ? place + 1 : "")] = isLanes
        ? {
          domain: domain,
          range: [-0.1, lanes.length],
          tickvals: lanes.map((_, lane) => lane + 0.45),
          ticktext: lanes.map((trace) => escaped(trace.name)),
          showgrid: false,
          zeroline: false,
          fixedrange: true,
        }
        : { domain: domain, title: { text: escaped(unit || "value") }, gridcolor: "#ddd", zeroline: false };
      const members = isLanes ? lanes : shown.filter((t) => t.kind === "number" && t.unit === unit);
      members.forEach(function (trace, order) {
        const line = { color: COLOURS[order % COLOURS.length], width: 1.5 };
        const name = escaped(trace.name);
        const one = {
          type: "scatter",
          mode: "lines",
          name: name,
          x: trace.x,
          y: trace.y,
          yaxis: axis,
          line: line,
          connectgaps: false,
          hovertemplate: "%{y:.5g} " + escaped(trace.unit),
        };
        if (isLanes) {
          const low = trace.kind === "direction" ? -1 : 0;
          one.y = trace.y.map((v) => (v === null ? null : order + (0.85 * (v - low)) / (1 - low)));
          one.text = trace.y.map((value) => words(trace, value));
          one.hovertemplate = "%{text}";
          line.shape = "hv";
          line.width = 2;
        } else {
          line.dash = DASHES[order % DASHES.length];
          layout.annotations.push({
            xref: "paper", x: 0, xanchor: "left", xshift: 6 + 130 * order,
            yref: "paper", y: domain[1], yanchor: "bottom", yshift: -1, showarrow: false,
            text: name, font: { size: 11, color: line.color },
          });
        }
        data.push(one);
      });
    });
    const across = { yref: "paper", y0: 0, y1: 1 };
    run.bursts.forEach(function (burst) {
      layout.shapes.push({
        type: "rect", ...across, x0: burst.from, x1: burst.until,
        fillcolor: "#e9e4d4", opacity: 0.6, line: { width: 0 }, layer: "below",
      });
    });
    run.events.forEach(function (event) {
      layout.shapes.push({
        type: "line", ...across, x0: event.at, x1: event.at, layer: "below",
        line: { color: "#999", width: 1, dash: "dot" },
      });
    });
    run.findings.slice(0, 12).forEach(function (finding, order) {
      layout.shapes.push({
        type: "line", ...across, x0: finding.at, x1: finding.at,
        line: { color: "#b00020", width: 1.5, dash: "dash" },
      });
      if (order === 0) {
        const late = finding.at > (run.from + run.until) / 2;
        layout.annotations.push({
          x: finding.at, xanchor: late ? "right" : "left", yref: "paper", y: 1, yanchor: "bottom",
          yshift: 14, showarrow: false, text: escaped(finding.text.slice(0, 90)),
          font: { color: "#b00020", size: 12 },
        });
      }
    });
    if (run.marks.length) {
      data.push({
        type: "scatter", mode: "markers", name: "a person",
        x: run.marks.map((mark) => mark.at), y: run.marks.map(() => 0),
        text: run.marks.map((mark) => escaped(mark.text)), hovertemplate: "%{text}",
        yaxis: "y" + (heights.length + 1),
        marker: { symbol: "triangle-up", size: 11, color: "#123a6b" },
      });
      layout["yaxis" + (heights.length + 1)] = {
        domain: [0, 0.001], range: [0, 1], visible: false, fixedrange: true,
      };
      data[data.length - 1].cliponaxis = false;
    }
    return { data: data, layout: layout };
  }

  function glance(figure, run) {
    const chosen = new Set(run.traces.filter((trace) => trace.on).map((trace) => trace.role));
    const choices = figure.querySelector(".choices");
    run.traces.forEach(function (trace) {
      const label = document.createElement("label");
      const box = document.createElement("input");
      box.type = "checkbox";
      box.checked = trace.on;
      box.addEventListener("change", function () {
        chosen[box.checked ? "add" : "delete"](trace.role);
        const range = figure.box.layout.xaxis.range;
        const chart = glanceChart(run, chosen);
        chart.layout.xaxis.range = range;  // what was zoomed in on stays
        Plotly.react(figure.box, chart.data, chart.layout, config);
      });
      label.append(box, " " + trace.role);
      choices.append(label);
    });
    return glanceChart(run, chosen);
  }

  if ("IntersectionObserver" in window) {
    const watcher = new IntersectionObserver(function (entries) {
      entries.filter((entry) => entry.isIntersecting).forEach(function (entry) {
        watcher.unobserve(entry.target);
        draw(entry.target);
      });
    }, { rootMargin: "400px" });
    figures.forEach((figure) => watcher.observe(figure));
  } else {
    figures.forEach(draw);
  }

  // A link to something folded unfolds it.
  function unfold() {
    const place = location.hash && document.getElementById(location.hash.slice(1));
    for (let block = place; block; block = block.parentElement) {
      if (block.tagName === "DETAILS") {
        block.open = true;
      }
    }
    const own = place && place.querySelector(":scope > details");
    if (own) {
      own.open = true;
    }
    if (place) {
      place.scrollIntoView();
    }
  }
  window.addEventListener("hashchange", unfold);
  unfold();

  const filter = document.getElementById("only-open");
  if (filter) {
    filter.addEventListener("change", function () {
      document.body.classList.toggle("only-open", filter.checked);
    });
  }

  // On paper every section is there; a rule's line stays folded, it has the result.
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details.group").forEach(function (block) {
      block.open = true;
    });
  });
})();
