"""What the link and the pack current show of contactors, whatever the states of these say.

Pre-charge and negative together make the link rise and current flow: both begin at one instant. A
link that charges through a resistor only gets slower; one that rises faster all at once was
connected to the pack.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.median import median
from canscope.model.piece import Past
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s
from canscope.trust.samples.even_stamps import LATEST_NS, even_ns

RISE = 0.03  # of the pack: a smaller rise may be noise of the link; common practice, no source
NOISE = 0.015  # of the pack, from one reading of the link to the next; likewise
NEAR = 40  # readings: the curve just before a step foretells what may follow
LEAST_A = 0.4  # a smaller change of the pack current may be its noise; common practice, no source
BEGUN = 0.08  # of the pack: a link so far above its lowest is charging; likewise
HALF = 0.5  # of the pack: a link that holds more rises slowly; common practice, no source
HOLDS = 2  # as long between steps of a rising link, from which on it is held; likewise
FULL = 0.97  # of the pack: nothing above can be told from the end of a charging curve


@dataclass(frozen=True)
class Shown:
    """Something seen between two readings: it lies in (``after_ns``, ``time_ns``].

    ``value`` is the reading before it, and ``drift`` how far that may have moved until it.
    """

    after_ns: int
    time_ns: int
    value: float = 0.0
    drift: float = 0.0


def link_onset(past: Past, role: str, start_ns: int, end_ns: int, pack_V: float) -> Shown | None:
    """When a link began to rise for the first time in [start, end); None if it did not.

    A rise from more than half of the pack's voltage does not count: it is too slow to tell when it
    began, or the end of one before.
    """
    samples = past.back(role, start_ns).between(start_ns, end_ns).known
    if len(samples) < 2:
        return None
    u, first = past.bench.u(role), 0
    while True:
        above = samples.value[first:] - np.minimum.accumulate(samples.value[first:])
        risen = np.flatnonzero(above >= RISE * pack_V + 2 * u)
        if not len(risen):
            return None
        row = int(risen[0])
        last = int(np.flatnonzero(above[:row] <= RISE / 3 * pack_V + 2 * u)[-1])
        first, last = first + row, first + last
        if samples.value[last] <= HALF * pack_V:
            times = samples.time_ns
            return Shown(int(times[last]), int(times[first]), float(samples.value[last]))


def current_onset(past: Past, start_ns: int, end_ns: int) -> Shown | None:
    """When the pack current left its level of the second before ``start_ns``; None if never."""
    role = "pack.current"
    samples = past.back(role, start_ns - SECOND_NS).between(start_ns - SECOND_NS, end_ns).known
    first = int(np.searchsorted(samples.time_ns, start_ns))
    if first < 3 or first >= len(samples):
        return None
    quiet = samples.value[:first]
    level = median(quiet)
    least = max(LEAST_A, 6 * 1.5 * median(np.abs(quiet - level))) + 3 * past.bench.u(role)
    left = np.flatnonzero(np.abs(samples.value[first:] - level) > least)
    if not len(left):
        return None
    row = first + int(left[0])
    return Shown(int(samples.time_ns[row - 1]), int(samples.time_ns[row]))


def link_step(past: Past, role: str, start_ns: int, end_ns: int, pack_V: float) -> Shown | None:
    """The first step of a charging link to the pack, seen in [start, end); None without one.

    Every slope of the curve so far bounds what may follow: by the stamps, and by the frames, since
    stamps may be late. Steps that end a curve above 97 % of the pack cannot be told from it, nor
    those before two readings rose along one, nor those beside a fall: a charging link never falls,
    so late stamps exchanged two readings.
    """
    samples = past.back(role, start_ns).between(start_ns, end_ns).known
    u = past.bench.u(role)
    least_V = NOISE * pack_V + 2 * u
    if len(samples) > 1:
        sent_ns = even_ns(samples.time_ns)
        if np.ptp(samples.time_ns - sent_ns) >= median(np.diff(sent_ns)):
            return None  # stamped late by more than a cycle: nobody knows the order of the readings
    samples = samples[_refreshes(samples, least_V, FULL * pack_V)]
    v = samples.value
    if not len(v):
        return None
    risen = np.flatnonzero(v - np.minimum.accumulate(v) >= BEGUN * pack_V + 2 * u)
    if not len(risen):
        return None
    first = int(risen[0])
    clocks = [_since(samples.time_ns, start_ns)]
    sent_ns = even_ns(samples.time_ns)
    if sent_ns is not samples.time_ns:
        clocks.append(_since(sent_ns, start_ns))
    for k in range(first + 1, len(v) - 1):
        if v[k] >= FULL * pack_V:
            return None
        if samples.time_ns[k + 1] <= samples.time_ns[k]:
            continue
        slopes = [_slope(t, v, first, k, least_V) for t in clocks]
        ahead = [float(t[k + 1] - t[k]) for t in clocks]
        if None in slopes:
            continue
        allowed = max((s or 0.0) * dt for s, dt in zip(slopes, ahead, strict=True)) + least_V
        if v[k + 1] - v[k] > allowed + NOISE * pack_V and not _exchanged(samples, k, least_V):
            sure = [_slope(t, v, first, k, 2 * u) or 0.0 for t in clocks]
            drift = max(s * dt for s, dt in zip(sure, ahead, strict=True))
            at_ns = samples.time_ns[k : k + 2].tolist()
            return Shown(at_ns[0], at_ns[1], float(v[k]), min(drift, float(v[k + 1] - v[k])))
    return None


def _refreshes(samples: Samples, least_V: float, full_V: float) -> Int64s:
    """The rows at which a rising link was measured anew; all, unless it is seen to be held.

    A unit may measure it in a slower task than it sends it: it then rises in steps, three and more,
    and always stands still for as long in between. One that stands still once only has a plateau.
    """
    every = np.arange(len(samples))
    charging = int(np.argmax(samples.value >= full_V)) if len(samples) else 0
    charging = charging or len(samples)
    ways = np.diff(samples.value[:charging])
    steps = np.flatnonzero(ways > least_V) + 1
    # Standing still: at most a third of the step before, up to the next one.
    if len(steps) < HOLDS + 1 or np.diff(steps).min() < 2:
        return every
    part = samples.value[steps[0] : steps[-1]]
    held = np.abs(np.diff(part))[~np.isin(np.arange(1, len(part)), steps - steps[0])]
    apart_ns = np.diff(samples.time_ns[steps])
    cycle_ns = median(apart_ns)
    frame_ns = median(np.diff(samples.time_ns))
    if held.max(initial=0.0) > least_V / 3 or np.ptp(apart_ns) > 3 * frame_ns + cycle_ns / 4:
        return every
    # At the steps; and as often where the steps are too small to see, or it has a plateau.
    phase = np.round((samples.time_ns - samples.time_ns[steps[0]]) / cycle_ns).astype(np.int64)
    first = np.flatnonzero(np.diff(phase, prepend=phase[0] - 1))
    kept = [row for row in first if not (steps[0] <= row < steps[-1])]
    return np.unique(np.concatenate((kept, steps))).astype(np.int64)


def _exchanged(samples: Samples, k: int, least_V: float) -> bool:
    """Whether the link fell just before reading ``k`` or just after the next one."""
    near = samples[max(k - 1, 0) : k + 3]
    falls = np.diff(near.value) < -least_V
    return bool(np.any(falls & (np.diff(near.time_ns) <= LATEST_NS)))


def _since(time_ns: Int64s, start_ns: int) -> Floats:
    return (time_ns - start_ns).astype(np.float64)


def _slope(t: Floats, v: Floats, first: int, k: int, least_V: float) -> float | None:
    """The steepest slope that a charging curve may still have after reading ``k``."""
    rows = slice(max(first, k - NEAR), k)
    passed = t[k] - t[rows]
    moved = v[k] - v[rows] + least_V
    usable = passed > 0
    return float(max(np.min(moved[usable] / passed[usable]), 0.0)) if usable.any() else None
