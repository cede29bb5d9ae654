"""How a plot is laid out, the same for the drawing on paper and the one on the screen."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from canscope.model.report import Plot, Trace
from canscope.report.wording import number, visible

PANEL_HEIGHT, GAP, TOP, BOTTOM = 130, 28, 26, 44  # in px, of one panel and around it
COLOURS = ("#123a6b", "#8a4b00", "#3b6b1f", "#6b1f5e", "#444444")
DASHES = ("", "7 4", "2 3", "9 3 2 3", "14 4")  # lines differ without colour, too
TIME = "seconds since the recording's first frame"  # along the lower axis
DEGREES = {"degC": "°C", "ohm": "Ω"}
DIRECTIONS = {-1.0: "reverse", 0.0: "neutral", 1.0: "forward"}


@dataclass(frozen=True)
class Line:
    """One trace with its place in the order of colours and dashes."""

    trace: Trace
    order: int

    @property
    def label(self) -> str:
        """Role and signal; the signal alone where there is no role or it has the same name."""
        role, signal = visible(self.trace.role), visible(self.trace.signal)
        return f"{role} = {signal}" if role and role != signal else signal

    @property
    def direction(self) -> bool:
        """Whether it is a requested direction, whose values have words."""
        return self.trace.states and self.trace.role.rpartition(".")[2] == "direction"

    @property
    def colour(self) -> str:
        """Its colour."""
        return COLOURS[self.order % len(COLOURS)]

    @property
    def dash(self) -> str:
        """Its dashes, in px."""
        return DASHES[self.order % len(DASHES)]

    @cached_property
    def values(self) -> NDArray[np.float64]:
        """Its values; whatever is not finite is a gap."""
        return np.asarray(self.trace.value, np.float64)

    def lone(self) -> NDArray[np.bool_]:
        """For each sample whether it stands alone between two gaps, where no line would show it."""
        known: NDArray[np.bool_] = np.isfinite(self.values)
        padded = np.concatenate([[False], known, [False]])
        lone: NDArray[np.bool_] = known & ~padded[:-2] & ~padded[2:]
        return lone


@dataclass(frozen=True)
class Panel:
    """Traces of one unit above a common time axis, and the range that shows them all."""

    title: str
    lines: tuple[Line, ...]
    low: float
    high: float
    limit: float | None
    states: bool = False

    def ticks(self) -> list[tuple[float, str]]:
        """Where the value axis is marked, and with which words."""
        if not self.states:
            return [(value, number(value)) for value in ticks(self.low, self.high, 4)]
        if self.directions:
            return list(DIRECTIONS.items())
        # Codes are whole numbers; a wide range of them still gets few marks.
        step = max(1, math.ceil((self.high - self.low) / 6))
        codes = range(math.ceil(self.low), math.floor(self.high) + 1, step)
        return [(float(code), str(code)) for code in codes]

    @property
    def directions(self) -> bool:
        """Whether all of its lines are requested directions."""
        return all(line.direction for line in self.lines)


def usable(value: float | None) -> bool:
    """Whether a value can be drawn; all others are gaps."""
    return value is not None and math.isfinite(value)


def panels(plot: Plot) -> list[Panel]:
    """The panels of a plot from top to bottom; the first holds the first trace and the limit."""
    groups: dict[tuple[str, bool, bool], list[Line]] = {}
    for order, trace in enumerate(plot.traces):
        line = Line(trace, order)
        groups.setdefault((trace.unit, trace.states, line.direction), []).append(line)
    drawn: list[Panel] = []
    for (unit, states, direction), lines in groups.items():
        limit = plot.limit if not drawn and usable(plot.limit) else None
        low, high = (-1.3, 1.3) if direction else _range(lines, limit)
        # The words beside a state's axis say more than a title, and need its place.
        title = DEGREES.get(unit, visible(unit)) or ("" if states else "value")
        drawn.append(Panel(title, tuple(lines), low, high, limit, states))
    return drawn


def height(count: int) -> int:
    """Height in px of a figure with so many panels."""
    return TOP + BOTTOM + count * PANEL_HEIGHT + max(0, count - 1) * GAP


def span(plot: Plot) -> tuple[float, float]:
    """The stretch of time to show, never empty."""
    low, high = plot.from_s, plot.until_s
    return (low, high) if high > low else (low - 0.5, low + 0.5)


def circled(plot: Plot) -> tuple[float, float] | None:
    """The sample that the worst instant shows, to be marked with a circle: its time and value."""
    if plot.judged is None or not all(map(usable, plot.judged)):
        return None
    at_s, value = plot.judged
    return None if value is None else (at_s, value)


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers between two ends, roughly as many as asked for."""
    raw = (high - low) / max(1, about)
    base = 10.0 ** math.floor(math.log10(raw))
    step = base * min((1, 2, 5, 10), key=lambda factor: abs(factor * base - raw))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(index * step, 12) for index in range(first, last + 1)]


def _range(lines: Iterable[Line], limit: float | None) -> tuple[float, float]:
    joined = np.concatenate([*(line.values for line in lines), np.array([limit], np.float64)])
    known = joined[np.isfinite(joined)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    # A flat line gets a range, wide enough that its ends differ as floats.
    around = 0.08 * (high - low) or max(1.0, 0.02 * abs(high))
    return low - around, high + around
