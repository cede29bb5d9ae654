"""A plot as an SVG drawing, shown on paper and wherever no script runs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from html import escape

import numpy as np
from markupsafe import Markup

from canscope.model.report import Plot
from canscope.model.runs import runs_of
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
    ticks,
    usable,
)
from canscope.report.wording import number, visible

WIDTH, LEFT, RIGHT = 560, 66, 10
LIMIT, WORST = "#b00020", "#b00020"


def drawing(plot: Plot, title: str, *, along: str = TIME) -> Markup:
    """The plot as one ``<svg>``; ``title`` is read out to those who cannot see it."""
    shown = panels(plot)
    tall = height(len(shown))
    label = f'role="img" aria-label="{escaped(title)}"'
    parts = [f'<svg class="drawing" viewBox="0 0 {WIDTH} {tall}" {label}>']
    for place, panel in enumerate(shown):
        top = TOP + place * (PANEL_HEIGHT + GAP)
        parts += _panel(plot, panel, top, first=place == 0)
    parts += _time_axis(plot, tall - BOTTOM, along)
    parts.append("</svg>")
    return Markup("".join(parts))


def escaped(text: str) -> str:
    """Text to stand in an element or an attribute, whatever it holds."""
    return escape(visible(text))


def _panel(plot: Plot, panel: Panel, top: int, *, first: bool) -> Iterator[str]:
    bottom = top + PANEL_HEIGHT
    right = WIDTH - RIGHT
    if plot.window_s is not None:
        left_x, right_x = sorted(_clip_x(plot, at) for at in plot.window_s)
        width = max(1.0, right_x - left_x)
        yield (
            f'<rect x="{left_x:.1f}" y="{top}" width="{width:.1f}" height="{PANEL_HEIGHT}"'
            ' fill="#e9e4d4"/>'
        )
    for value, word in panel.ticks():
        y = _y(panel, top, value)
        yield f'<path d="M{LEFT} {y:.1f}H{right}" stroke="#ddd"/>'
        yield f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{escaped(word)}</text>'
    yield f'<path d="M{LEFT} {top}V{bottom}H{right}" stroke="#555" fill="none"/>'
    yield (
        f'<text x="14" y="{(top + bottom) / 2:.0f}" text-anchor="middle"'
        f' transform="rotate(-90 14 {(top + bottom) / 2:.0f})">{escaped(panel.title)}</text>'
    )
    yield from _legend(panel, top)
    if panel.limit is not None:
        y = _y(panel, top, panel.limit)
        yield f'<path d="M{LEFT} {y:.1f}H{right}" stroke="{LIMIT}" stroke-dasharray="10 4"/>'
        yield (
            f'<text x="{right - 4}" y="{y - 4:.1f}" text-anchor="end" fill="{LIMIT}">'
            f"limit {number(panel.limit)}</text>"
        )
    curves = [part for line in panel.lines for part in _curve(plot, panel, top, line)]
    if not curves:
        middle = (LEFT + right) / 2
        yield f'<text x="{middle}" y="{top + 80}" text-anchor="middle">no value here</text>'
    yield from curves
    yield from _worst(plot, panel, top, first=first)


def _curve(plot: Plot, panel: Panel, top: int, line: Line) -> Iterator[str]:
    """The line in tenths of a px, broken at every gap, with a dot for a sample on its own."""
    low, high = span(plot)
    at = np.asarray(line.trace.at_s, np.float64)
    inside = (at >= low) & (at <= high)
    at, value = at[inside], line.values[inside]
    known = np.isfinite(value)
    x = np.round(_x(plot, at), 1).tolist()
    y = np.round(np.where(known, _y(panel, top, np.where(known, value, 0.0)), 0.0), 1).tolist()
    path = []
    for start, end in runs_of(known):
        points = zip(x[start:end], y[start:end], strict=True)
        if line.trace.states:
            first, *others = points
            path.append(f"M{first[0]} {first[1]}" + "".join([f"H{a}V{b}" for a, b in others]))
        else:
            path.append("M" + "L".join([f"{a} {b}" for a, b in points]))
    dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
    if path:
        yield (
            f'<path class="curve" d="{"".join(path)}" stroke="{line.colour}" stroke-width="1.6"'
            f' fill="none" stroke-linejoin="round"{dash}/>'
        )
    for i in np.flatnonzero(line.lone()[inside]).tolist():
        yield f'<circle cx="{x[i]}" cy="{y[i]}" r="2.2" fill="{line.colour}"/>'


def _worst(plot: Plot, panel: Panel, top: int, *, first: bool) -> Iterator[str]:
    at_s, point = plot.worst_s, circled(plot)
    if at_s is None or not usable(at_s):
        return
    x = _clip_x(plot, at_s)
    yield (f'<path d="M{x:.1f} {top}v{PANEL_HEIGHT}" stroke="{WORST}" stroke-dasharray="2 3"/>')
    if first:
        # Above a low value and below a high one the label does not hide the curve.
        low = point is not None and point[1] < (panel.low + panel.high) / 2
        end, shift = ("end", -6) if x > WIDTH / 2 else ("start", 6)
        yield (
            f'<text x="{x + shift:.1f}" y="{top + (14 if low else PANEL_HEIGHT - 6)}"'
            f' text-anchor="{end}" fill="{WORST}">worst at {at_s:.3f} s</text>'
        )
    if first and point is not None:
        y = _y(panel, top, point[1])
        yield (
            f'<circle class="worst" cx="{_clip_x(plot, point[0]):.1f}" cy="{y:.1f}" r="6"'
            f' fill="none" stroke="{WORST}" stroke-width="2"/>'
        )


def _legend(panel: Panel, top: int) -> Iterator[str]:
    # Letters are about 6.5 px wide. A label that does not fit is cut; the table has it whole.
    room = (WIDTH - LEFT - RIGHT) // len(panel.lines)
    for place, line in enumerate(panel.lines):
        x, y = LEFT + place * room, top - 8
        letters = max(4, int((room - 34) / 6.5))
        label = line.label if len(panel.lines) == 1 else visible(line.trace.role) or line.label
        label = label if len(label) <= letters else label[: letters - 1] + "…"
        dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
        yield f'<path d="M{x} {y - 4}h24" stroke="{line.colour}" stroke-width="2"{dash}/>'
        yield f'<text x="{x + 29}" y="{y}">{escaped(label)}</text>'


def _time_axis(plot: Plot, bottom: int, along: str) -> Iterator[str]:
    low, high = span(plot)
    for at in ticks(low, high, 6):
        x = float(_x(plot, np.float64(at)))
        yield f'<path d="M{x:.1f} {bottom}v4" stroke="#555"/>'
        yield f'<text x="{x:.1f}" y="{bottom + 16}" text-anchor="middle">{number(at)}</text>'
    middle = (LEFT + WIDTH - RIGHT) / 2
    yield (f'<text x="{middle:.0f}" y="{bottom + 34}" text-anchor="middle">{escaped(along)}</text>')


def _x(plot: Plot, at: np.ndarray | np.float64) -> np.ndarray:
    low, high = span(plot)
    return np.asarray(LEFT + (at - low) / (high - low) * (WIDTH - LEFT - RIGHT))


def _clip_x(plot: Plot, at: float) -> float:
    low, high = span(plot)
    inside = min(max(at, low), high) if math.isfinite(at) else low
    return float(_x(plot, np.float64(inside)))


def _y(panel: Panel, top: int, value: np.ndarray | float) -> np.ndarray:
    share = (np.asarray(value) - panel.low) / (panel.high - panel.low)
    return np.asarray(top + PANEL_HEIGHT * (1 - share))
