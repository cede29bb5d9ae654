"""Two reports held against each other: what changed, what is the same, what nobody can compare."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from canscope.model.comparison import (
    CHANGED,
    FIRST_TURN,
    OPEN,
    READY,
    SAME,
    Comparison,
    Difference,
    Overlay,
)
from canscope.model.findings import REASONS, Finding
from canscope.model.quantities import STATE
from canscope.model.report import Plot, Report, Trace


def compare(a: Report, b: Report) -> Comparison:
    """Hold two reports against each other, finding by finding and role by role."""
    of_a = {finding.key: finding for finding in a.findings}
    of_b = {finding.key: finding for finding in b.findings}
    keys = dict.fromkeys([*of_a, *of_b])
    found = [_difference(key, of_a.get(key), of_b.get(key)) for key in keys]
    order = (CHANGED, OPEN, SAME)
    found.sort(key=lambda one: order.index(one.kind))
    return Comparison(a, b, tuple(found), tuple(_overlays(a, b)), tuple(_notes(a, b)))


def _difference(key: tuple[str, str], a: Finding | None, b: Finding | None) -> Difference:
    if a is None or b is None:
        return Difference(*key, a, b, OPEN, f"only the {'second' if a is None else 'first'} has it")
    if a.verdict != b.verdict:
        return Difference(*key, a, b, CHANGED, f"{a.verdict} became {b.verdict}", *_change(a, b))
    if (a.measured is None) != (b.measured is None):
        return Difference(*key, a, b, OPEN, "only one of them has a number")
    if a.measured is None or b.measured is None or a.unit == STATE:
        if a.reason == b.reason:
            words = REASONS.get(a.reason or "", a.reason or "")
            return Difference(*key, a, b, OPEN if a.reason else SAME, words or "nothing to measure")
        return Difference(*key, a, b, CHANGED, f"{a.reason} became {b.reason}")
    if a.unit != b.unit:
        return Difference(*key, a, b, OPEN, f"measured in {a.unit}, then in {b.unit}")
    change, u = _change(a, b)
    if change is None or u is None:
        return Difference(*key, a, b, OPEN, "a value has no bound")
    if abs(change) > u:
        return Difference(*key, a, b, CHANGED, "differs by more than both uncertainties", change, u)
    return Difference(*key, a, b, SAME, "", change, u)


def _change(a: Finding, b: Finding) -> tuple[float | None, float | None]:
    """The difference of the measured values and its uncertainty, where both are finite."""
    if a.measured is None or b.measured is None or a.unit != b.unit:
        return None, None
    change, u = b.measured - a.measured, (a.uncertainty or 0.0) + (b.uncertainty or 0.0)
    return (change, u) if math.isfinite(change) and math.isfinite(u) else (None, None)


def _notes(a: Report, b: Report) -> Iterator[str]:
    """What makes a comparison less than it seems."""
    if a.vehicle != b.vehicle:
        yield f"two vehicles: {a.vehicle}, and {b.vehicle}"
    if a.stage != b.stage:
        yield f"two stages: {a.stage}, and {b.stage}"
    if a.version != b.version:
        yield f"judged by two versions: {a.version}, and {b.version}"
    for kind in ("plan", "definition"):
        hashes = [{i.name: i.sha256 for i in report.inputs if i.kind == kind} for report in (a, b)]
        if set(hashes[0].values()) != set(hashes[1].values()):
            yield f"the {kind} files are not the same"
    parameters = [{rule.rule: rule.parameters for rule in report.rules} for report in (a, b)]
    other = sorted(rule for rule in parameters[0] if parameters[1].get(rule) != parameters[0][rule])
    if other:
        yield f"other parameters: {', '.join(other)}"


def _overlays(a: Report, b: Report) -> Iterator[Overlay]:
    """Every role that both have, laid over each other at an event and not by the clock."""
    if a.course is None or b.course is None:
        return
    traces = {trace.role: trace for trace in b.course.traces}
    for first in a.course.traces:
        second = traces.get(first.role)
        if second is None or first.unit != second.unit:
            continue
        for name in (FIRST_TURN, READY):
            starts = [_event_s(name, report) for report in (a, b)]
            if None not in starts:
                yield _overlay(name, (first, second), [s for s in starts if s is not None])
                break


def _overlay(name: str, traces: tuple[Trace, Trace], starts: Sequence[float]) -> Overlay:
    moved = [
        replace(
            trace,
            role=f"{word} run",
            signal=trace.signal,
            at_s=tuple(round(at - start, 4) for at in trace.at_s),
        )
        for trace, start, word in zip(traces, starts, ("first", "second"), strict=True)
    ]
    low = min((trace.at_s[0] for trace in moved if trace.at_s), default=0.0)
    high = max((trace.at_s[-1] for trace in moved if trace.at_s), default=1.0)
    return Overlay(traces[0].role, name, Plot(tuple(moved), low, high))


def _event_s(name: str, report: Report) -> float | None:
    """When high voltage first came up, or when a unit first turned."""
    if name == FIRST_TURN:
        return min((burst.start_s for burst in report.bursts), default=None)
    words = ("positive contactor closed", "link came up to the pack's voltage")
    closings = [e.at_s for e in report.events if any(word in e.what for word in words)]
    return min(closings, default=None)
