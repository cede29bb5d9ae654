"""A load on the pack that goes on and off by itself, as a d.c. converter or a heater does.

At rest the current then stands at one of two levels. What it is while a unit turns nobody knows:
shafts and pack can be compared only to within the difference.
"""

from __future__ import annotations

import numpy as np

from canscope.model.bench import SAFE_V
from canscope.model.history import step_at
from canscope.model.median import median, percentile
from canscope.model.piece import Past
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Bools, Int64s

CURRENT = "pack.current"
WITHIN_NS = 100 * SECOND_NS  # it is looked for; common practice, no source
FEWEST = 30  # readings at rest
STILL_RPM, APART_NS = 30.0, SECOND_NS // 2  # a unit at rest, and how long before and after it
LEAST_A, MOST_W = 0.4, 1600.0  # it changes by; a heater of 1.5 kW; likewise
NOMINAL_V = 300.0  # of a pack whose plan does not say it, and of a higher one; likewise
CLEAR = 4.0  # times the noise that the two levels lie apart; likewise
# Of the difference, and at most, within which so many readings lie at a level; likewise
NEAR, FARTHEST, SHARE = 0.3, 0.42, 0.9


def switching_load(past: Past, until_ns: int) -> tuple[float, float] | None:
    """The two levels of the pack current at rest in the 100 s before, in A; None without them."""
    return past.once((switching_load, until_ns), lambda: _levels(at_rest(past, until_ns), past))


def switched_A(past: Past) -> float:
    """By how much such a load may change the pack current, in A; 0 where none was seen."""
    levels = switching_load(past, past.until_ns)
    return 0.0 if levels is None else levels[1] - levels[0]


def at_rest(past: Past, until_ns: int) -> Samples:
    """The pack current in the 100 s before while both poles are closed and nothing turns."""
    samples = past.back(CURRENT, until_ns - WITHIN_NS).between(until_ns - WITHIN_NS, until_ns).known
    times, bench = samples.time_ns, past.bench
    if bench.has("contactors.negative", "contactors.positive"):
        rest = step_at(past.history.samples("@closed"), times) == 1
    else:
        rest = np.zeros(len(times), np.bool_)
        for role in bench.link_roles().values():
            rest |= past.at(role, times).value >= SAFE_V
    for unit in bench.units:
        turns = step_at(past.history.samples(f"@turning.{unit.name}"), times) == 1
        turns |= np.abs(past.at(unit.role("speed"), times).value) >= STILL_RPM
        rest &= ~_near(times, times[turns])
    return samples[rest]


def _near(times: Int64s, some: Int64s) -> Bools:
    """Which instants lie within half a second of some of them."""
    if not len(some):
        return np.zeros(len(times), np.bool_)
    row = some.searchsorted(times)
    before, after = some[np.maximum(row - 1, 0)], some[np.minimum(row, len(some) - 1)]
    near: Bools = np.minimum(np.abs(times - before), np.abs(after - times)) < APART_NS
    return near


def _levels(rest: Samples, past: Past) -> tuple[float, float] | None:
    values = rest.value
    if len(values) < FEWEST:
        return None
    middle = (percentile(values, 5) + percentile(values, 95)) / 2
    if not (values > middle).any() or not (values <= middle).any():
        return None
    low, high = median(values[values <= middle]), median(values[values > middle])
    apart = high - low
    off = np.minimum(np.abs(values - low), np.abs(values - high))
    noise = 1.5 * median(off) + past.bench.u(CURRENT)
    volts = min(past.bench.nominal_voltage_V or NOMINAL_V, NOMINAL_V)
    if not max(LEAST_A, CLEAR * noise) < apart <= MOST_W / volts:
        return None
    # A level between two steps shows both; what lies halfway belongs to none.
    beside = min(NEAR * apart + 2 * past.bench.u(CURRENT), FARTHEST * apart)
    return (low, high) if np.mean(off <= beside) >= SHARE else None
