"""Do pack current and pack voltage come when what they measure happens, or long after it?

Current flows from the instant at which pre-charge and negative are both closed. Pack and link are
one circuit while both poles are closed, so they give way together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s
from canscope.trust.clock_alignment import MS, begins
from canscope.trust.remark import Links, Remark

LATE_NS = 30 * MS  # surely; a filter of the current takes as long. Common practice, no source
BEFORE_NS = SECOND_NS  # of rest before a burst, and after it
LONGEST_NS = 12 * SECOND_NS  # of a burst
GRID_MS, FARTHEST_MS = 5, 400  # the lags tried
STEPS = 8.0  # of both voltages, by which they have to give way; common practice, no source
LATE_MS = 50.0  # by which they lie apart, surely by 40; likewise
SURE_MS = 40.0
MISFIT = 2.5  # times the misfit at the best lag: surely not the lag; likewise
ALIKE, UNLIKE = 0.9, 0.6  # share of the variance explained at the best lag; likewise

PACK, CURRENT = "pack.voltage", "pack.current"


def current(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that begins after the contacts closed, by a state and, where seen, the links."""
    begin = begins(window)
    if begin.closed is None or begin.current is None or begin.current_counts:
        return
    late_ns = begin.current.after_ns - begin.closed.time_ns
    if late_ns > LATE_NS:
        key = window.bench.bindings[f"contactors.{begin.closed.subject}"].key
        text = f"began to flow at least {late_ns / MS:.0f} ms after {key} said closed: it is late"
        yield Remark(CURRENT, "late", text, begin.current.time_ns)


def pack_voltage(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pack and a link that do not give way together, as far as both give way clearly."""
    bench = window.bench
    for role in links if bench.has(PACK) else ():
        fit = _fit(window, PACK, role)
        if fit is None:
            continue
        keys, end_ns = [bench.bindings[r].key for r in (PACK, role)], window.span.end_ns
        if 1 - fit.misfit < UNLIKE:
            text = f"gave way otherwise than {keys[1]} in a burst, in one circuit"
            yield Remark(PACK, "wrong", text, end_ns)
        if 1 - fit.misfit < ALIKE or abs(fit.ms) < LATE_MS or abs(fit.ms) - fit.u_ms < SURE_MS:
            continue
        later, other = (PACK, keys[1]) if fit.ms > 0 else (role, keys[0])
        text = f"gave way {abs(fit.ms):.0f} ms (+-{fit.u_ms:.0f} ms) after {other} did, in one "
        yield Remark(later, "late", text + "circuit: it is late", end_ns)


@dataclass(frozen=True)
class Fit:
    """How much later one voltage gives way than another one, and what that leaves unexplained."""

    ms: float
    u_ms: float
    misfit: float


def _fit(window: ClosedWindow, one: str, other: str) -> Fit | None:
    """The best lag of two voltages in a burst; None where they give way too little to tell."""
    x, y = burst_samples(window, one), burst_samples(window, other)
    if x is None or y is None:
        return None
    for role, samples in ((one, x), (other, y)):
        step = max(2 * window.bench.bindings[role].half_step, noise(samples.value))
        if np.ptp(smooth(samples.value)) < STEPS * step:
            return None
    first_ns = int(max(x.time_ns[0], y.time_ns[0])) + FARTHEST_MS * MS
    last_ns = int(min(x.time_ns[-1], y.time_ns[-1])) - FARTHEST_MS * MS
    at_ns = np.arange(first_ns, last_ns, GRID_MS * MS)
    if len(at_ns) < SECOND_NS // (GRID_MS * MS):
        return None
    lags = np.arange(-FARTHEST_MS, FARTHEST_MS + 1, GRID_MS)
    left = np.interp(at_ns - first_ns, x.time_ns - first_ns, x.value)
    misfit = np.array([_misfit(left, y, at_ns, int(ms)) for ms in lags])
    best = float(misfit.min())
    near = lags[misfit <= MISFIT * best]
    return Fit(float(near[-1] + near[0]) / 2, float(near[-1] - near[0]) / 2 + GRID_MS, best)


def burst_samples(window: ClosedWindow, role: str) -> Samples | None:
    """A role over a burst and the rest around it, with both poles closed; None if it has too few.

    An opening soon after the burst cuts it off.
    """
    bench, span = window.bench, window.span
    start_ns = span.start_ns - BEFORE_NS
    end_ns = min(span.end_ns + BEFORE_NS, span.start_ns + LONGEST_NS, window.until_ns)
    if bench.has("contactors.negative", "contactors.positive"):
        closed = window.at("@closed", [start_ns, end_ns])
        if closed.value[1] != 1 or closed.age_ns[1] < end_ns - start_ns:
            return None
    samples = window.back(role, start_ns).between(start_ns, end_ns).known
    return samples if len(samples) >= 30 else None


def noise(values: Floats) -> float:
    """How far neighbouring readings lie apart, about: 1.5 times the median step."""
    return 1.5 * float(np.median(np.abs(np.diff(values))))


def smooth(values: Floats) -> Floats:
    """Means of five readings."""
    return np.convolve(values, np.ones(5) / 5, "valid")


def _misfit(left: Floats, y: Samples, at_ns: Int64s, lag_ms: int) -> float:
    """The share of the variance that the other one does not explain at that lag."""
    right = np.interp(at_ns - lag_ms * MS - y.time_ns[0], y.time_ns - y.time_ns[0], y.value)
    a, b = left - left.mean(), right - right.mean()
    scale = float((a * a).sum() * (b * b).sum())
    together = float((a * b).sum())
    return 1.0 if scale <= 0 or together <= 0 else 1 - together**2 / scale
