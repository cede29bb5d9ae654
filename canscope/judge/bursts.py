"""The burst table: what each unit did in each stretch in which it turned."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from canscope.model.piece import ClosedWindow, S
from canscope.model.report import Burst
from canscope.model.tables import Floats

REQUESTS = {1.0: "forward", -1.0: "reverse", 0.0: "neutral"}


def burst_row(window: ClosedWindow) -> Burst:
    """One row of the table, from the window of one burst."""
    span = window.span
    unit = window.bench.unit(span.subject)
    request = float(window.at("@request", span.start_ns).value[0])
    gained = {}
    for word, role in unit.temperature_roles().items():
        before = float(window.at(role, span.start_ns).value[0])
        highest = _peak(window, role, np.nanmax)
        if highest is not None and not np.isnan(before):
            gained[word] = round(highest - before, 3)
    return Burst(
        unit=unit.name,
        number=span.number,
        start_s=(span.start_ns - window.origin_ns) / S,
        length_s=(span.end_ns - span.start_ns) / S,
        requested=REQUESTS.get(request, "unknown"),
        peak_speed_rpm=_peak(window, unit.role("speed"), _largest),
        peak_current_A=_peak(window, "pack.current", _largest),
        lowest_voltage_V=_peak(window, "pack.voltage", np.nanmin),
        heat_gained_K=gained,
    )


def _peak(window: ClosedWindow, role: str, pick: Callable[[Floats], float]) -> float | None:
    values = window[role].value
    return float(pick(values)) if len(values) and not np.isnan(values).all() else None


def _largest(values: Floats) -> float:
    """The value that is largest in magnitude, with its sign."""
    return float(values[np.nanargmax(np.abs(values))])
