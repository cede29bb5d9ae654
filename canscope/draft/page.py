"""An inventory as one HTML page that opens offline: a table a bus, with a small curve a signal."""

from __future__ import annotations

from typing import Any

import numpy as np

from canscope.draft.course import BINS, Course
from canscope.draft.inventory import Inventory
from canscope.report.wording import visible

WIDTH, HEIGHT = 260, 34  # of a curve, in px
PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{{ title }}</title><style>
body { font: 14px/1.4 system-ui, sans-serif; margin: 1.5rem; color: #1b1b1b; }
h1 { font-size: 1.3rem; } h2 { font-size: 1.1rem; margin: 1.5rem 0 .3rem; }
table { border-collapse: collapse; }
th { text-align: left; font-weight: 600; border-bottom: 2px solid #777; }
td, th { padding: .15rem .7rem .15rem 0; vertical-align: middle; }
tr.first td { border-top: 1px solid #ccc; }
.n { text-align: right; font-variant-numeric: tabular-nums; }
p.note { margin: .2rem 0; color: #6b4a00; }
svg { display: block; background: #f5f5f3; }
polygon { fill: #2f5d8a; stroke: #2f5d8a; stroke-width: 1; }
@media print { body { margin: 0; font-size: 10px; } tr { break-inside: avoid; } }
</style></head><body>
<h1>What is in {{ title }}</h1>
<p>{{ inventory.frames }} frames in {{ "%.1f" | format(inventory.end_ns / 1e9) }} s{% if
inventory.errors %}, {{ inventory.errors }} of them error frames{% endif %}. Each curve runs over
that whole time, from the least to the greatest value.</p>
{% for bus in inventory.buses %}
<h2>{{ bus.channel | visible }}: {{ bus.files | join(", ") | visible or "no definition" }}</h2>
{% if bus.rivals %}<p class="note">Fits exactly as well: {{ bus.rivals | join(", ") | visible }}</p>
{% endif %}{% if bus.never_seen %}<p class="note">Defined and never seen:
{% for spec in bus.never_seen %}{{ spec.name | visible }}{{ "" if loop.last else ", " }}{% endfor %}
</p>{% endif %}
<table><tr><th>id</th><th>message</th><th class="n">cycle, ms</th><th>signal</th><th class="n">count
</th><th class="n">least</th><th class="n">greatest</th><th>unit</th><th class="n">changes</th><th>
course</th></tr>
{% for message in bus.messages %}{% for facts in message.signals or [none] %}
<tr{% if loop.first %} class="first"{% endif %}>
{% if loop.first %}<td>{{ message.id_text }}</td><td>{{ message.spec.name | visible if message.spec
else "no definition" }}</td><td class="n">{{ "%.4g" | format(message.cycle_ns / 1e6) if
message.cycle_ns else "once" }}</td>{% else %}<td></td><td></td><td></td>{% endif %}
{% if facts %}<td>{{ facts.spec.name | visible }}</td><td class="n">{{ facts.count }}</td>
<td class="n">{{ facts.least | number }}</td><td class="n">{{ facts.greatest | number }}</td>
<td>{{ facts.spec.unit | visible }}</td><td class="n">{{ facts.changes }}</td>
<td><svg width="{{ width }}" height="{{ height }}" role="img" aria-label="course">
<polygon points="{{ facts.course | points(inventory.end_ns) }}"/></svg></td>
{% else %}<td></td><td class="n">{{ message.count }}</td>{% endif %}</tr>
{% endfor %}{% endfor %}</table>
{% endfor %}</body></html>
"""


def as_html(inventory: Inventory, title: str) -> str:
    """The page; all text from captures and definitions is escaped."""
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True)
    environment.filters |= {"visible": visible, "number": _number, "points": _points}
    page = environment.from_string(PAGE)
    facts: dict[str, Any] = {"inventory": inventory, "title": visible(title)}
    return page.render(**facts, width=WIDTH, height=HEIGHT)


def _number(value: float) -> str:
    return "" if np.isnan(value) else f"{value:.6g}"


def _points(course: Course, end_ns: int) -> str:
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
