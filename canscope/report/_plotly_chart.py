"""A plot as data for plotly's JavaScript, written as plain dictionaries.

Plotly's own Python objects would cost a second to import.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from canscope.model.report import Plot
from canscope.report._curve_json import listed
from canscope.report._plot_layout import (
    BOTTOM,
    GAP,
    PANEL_HEIGHT,
    TIME,
    TOP,
    Line,
    Panel,
    circled,
    height,
    panels,
    span,
    usable,
)
from canscope.report.wording import number

RED = "#b00020"
NO_CURVE = '"x":0,"y":0'  # in JSON; no text in it can hold this, along its quotes are escaped
_JSON = json.JSONEncoder(allow_nan=False, separators=(",", ":"), ensure_ascii=False)


def chart(plot: Plot, *, along: str = TIME) -> Markup:
    """``{"data": [...], "layout": {...}}`` of one plot; a null among the values is a gap.

    JSON that may stand inside a ``<script>``: nothing in it can end the element or begin another.
    """
    shown = panels(plot)
    placed = [
        (line, _axis("y", place)) for place, panel in enumerate(shown) for line in panel.lines
    ]
    data = [_line(line, axis) for line, axis in placed]
    point = circled(plot)
    if point is not None:
        data.append(_worst(*point))
    first, *others = in_script({"data": data, "layout": _layout(plot, shown, along)}).split(
        NO_CURVE
    )
    curves = (_curve(line) for line, _ in placed)
    return Markup(first + "".join(p for pair in zip(curves, others, strict=True) for p in pair))


def in_script(value: object) -> str:
    """JSON that may stand inside a ``<script>``: nothing in it can end the element."""
    text = _JSON.encode(value)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def text(value: str) -> str:
    """Text as plotly must be given it, so that nothing in it is taken for markup."""
    return value.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _line(line: Line, axis: str) -> dict[str, Any]:
    """One line, its curve left out."""
    lone = line.lone()
    style: dict[str, Any] = {"color": line.colour, "width": 1.6, "dash": _dash(line)}
    if line.trace.states:
        style["shape"] = "hv"
    drawn = {
        "type": "scatter",
        "mode": "lines",
        "name": text(line.label),
        "x": 0,
        "y": 0,
        "yaxis": axis,
        "line": style,
        "connectgaps": False,
    }
    if lone.any():
        drawn["mode"] = "lines+markers"
        drawn["marker"] = {"size": np.where(lone, 5, 0).tolist(), "color": line.colour}
    return drawn


def _curve(line: Line) -> str:
    at_s = np.round(np.asarray(line.trace.at_s, np.float64), 6).astype(np.float64)
    return f'"x":{listed(at_s)},"y":{listed(_short(line.values))}'


def _dash(line: Line) -> str:
    return ",".join(f"{length}px" for length in line.dash.split()) or "solid"


def _short(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values with the digits that a screen can show."""
    known = np.isfinite(values)
    largest = float(np.abs(values[known]).max()) if known.any() else 0.0
    digits = 6 - math.floor(math.log10(largest)) if largest > 0 else 0
    short: NDArray[np.float64] = np.round(values, min(max(digits, 0), 12))
    return short


def _worst(at_s: float, value: float) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": "worst instant",
        "x": [at_s],
        "y": [value],
        "yaxis": "y",
        "showlegend": False,
        "marker": {"symbol": "circle-open", "size": 13, "color": RED, "line": {"width": 2}},
    }


def _layout(plot: Plot, shown: Sequence[Panel], along: str) -> dict[str, Any]:
    inner = height(len(shown)) - TOP - BOTTOM
    top = TOP + 20 * len(plot.traces)  # a line of the legend for every trace
    layout: dict[str, Any] = {
        "height": top + inner + BOTTOM,
        "margin": {"l": 62, "r": 12, "t": top, "b": BOTTOM},
        "hovermode": "x",
        "showlegend": True,
        "legend": {"orientation": "h", "x": 0, "y": 1, "yanchor": "bottom", "font": {"size": 11}},
        "font": {
            "family": "system-ui, Liberation Sans, Arial, sans-serif",
            "size": 12,
            "color": "#1a1a1a",
        },
        "paper_bgcolor": "#fff",
        "plot_bgcolor": "#fff",
        "xaxis": {
            "range": list(span(plot)),
            "title": {"text": text(along)},
            "gridcolor": "#ddd",
            "zeroline": False,
            "anchor": _axis("y", len(shown) - 1),
        },
        "shapes": _shapes(plot, shown),
        "annotations": _notes(shown),
    }
    for place, panel in enumerate(shown):
        upper = 1 - place * (PANEL_HEIGHT + GAP) / inner
        layout[_axis("yaxis", place)] = {
            "title": {"text": text(panel.title)},
            "range": [panel.low, panel.high],
            "domain": [max(0.0, upper - PANEL_HEIGHT / inner), upper],
            "gridcolor": "#ddd",
            "zeroline": False,
        }
        if panel.states:
            values, words = zip(*panel.ticks(), strict=True)
            marks = {"tickmode": "array", "tickvals": list(values), "ticktext": list(words)}
            layout[_axis("yaxis", place)] |= marks
    return layout


def _shapes(plot: Plot, shown: Sequence[Panel]) -> list[dict[str, Any]]:
    shapes: list[dict[str, Any]] = []
    whole = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1}
    if plot.window_s is not None and all(usable(end) for end in plot.window_s):
        start, end = plot.window_s
        shade = {"fillcolor": "#e9e4d4", "line": {"width": 0}, "layer": "below"}
        shapes.append({"type": "rect", **whole, "x0": start, "x1": end, **shade})
    if shown and shown[0].limit is not None:
        limit = shown[0].limit
        dashed = {"line": {"color": RED, "width": 1.4, "dash": "dash"}}
        across = {"xref": "paper", "x0": 0, "x1": 1, "yref": "y", "y0": limit, "y1": limit}
        shapes.append({"type": "line", **across, **dashed})
    if usable(plot.worst_s):
        dotted = {"line": {"color": RED, "width": 1, "dash": "dot"}}
        shapes.append({"type": "line", **whole, "x0": plot.worst_s, "x1": plot.worst_s, **dotted})
    return shapes


def _notes(shown: Sequence[Panel]) -> list[dict[str, Any]]:
    if not shown or shown[0].limit is None:
        return []
    limit = shown[0].limit
    place = {"xref": "paper", "x": 1, "xanchor": "right", "yref": "y", "y": limit}
    words = {"text": f"limit {number(limit)}", "font": {"color": RED, "size": 11}}
    return [{**place, **words, "yanchor": "bottom", "showarrow": False}]


def _axis(letter: str, place: int) -> str:
    return letter if place == 0 else f"{letter}{place + 1}"
