"""An inventory as one HTML page that opens offline: a table a bus, with a small curve a signal."""

from __future__ import annotations

import numpy as np

from canscope.draft.course import BINS, Course
from canscope.draft.inventory import Inventory
from canscope.report import templating

WIDTH, HEIGHT = 260, 34  # of a curve, in px
STYLE = """
.n { text-align: right; font-variant-numeric: tabular-nums; }
tr.first td { border-top: 1px solid var(--line); }
.course { display: block; }
.course polygon { fill: #2f5d8a; stroke: #2f5d8a; stroke-width: 1; }
"""


def as_html(inventory: Inventory, title: str) -> str:
    """The page; all text from captures and definitions is escaped."""
    return templating.without_script(
        "signals.html",
        style=STYLE,
        inventory=inventory,
        title=title,
        number=_number,
        points=points,
        width=WIDTH,
        height=HEIGHT,
    )


def _number(value: float) -> str:
    return "" if np.isnan(value) else f"{value:.6g}"


def points(course: Course, end_ns: int) -> str:
    """The outline between the least and greatest value of each column of pixels."""
    used = min(BINS, end_ns // course.width_ns + 1)
    column = np.arange(used) * WIDTH // max(used, 1)
    low, high = np.full(WIDTH, np.nan), np.full(WIDTH, np.nan)
    np.fmin.at(low, column, course.least[:used])
    np.fmax.at(high, column, course.greatest[:used])
    x = np.flatnonzero(~np.isnan(low))
    if not len(x):
        return ""
    bottom, top = low[x].min(), high[x].max()
    scale = (HEIGHT - 4) / (top - bottom) if top > bottom else 0.0
    upper = [f"{at},{HEIGHT - 2 - (high[at] - bottom) * scale:.1f}" for at in x]
    lower = [f"{at},{HEIGHT - 2 - (low[at] - bottom) * scale:.1f}" for at in x[::-1]]
    return " ".join(upper + lower)
