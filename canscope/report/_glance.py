"""The run at a glance: every bound role over the whole recording, on one time axis.

On paper a drawing of what matters most; on the screen the page's script draws it from the data, and
every other role can be switched on.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from canscope.model.report import Report, Trace
from canscope.report._plot_layout import COLOURS, DASHES, DEGREES, DIRECTIONS, ticks, usable
from canscope.report._plotly_chart import in_script
from canscope.report._svg_drawing import escaped
from canscope.report.first_screen import leads
from canscope.report.wording import number, state, visible

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 1000, 150, 12, 18, 40  # in px, of the drawing
BAND, PANEL, GAP = 17, 92, 16
SHADES = {"forward": "#9cc7a4", "reverse": "#e3b56b", "on": "#9fb3cc"}
BANDS = ("driver.direction", "driver.brake")
RED = "#b00020"
FIRST_UNITS = ("rpm", "V", "A", "degC")  # from top to bottom, before all others


@dataclass(frozen=True)
class Spell:
    """A stretch of time in which a state held."""

    from_s: float
    until_s: float
    word: str  # forward, reverse or on; what is off, neutral or unknown has no spell


def spells(trace: Trace) -> list[Spell]:
    """When a state or a direction was on."""
    words: dict[float, str] = {1.0: "on"}
    if trace.role.rpartition(".")[2] == "direction":
        words = {value: word for value, word in DIRECTIONS.items() if value}
    ends = [*trace.at_s[1:], trace.at_s[-1]] if trace.at_s else []
    found: list[Spell] = []
    for at, until, value in zip(trace.at_s, ends, trace.value, strict=True):
        word = words.get(value) if value is not None else None
        if word is None:
            continue
        if found and found[-1].word == word and found[-1].until_s == at:
            found[-1] = Spell(found[-1].from_s, until, word)
        else:
            found.append(Spell(at, until, word))
    return found


def shown_at_first(role: str) -> bool:
    """Whether a role is shown without being asked for."""
    last = role.rpartition(".")[2]
    return (
        role in (*BANDS, "pack.voltage", "pack.current")
        or (role.startswith("units.") and last == "speed")
        or ".temperatures." in role
    )


def data(report: Report) -> Markup:
    """What the page's script draws, as JSON that may stand inside a ``<script>``."""
    course = report.course
    assert course is not None
    traces = [
        {
            "role": visible(trace.role),
            "name": _name(trace),
            "signal": visible(trace.signal),
            "unit": DEGREES.get(trace.unit, visible(trace.unit)),
            "kind": _kind(trace),
            "on": shown_at_first(trace.role),
            "x": trace.at_s,
            "y": trace.value,
        }
        for trace in sorted(course.traces, key=lambda trace: _place(trace.unit))
    ]
    return Markup(
        in_script(
            {
                "from": course.from_s,
                "until": course.until_s,
                "traces": traces,
                "bursts": [
                    {
                        "unit": visible(burst.unit),
                        "from": burst.start_s,
                        "until": burst.start_s + burst.length_s,
                    }
                    for burst in report.bursts
                ],
                "marks": [{"at": at, "text": text} for at, text in _marks(report)],
                "events": [
                    {"at": event.at_s, "text": visible(event.what)}
                    for event in report.events
                    if "contactor" in event.what or "link" in event.what
                ],
                "findings": [{"at": at, "text": text} for at, text in _findings(report)],
            }
        )
    )


def drawing(report: Report) -> Markup:
    """The same for paper: requests as bands, then speeds, pack and temperatures."""
    course = report.course
    assert course is not None
    traces = {trace.role: trace for trace in course.traces}
    bands = [traces[role] for role in BANDS if role in traces]
    groups: dict[str, list[Trace]] = {}
    for trace in course.traces:
        if shown_at_first(trace.role) and not trace.states:
            groups.setdefault(trace.unit, []).append(trace)
    axis = _Axis(course.from_s, max(course.until_s, course.from_s + 1e-3))
    top, parts = TOP, list[str]()
    for trace in bands:
        parts += _band(axis, trace, top)
        top += BAND + 5
    top += 12
    for unit, lines in sorted(groups.items(), key=lambda group: _place(group[0])):
        parts += _panel(axis, unit, lines, top)
        top += PANEL + GAP
    bottom = top - GAP
    parts += _time_axis(axis, bottom)
    for order, (at_s, text) in enumerate(_findings(report)[:3]):
        x = axis.x(at_s)
        parts.append(f'<path d="M{x:.1f} {TOP}V{bottom}" stroke="{RED}" stroke-dasharray="3 2"/>')
        if order:  # only one has room for its words
            continue
        end = "end" if x > WIDTH / 2 else "start"
        parts.append(
            f'<text x="{x:.1f}" y="{TOP - 5}" text-anchor="{end}" fill="{RED}">'
            f"{escaped(text if len(text) < 60 else text[:59] + chr(0x2026))}</text>"
        )
    for at_s, _ in _marks(report):
        x = axis.x(at_s)
        parts.append(f'<path d="M{x:.1f} {bottom}l-4 7h8z" fill="#123a6b"/>')
    return Markup(
        f'<svg class="drawing glance" viewBox="0 0 {WIDTH} {bottom + BOTTOM}" role="img"'
        f' aria-label="the run at a glance">{"".join(parts)}</svg>'
    )


