"""Pack and links are one circuit: where one of them moves in a burst, no other stands to the bit.

A node whose frames a gateway repeats, or that lost its sensor for a second, stands still amidst a
load, and goes on as if nothing had been. What flickers shows it by itself; what is free of noise
only by what its neighbours did meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import permutations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from canscope.model.median import median, medians, percentile
from canscope.model.piece import ClosedWindow
from canscope.model.runs import runs_of
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats
from canscope.trust.movement.trailing import circuit, noise, renewed_ns, step_of
from canscope.trust.remark import Links, Remark

# All common practice, no source.
LATE_NS = 3 * SECOND_NS // 10  # by which one may trail behind the other
LEAST_NS = 3 * SECOND_NS // 10  # for which the other moves beside that
SELDOM = 4  # times as long as it usually keeps a value
STEPS, CLEAR = 4.0, 6.0  # of its own, that it should have moved by; times the other's noise


def stood_alone(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A voltage that stood to the bit for as long as another one moved with the load."""
    bench = window.bench
    known = circuit(window, links)
    for mine, other in permutations(known, 2):
        own, its = known[mine], known[other]
        step = step_of(own.value, bench.bindings[mine].half_step)
        moved, its_moved = (
            percentile(one.value, 98) - percentile(one.value, 2) for one in (own, its)
        )
        if moved < STEPS * step or its_moved <= 0:
            continue
        for start_ns, end_ns in _stands(own):
            beside = its.between(start_ns + LATE_NS, end_ns - LATE_NS)
            if len(beside) < 2 * STEPS:
                continue
            way = float(np.ptp(_lasting(beside, own)))
            least = CLEAR * noise(its.value)
            least += STEPS * step_of(its.value, bench.bindings[other].half_step)
            if way >= least and way * moved / its_moved >= STEPS * step:
                text = f"stood to the bit for {(end_ns - start_ns) / 1e9:.1f} s while "
                text += f"{bench.bindings[other].key}, of the same circuit, moved by {way:.1f} V"
                yield Remark(mine, "stopped", text, start_ns)
                break


def _lasting(beside: Samples, own: Samples) -> Floats:
    """What another one read beside a stand, without pulses that this one may have missed."""
    every_ns = max(int(median(np.diff(beside.time_ns))), 1)
    size = min(max(round(2 * renewed_ns(own) / every_ns), 5), len(beside))
    return medians(sliding_window_view(beside.value, size).copy())


def _stands(samples: Samples) -> list[tuple[int, int]]:
    """From when until when it stood to the bit for longer than it usually does."""
    times = samples.time_ns
    changes = times[1:][samples.raw[1:] != samples.raw[:-1]]
    if len(changes) < 3:
        return []
    least_ns = max(2 * LATE_NS + LEAST_NS, SELDOM * median(np.diff(changes)))
    stands = runs_of(samples.raw[1:] == samples.raw[:-1])
    spans = [(int(times[first]), int(times[end])) for first, end in stands]
    return [(start, end) for start, end in spans if end - start >= least_ns]
