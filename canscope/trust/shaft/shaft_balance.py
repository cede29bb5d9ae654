"""Does a shaft speed up and slow down by its torque, at every instant of a burst?

On stands nothing else turns a shaft. What its torque gives, less a friction that only ever takes,
partly always the same and partly growing with the speed, is its inertia times the speed gained. The
inertia is free here: ``power-balance`` holds it against a stated one. What is left over says that
torque or speed are not the shaft's: clipped, held, smoothed, or made of something else.

Controllers send torque or speed through a low-pass of their own. One of up to 0.3 s changes no
sense, no level that stays and no standstill, so it is looked for where the plain balance leaves too
much; of a speed it hides how high it rose for a moment, by what it gains in that time.

All thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats

GRID_S, LAGS_S = 0.02, 0.14  # of the fit; by so much either may come later than the other one
GAINED_RPM, MOVES = 70.0, 0.08  # from rest, before it says anything; part from which it turns
LONGEST_S = 5.0  # over which friction stays as it is
FEWEST = 25  # steps of the grid
MEAN = 3  # of them, so that one reading says nothing
TAUS_S = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6)  # of a low-pass, to find out which
MOST_S = 0.3  # of the one that fits best, with what it comes late besides
BESIDES_S = (0.0, 0.04, 0.08)
UPPER = 0.25  # of the highest speed: below it a shaft that stops and one that is smoothed differ
LEFT = 0.06  # of the speed gained, that may be left over: friction is not as simple as that


@dataclass(frozen=True)
class Balance:
    """What torque makes of a shaft in a burst, and what it leaves unexplained.

    ``rpm_per_Nms`` is what the shaft gains by 1 Nm in 1 s, ``left_rpm`` by how much it was faster
    than its torque explains at most, at ``time_ns``; 0 where that is little. ``speed_late_s`` is by
    how much a low-pass holds the speed back, 0 where none is needed to explain it.
    """

    rpm_per_Nms: float
    left_rpm: float
    time_ns: int
    speed_late_s: float = 0.0


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
        most_rpm = part * gained + u_rpm
        much = abs(left[row]) > most_rpm
        at_ns = from_ns + round(row * GRID_S * SECOND_NS)
        one = Balance(per_Nms, float(left[row]) if much else 0.0, at_ns)
        if much:
            smooth = _smoothed(rpm, torque, from_ns, to_ns, most_rpm)
            one, much = (smooth, False) if smooth is not None else (one, much)
        if much or found is None:
            found = one
        if much:
            break
    return found


def _fitted(rpm: Samples, torque: Samples, from_ns: int, to_ns: int) -> tuple[Floats, float] | None:
    """What the best inertia, friction and lag leave of the speed, in steps of the grid.

    And what the shaft gains by 1 Nm in 1 s; 0 where it is not known.
    """
    shaft = _shaft(rpm, torque, from_ns, to_ns)
    if shaft is None:
        return None
    best, least, per_Nms = shaft.speed - shaft.speed.mean(), np.inf, 0.0
    for lag_s in np.arange(-LAGS_S, LAGS_S + GRID_S / 2, GRID_S):
        given = np.interp(shaft.seconds - lag_s, shaft.pushes_s, shaft.total)
        parts, left, misfit = _explained(shaft.speed, given, shaft.frictions, least)
        if misfit < least:
            best, least, per_Nms = left, misfit, float(parts[0])
    return _mean(best), per_Nms


@dataclass(frozen=True, eq=False)
class _Shaft:
    """A stretch on the grid: speed, its sum (rpm s), and what the torque adds up to (Nm s)."""

    seconds: Floats
    speed: Floats
    turned: Floats
    pushes_s: Floats  # of the torque's own readings
    torque: Floats
    total: Floats

    @property
    def frictions(self) -> tuple[Floats, Floats]:
        """What takes speed: the same all along, and in proportion to it."""
        return self.seconds, self.turned


def _shaft(rpm: Samples, torque: Samples, from_ns: int, to_ns: int) -> _Shaft | None:
    """None if it is too short, or the torque is not known all along."""
    seconds = np.arange(0.0, (to_ns - from_ns) / SECOND_NS, GRID_S)
    pushes_s = (torque.time_ns - from_ns) / SECOND_NS
    if len(seconds) < FEWEST or pushes_s[0] > -LAGS_S or pushes_s[-1] < seconds[-1]:
        return None
    speed = np.interp(seconds, (rpm.time_ns - from_ns) / SECOND_NS, rpm.value)
    ways = (torque.value[1:] + torque.value[:-1]) / 2 * np.diff(pushes_s)
    total = np.concatenate(([0.0], np.cumsum(ways)))
    return _Shaft(seconds, speed, np.cumsum(speed) * GRID_S, pushes_s, torque.value, total)


def _explained(
    speed: Floats, given: Floats, frictions: Sequence[Floats], least: float
) -> tuple[Floats, Floats, float]:
    """What torque, a constant and each friction take part by, what that leaves, and its misfit.

    Infinite if it cannot be less than ``least``: torque only ever gives, friction only ever takes.
    """
    ones, best = np.ones(len(speed)), (np.zeros(4), speed, np.inf)
    for uses in (3, 2, 1, 0):  # either friction, none
        bits = [bit for bit in range(2) if uses >> bit & 1]
        columns = np.stack([given, ones, *(frictions[bit] for bit in bits)], axis=1)
        parts = np.linalg.lstsq(columns, speed, rcond=None)[0]
        left = speed - columns @ parts
        misfit = float(left @ left)
        if parts[0] > 0 and (parts[2:] <= 0).all() and misfit < min(least, best[2]):
            whole = np.zeros(4)
            whole[[0, 1, *(2 + bit for bit in bits)]] = parts
            best = whole, left, misfit
        if misfit >= least and uses == 3:
            break  # with fewer of them no less is left
    return best


def _mean(left: Floats) -> Floats:
    return np.convolve(left, np.ones(MEAN) / MEAN, "same")


def _smoothed(
    rpm: Samples, torque: Samples, from_ns: int, to_ns: int, most_rpm: float
) -> Balance | None:
    """What torque makes of the shaft if one of the two went through a low-pass of up to ``MOST_S``.

    None if that leaves more than half of ``most_rpm``: a true one explains it well.
    """
    shaft = _shaft(rpm, torque, from_ns, to_ns)
    if shaft is None:
        return None
    best, least, delay_s = None, most_rpm / 2, 0.0
    for tau_s in TAUS_S:
        for late_s in BESIDES_S:
            ways = (_slow_torque(shaft, tau_s, late_s), 0.0), (_slow_speed(shaft, tau_s, late_s), 1)
            for (left, per_Nms), slow in ways:
                worst = float(np.abs(_mean(left)).max())
                if per_Nms and worst <= least:
                    best, least = Balance(per_Nms, 0.0, from_ns, slow * (tau_s + late_s)), worst
                    delay_s = tau_s + late_s
    return best if delay_s <= MOST_S + GRID_S else None


def _slow_torque(shaft: _Shaft, tau_s: float, late_s: float) -> tuple[Floats, float]:
    """What is left of the speed, and the gain, if the torque went through a low-pass.

    What it lacks of the true one by an instant is then ``tau_s`` times what it reads.
    """
    whole = shaft.total + tau_s * (shaft.torque - shaft.torque[0])
    given = np.interp(shaft.seconds + late_s, shaft.pushes_s, whole)
    parts, left, _ = _explained(shaft.speed, given, shaft.frictions, np.inf)
    return left, float(parts[0])


def _slow_speed(shaft: _Shaft, tau_s: float, late_s: float) -> tuple[Floats, float]:
    """The same if the speed did.

    The shaft is made of the torque where it turns fast; where it then stops it stands, and its
    smoothed speed comes down after it.
    """
    first_s = min(float(shaft.pushes_s[0]), 0.0)
    at_s = np.arange(first_s, float(shaft.seconds[-1]) + GRID_S / 2, GRID_S)
    total = np.interp(at_s - late_s, shaft.pushes_s, shaft.total)
    given = np.interp(shaft.seconds, at_s, _low_pass(total, 0.0, tau_s))
    fast = np.flatnonzero(shaft.speed >= UPPER * shaft.speed.max())
    some = slice(int(fast[0]), int(fast[-1]) + 1)
    frictions = [friction[some] for friction in shaft.frictions]
    parts, _, _ = _explained(shaft.speed[some], given[some], frictions, np.inf)
    turned = np.interp(shaft.seconds + tau_s, shaft.seconds, shaft.turned)
    true = parts[0] * np.interp(shaft.seconds, at_s, total) + parts[1]
    true += parts[2] * (shaft.seconds + tau_s) + parts[3] * turned
    shown = _low_pass(np.maximum(true, 0.0), float(shaft.speed[0]), tau_s)
    return shaft.speed - shown, float(parts[0])


def _low_pass(values: Floats, first: float, tau_s: float) -> Floats:
    """A first-order low-pass of values on the grid, which read ``first`` before them."""
    share, last, shown = 1 - np.exp(-GRID_S / tau_s), first, []
    for value in values.tolist():
        last += share * (value - last)
        shown.append(last)
    return np.array(shown)
