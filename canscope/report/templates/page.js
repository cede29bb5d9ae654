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
    const chart = JSON.parse(data.textContent);
    // A finger that scrolls the page must not drag the curve.
    chart.layout.dragmode = touch ? false : "zoom";
    const box = document.createElement("div");
    box.className = "live";
    figure.appendChild(box);
    Plotly.newPlot(box, chart.data, chart.layout, config).then(function () {
      figure.classList.add("drawn");
    }, function () {
      box.remove();
    });
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

  // A link to a folded finding unfolds it.
  function unfold() {
    const place = location.hash && document.getElementById(location.hash.slice(1));
    const block = place && place.querySelector("details");
    if (block) {
      block.open = true;
    }
  }
  window.addEventListener("hashchange", unfold);
  unfold();

  // Folded findings stay folded on paper: their line has the result.
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll(".inputs details").forEach(function (block) {
      block.open = true;
    });
  });
})();
