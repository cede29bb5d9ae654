"""The burst table: what each unit did in each stretch in which it turned.

A burst may last longer than the history reaches back, so its extremes are followed on the way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.events import Span, Window
from canscope.model.history import History
from canscope.model.piece import ClosedWindow, S
from canscope.model.report import Burst
from canscope.model.signals import NO_SAMPLES
from canscope.model.tables import Floats

REQUESTS = {1.0: "forward", -1.0: "reverse", 0.0: "neutral"}


@dataclass(frozen=True)
class Seen:
    """What was seen of one burst from its start to ``until_ns``; None where nothing was yet."""

    start_ns: int
    until_ns: int
    request: float
    speed_rpm: float | None = None  # largest in magnitude, with its sign
    current_A: float | None = None  # likewise
    lowest_V: float | None = None
    before_degC: Mapping[str, float] = field(default_factory=dict)
    highest_degC: Mapping[str, float] = field(default_factory=dict)


class Bursts:
    """Follows the open burst of every unit."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._open: dict[str, Seen] = {}

    def follow(self, bursts: Mapping[str, tuple[int, int]], history: History) -> None:
        """Take in what the history holds of the open bursts: unit -> (start, until)."""
        for name, (start_ns, until_ns) in bursts.items():
            self._open[name] = self._seen(name, start_ns, until_ns, history)

    def row(self, window: ClosedWindow) -> Burst:
        """One row of the table, from the window of one burst."""
        span = window.span
        seen = self._seen(span.subject, span.start_ns, span.end_ns, window.history)
        gained = {
            word: round(highest - seen.before_degC[word], 3)
            for word, highest in seen.highest_degC.items()
            if not np.isnan(seen.before_degC[word])
        }
        return Burst(
            unit=span.subject,
            number=span.number,
            start_s=(span.start_ns - window.origin_ns) / S,
            length_s=(span.end_ns - span.start_ns) / S,
            requested=REQUESTS.get(seen.request, "unknown"),
            peak_speed_rpm=seen.speed_rpm,
            peak_current_A=seen.current_A,
            lowest_voltage_V=seen.lowest_V,
            heat_gained_K=gained,
        )

    def _seen(self, name: str, start_ns: int, until_ns: int, history: History) -> Seen:
        """What was seen of a burst by then: what was carried over, and what came since."""
        unit, seen = self._bench.unit(name), self._open.get(name)
        if seen is None or seen.start_ns != start_ns:
            seen = self._began(unit, start_ns, history)

        def new(role: str) -> Floats:
            samples = history.samples(role) if role in self._bench.bindings else NO_SAMPLES
            return samples.between(seen.until_ns, until_ns).known.value

        highest = dict(seen.highest_degC)
        for word, role in unit.temperature_roles().items():
            if len(values := new(role)):
                highest[word] = max(float(values.max()), highest.get(word, -np.inf))
        return replace(
            seen,
            until_ns=max(seen.until_ns, until_ns),
            speed_rpm=_largest(seen.speed_rpm, new(unit.role("speed"))),
            current_A=_largest(seen.current_A, new("pack.current")),
            lowest_V=_lowest(seen.lowest_V, new("pack.voltage")),
            highest_degC=highest,
        )

    def _began(self, unit: DriveUnit, start_ns: int, history: History) -> Seen:
        span = Span(Window.BURST, unit.name, 0, start_ns, start_ns + 1, start_ns)
        window = ClosedWindow(self._bench, history, span, span.end_ns, start_ns)
        before = {
            word: float(window.at(role, start_ns).value[0])
            for word, role in unit.temperature_roles().items()
        }
        request = float(window.at("@request", start_ns).value[0])
        return Seen(start_ns, start_ns, request, before_degC=before)


def _largest(known: float | None, values: Floats) -> float | None:
    """The value that is largest in magnitude, with its sign; the earliest of equals."""
    if not len(values):
        return known
    value = float(values[np.argmax(np.abs(values))])
    return value if known is None or abs(value) > abs(known) else known


def _lowest(known: float | None, values: Floats) -> float | None:
    if not len(values):
        return known
    return float(values.min() if known is None else min(known, values.min()))
