"""Where a link leaves its own charging curve, told by nothing but its voltage.

A capacitor that charges through a resistor lacks a share of the pack's voltage that falls at one
rate, or ever slower where something draws from it. Where it falls faster, a contact closed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.median import median
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s

# All common practice, no source.
FALLS = 0.02  # of the pack, by which a reading falls that no noise explains: a rise begins later
BEGUN = 0.1  # of the pack, that a link lacks which is to be charged at all
STEP = 0.05  # of the pack, by which it has to rise more than its curve
SLOWER, EARLIER = 1.5, 3.0  # times the rate so far; and at first, times that of the rest
FROM, TO, FEWEST = 0.9, 0.08, 3  # readings between these shares lacking show a curve
STAMP_S, STAMPS = 0.01, 0.3  # by which stamps are late, and as a share of their interval
RESTS = 0.05  # of the way to the pack's voltage, within which it has not begun to rise
LEAST = 0.005  # what it lacks at least: sensors differ


@dataclass(frozen=True)
class Rise:
    """How a link came up: ``seen`` along a curve, by a ``step`` from some level, or neither.

    The level just before the step is ``before_V``, and may have risen by ``drift_V`` until then.
    """

    seen: bool = False
    step: bool = False
    before_V: float = 0.0
    drift_V: float = 0.0
    start_ns: int = 0
    step_ns: int = 0


def rise_of(link: Samples, full_V: float) -> Rise | None:
    """The last rise of these readings (V, in time order); None if it lacked next to nothing."""
    if not full_V > 0 or len(link) < 2:
        return None
    times, volts = _renewed(link, full_V)
    if len(volts) < 2:
        return None
    lacks = np.maximum(1 - volts / full_V, LEAST)
    if lacks[0] < BEGUN:
        return None
    seconds = np.diff(times) / SECOND_NS
    seconds = seconds + max(STAMP_S, STAMPS * median(seconds))
    rates = np.maximum(np.log(lacks[:-1] / lacks[1:]), 0.0) / seconds
    curved = (lacks[:-1] <= FROM) & (lacks[:-1] >= TO)
    later = rates[2:][curved[2:]]
    if np.count_nonzero(curved) < FEWEST or not len(later):
        return Rise(start_ns=int(times[0]), step_ns=int(times[-1]))
    # The first interval holds a part of a step, and nothing before it.
    fastest = np.maximum.accumulate(np.append(0.0, rates[1:-1]))
    allowed = np.append(np.full(min(2, len(rates)), EARLIER * median(later)), SLOWER * fastest[1:])
    expected = lacks[:-1] * np.exp(-allowed[: len(rates)] * seconds)
    jumps = np.where(lacks[:-1] > STEP, expected - lacks[1:], 0.0)

    def leaps(row: int) -> bool:
        """Whether it also rises by more than by the rate of the other intervals."""
        others = np.sort(rates[2:][curved[2:] & (np.arange(2, len(rates)) != row)])
        if not len(others):
            return True
        usual = SLOWER * others[(len(others) - 1) // 2]
        return bool(lacks[row] * np.exp(-usual * seconds[row]) - lacks[row + 1] > STEP)

    rows = [row for row in np.flatnonzero(jumps > STEP).tolist() if row < 2 or leaps(row)]
    if not rows:
        return Rise(seen=True, start_ns=int(times[0]), step_ns=int(times[-1]))
    row = rows[0]
    if row < 2:  # nothing tells a curve from the closing of a main contactor there
        return Rise(start_ns=int(times[0]), step_ns=int(times[row + 1]))
    return Rise(
        step=True,
        before_V=float(volts[row]),
        drift_V=full_V * float(lacks[row] - expected[row]),
        start_ns=int(times[0]),
        step_ns=int(times[row + 1]),
    )


def _renewed(link: Samples, full_V: float) -> tuple[Int64s, Floats]:
    """Stamps and volts of the last rise: each reading that differs from the one before it."""
    times, volts = link.time_ns, link.value
    last = np.append(np.diff(times) > 0, True)  # of several with one stamp the last
    times, volts = times[last], volts[last]
    fell = np.flatnonzero(volts[:-1] - volts[1:] > FALLS * full_V)
    first = int(fell[-1]) + 1 if len(fell) else 0
    if len(volts):  # from the last reading of its rest on, which may flicker
        low = float(volts[first:].min())
        first += int(np.flatnonzero(volts[first:] - low <= RESTS * (full_V - low))[-1])
    times, volts = times[first:], volts[first:]
    new = np.append(True, np.diff(volts) != 0)
    return times[new], volts[new]