@dataclass(frozen=True)
class _Axis:
    low: float
    high: float

    def x(self, at_s: Any) -> Any:
        share = (np.clip(at_s, self.low, self.high) - self.low) / (self.high - self.low)
        return LEFT + share * (WIDTH - LEFT - RIGHT)


def _band(axis: _Axis, trace: Trace, top: int) -> Iterator[str]:
    middle = top + BAND - 4
    yield f'<text x="{LEFT - 8}" y="{middle}" text-anchor="end">{escaped(_name(trace))}</text>'
    wide = WIDTH - LEFT - RIGHT
    yield f'<rect x="{LEFT}" y="{top}" width="{wide}" height="{BAND}" fill="#f1f1f1"/>'
    for spell in spells(trace):
        left, right = axis.x(spell.from_s), axis.x(spell.until_s)
        yield (
            f'<rect x="{left:.1f}" y="{top}" width="{max(1.0, right - left):.1f}"'
            f' height="{BAND}" fill="{SHADES[spell.word]}"/>'
        )
        if right - left > 52 and spell.word != "on":
            yield f'<text x="{left + 4:.1f}" y="{middle}">{spell.word}</text>'


def _panel(axis: _Axis, unit: str, lines: Sequence[Trace], top: int) -> Iterator[str]:
    values = np.concatenate([np.asarray(line.value, np.float64) for line in lines])
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    around = 0.08 * (high - low) or max(1.0, 0.02 * abs(high))
    low, high = low - around, high + around
    bottom, right = top + PANEL, WIDTH - RIGHT
    for value in ticks(low, high, 3):
        y = bottom - (value - low) / (high - low) * PANEL
        yield f'<path d="M{LEFT} {y:.1f}H{right}" stroke="#ddd"/>'
        yield f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{number(value)}</text>'
    yield f'<path d="M{LEFT} {top}V{bottom}H{right}" stroke="#555" fill="none"/>'
    yield f'<text x="2" y="{top + 11}" font-weight="bold">{escaped(DEGREES.get(unit, unit))}</text>'
    for place, line in enumerate(lines):
        colour, dash = COLOURS[place % len(COLOURS)], DASHES[place % len(DASHES)]
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        y = top + 27 + 14 * place
        yield f'<path d="M2 {y - 4}h20" stroke="{colour}" stroke-width="2"{dashes}/>'
        yield f'<text x="26" y="{y}" font-size="11">{escaped(_name(line)[:16])}</text>'
        path = _path(axis, line, low, high, bottom)
        yield f'<path d="{path}" stroke="{colour}" stroke-width="1.3" fill="none"{dashes}/>'


def _path(axis: _Axis, line: Trace, low: float, high: float, bottom: int) -> str:
    at_s, value = np.asarray(line.at_s, np.float64), np.asarray(line.value, np.float64)
    x = np.round(axis.x(at_s), 1).tolist()
    y = np.round(bottom - (value - low) / (high - low) * PANEL, 1).tolist()
    parts, pen = [], "M"
    for left, height in zip(x, y, strict=True):
        if height != height:
            pen = "M"
            continue
        parts.append(f"{pen}{left} {height}")
        pen = "L"
    return "".join(parts)


def _time_axis(axis: _Axis, bottom: int) -> Iterator[str]:
    for at in ticks(axis.low, axis.high, 10):
        x = axis.x(at)
        yield f'<path d="M{x:.1f} {bottom}v4" stroke="#555"/>'
        yield f'<text x="{x:.1f}" y="{bottom + 20}" text-anchor="middle">{number(at)}</text>'
    yield (
        f'<text x="{(LEFT + WIDTH - RIGHT) / 2:.0f}" y="{bottom + 36}" text-anchor="middle">'
        "seconds since the recording's first frame; triangles: marks by persons</text>"
    )


def _place(unit: str) -> int:
    return FIRST_UNITS.index(unit) if unit in FIRST_UNITS else len(FIRST_UNITS)


def _kind(trace: Trace) -> str:
    if not trace.states:
        return "number"
    return "direction" if trace.role.rpartition(".")[2] == "direction" else "state"


def _name(trace: Trace) -> str:
    """The role as a person would say it: ``front speed``, ``pack voltage``, ``brake``."""
    role = visible(trace.role).removeprefix("units.").removeprefix("driver.")
    return role.replace(".temperatures.", " ").replace(".", " ").replace("_", " ")


def _marks(report: Report) -> list[tuple[float, str]]:
    found = []
    for mark in report.marks:
        at = mark.get("at_s")
        if isinstance(at, (int, float)) and usable(at):
            words = [str(mark[key]) for key in ("axle", "seen", "asked", "text") if mark.get(key)]
            found.append((float(at), visible(" ".join(words))))
    return found


def _findings(report: Report) -> list[tuple[float, str]]:
    """The instants of what failed, those that lead the report first."""
    first = [lead.finding for lead in leads(report) if lead.finding]
    others = [f for f in report.findings if state(f) == "failed" and f not in first]
    return [
        (finding.at_s, visible(finding.short or finding.sentence))
        for finding in [*first, *others]
        if finding.at_s is not None and usable(finding.at_s) and state(finding) == "failed"
    ]
