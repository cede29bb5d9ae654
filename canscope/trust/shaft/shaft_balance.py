"""Does a shaft speed up and slow down by its torque, at every instant of a burst?

On stands nothing else turns a shaft. What its torque gives, less a friction that only ever takes,
partly always the same and partly growing with the speed, is its inertia times the speed gained. The
inertia is free here: ``power-balance`` holds it against a stated one. What is left over says that
torque or speed are not the shaft's: clipped, held, smoothed, or made of something else.

All thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats

GRID_S, LAGS_S = 0.02, 0.14  # of the fit; by so much either may come later than the other one
GAINED_RPM, MOVES = 70.0, 0.08  # from rest, before it says anything; part from which it turns
LONGEST_S = 5.0  # over which friction stays as it is
FEWEST = 25  # steps of the grid
MEAN = 3  # of them, so that one reading says nothing
LEFT = 0.06  # of the speed gained, that may be left over: friction is not as simple as that


@dataclass(frozen=True)
class Balance:
    """What torque makes of a shaft in a burst, and what it leaves unexplained.

    ``rpm_per_Nms`` is what the shaft gains by 1 Nm in 1 s, ``left_rpm`` by how much it was faster
    than its torque explains at most, at ``time_ns``; 0 where that is little.
    """

    rpm_per_Nms: float
    left_rpm: float
    time_ns: int


def balance(rpm: Samples, torque: Samples, u_rpm: float, part: float = LEFT) -> Balance | None:
    """What torque makes of the shaft in a burst, both along its sense; None if it says nothing.

    ``u_rpm`` is what the speed resolves, ``part`` of the speed gained may be left over. Neither
    holds an unknown value; the brake is released.
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
    found: Balance | None = None
    for from_ns, to_ns in sorted(stretches):
        fitted = _fitted(rpm, torque, from_ns, to_ns)
        if fitted is None:
            continue
        left, per_Nms = fitted
        row = int(np.argmax(np.abs(left)))
        much = abs(left[row]) > part * gained + u_rpm
        at_ns = from_ns + round(row * GRID_S * SECOND_NS)
        one = Balance(per_Nms, float(left[row]) if much else 0.0, at_ns)
        if much or found is None:
            found = one
        if much:
            break
    return found


def _fitted(rpm: Samples, torque: Samples, from_ns: int, to_ns: int) -> tuple[Floats, float] | None:
    """What the best inertia, friction and lag leave of the speed, in steps of the grid.

    And what the shaft gains by 1 Nm in 1 s; 0 where it is not known.
    """
    seconds = np.arange(0.0, (to_ns - from_ns) / SECOND_NS, GRID_S)
    pushes_s = (torque.time_ns - from_ns) / SECOND_NS
    if len(seconds) < FEWEST or pushes_s[0] > -LAGS_S or pushes_s[-1] < seconds[-1]:
        return None
    speed = np.interp(seconds, (rpm.time_ns - from_ns) / SECOND_NS, rpm.value)
    ways = (torque.value[1:] + torque.value[:-1]) / 2 * np.diff(pushes_s)
    total = np.concatenate(([0.0], np.cumsum(ways)))
    ones = np.ones(len(seconds))
    frictions = (seconds, np.cumsum(speed) * GRID_S)
    best, least, per_Nms = speed - speed.mean(), np.inf, 0.0
    for lag_s in np.arange(-LAGS_S, LAGS_S + GRID_S / 2, GRID_S):
        given = np.interp(seconds - lag_s, pushes_s, total)
        for uses in (3, 2, 1, 0):  # either friction, none
            taken = [column for bit, column in enumerate(frictions) if uses >> bit & 1]
            columns = np.stack([given, ones, *taken], axis=1)
            parts = np.linalg.lstsq(columns, speed, rcond=None)[0]
            left = speed - columns @ parts
            misfit = float(left @ left)
            if parts[0] > 0 and (parts[2:] <= 0).all() and misfit < least:
                best, least, per_Nms = left, misfit, float(parts[0])
            if misfit >= least and uses == 3:
                break  # with fewer of them no less is left
    return np.convolve(best, np.ones(MEAN) / MEAN, "same"), per_Nms
