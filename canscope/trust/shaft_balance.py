"""Does a shaft speed up and slow down by its torque, at every instant of a burst?

On stands nothing else turns a shaft. What its torque gives, less a friction that only ever takes,
partly always the same and partly growing with the speed, is its inertia times the speed gained. The
inertia is free here: ``power-balance`` holds it against a stated one. What is left over says that
torque or speed are not the shaft's: clipped, held, smoothed, or made of something else.

All thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats

GRID_S, LAGS_S = 0.02, 0.14  # of the fit; by so much either may come later than the other one
GAINED_RPM, MOVES = 150.0, 0.08  # from rest, before it says anything; part from which it turns
LONGEST_S = 5.0  # over which friction stays as it is
FEWEST = 25  # steps of the grid
MEAN = 3  # of them, so that one reading says nothing
LEFT = 0.06  # of the speed gained, that may be left over: friction is not as simple as that


@dataclass(frozen=True)
class Unexplained:
    """By how much a shaft was faster (or slower) than its torque explains, and when."""

    rpm: float
    time_ns: int


def unexplained(rpm: Samples, torque: Samples, u_rpm: float) -> Unexplained | None:
    """The most that torque leaves unexplained in a burst, both along its sense; None if little.

    ``u_rpm`` is what the speed resolves. Neither holds an unknown value; the brake is released.
    """
    top = int(np.argmax(rpm.value))
    gained = float(rpm.value[top])
    if gained < GAINED_RPM:
        return None
    rests = np.flatnonzero(rpm.value < MOVES * gained)
    first = int(rests[rests < top].max(initial=-1)) + 1
    last = int(rests[rests > top].min(initial=len(rpm))) - 1
    start, end = (int(rpm.time_ns[row]) for row in (first, last))
    longest_ns = round(LONGEST_S * SECOND_NS)
    stretches = {(start, min(end, start + longest_ns)), (max(start, end - longest_ns), end)}
    for from_ns, to_ns in sorted(stretches):
        left = _left(rpm, torque, from_ns, to_ns)
        if left is None:
            continue
        row = int(np.argmax(np.abs(left)))
        if abs(left[row]) > LEFT * gained + u_rpm:
            return Unexplained(float(left[row]), from_ns + round(row * GRID_S * SECOND_NS))
    return None


def _left(rpm: Samples, torque: Samples, from_ns: int, to_ns: int) -> Floats | None:
    """What the best inertia, friction and lag leave of the speed, in steps of the grid."""
    seconds = np.arange(0.0, (to_ns - from_ns) / SECOND_NS, GRID_S)
    pushes_s = (torque.time_ns - from_ns) / SECOND_NS
    if len(seconds) < FEWEST or pushes_s[0] > -LAGS_S or pushes_s[-1] < seconds[-1]:
        return None
    speed = np.interp(seconds, (rpm.time_ns - from_ns) / SECOND_NS, rpm.value)
    ways = (torque.value[1:] + torque.value[:-1]) / 2 * np.diff(pushes_s)
    total = np.concatenate(([0.0], np.cumsum(ways)))
    ones = np.ones(len(seconds))
    frictions = (seconds, np.cumsum(speed) * GRID_S)
    best, least = speed - speed.mean(), np.inf
    for lag_s, uses in product(np.arange(-LAGS_S, LAGS_S + GRID_S / 2, GRID_S), range(4)):
        given = np.interp(seconds - lag_s, pushes_s, total)
        taken = [column for bit, column in enumerate(frictions) if uses >> bit & 1]
        columns = np.stack([given, ones, *taken], axis=1)
        parts = np.linalg.lstsq(columns, speed, rcond=None)[0]
        left = speed - columns @ parts
        if parts[0] > 0 and (parts[2:] <= 0).all() and left @ left < least:
            best, least = left, float(left @ left)
    return np.convolve(best, np.ones(MEAN) / MEAN, "same")
