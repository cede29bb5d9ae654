"""Do two readings carry one noise? Then one sensor speaks under two names, however late or scaled.

A copy that a gateway sends, with a delay, in other steps, turned round, over another bus, has
another shape only in the clock; the noise of its sensor travels with it, sample by sample. Noise
is what a second difference shows that is more than rounding. It has to agree at one distance in
time and not one sample beside it: what two units really do alike (they answer to one pedal, they
swing in one way) is smooth, and agrees beside it as well.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from canscope.model.median import median
from canscope.model.signals import Samples
from canscope.model.tables import Floats, Int64s

FARTHEST_NS, LAG_NS = 500 * 10**6, 5 * 10**6  # distances tried
FEWEST, MOST = 100, 2000  # telling rows, before which nothing is said and after which all is known
CHANCE = 6.0  # standard deviations beyond chance
RESTS_STEPS = 6.0  # from what it reads most of the time, within which a reading rests
BESIDE = 0.1  # share that may agree one sample beside the best distance
# All of these: common practice, no source.

AT_ONCE = 1 << 16  # readings that are looked for, which fit the cache
SHORT_BITS = 20  # of the ns of a stretch in a table, below which the table grows too large
LAGS = np.arange(-FARTHEST_NS, FARTHEST_NS + 1, LAG_NS)


@dataclass
class Noise:
    """What a pair of readings has shown so far; ``steps`` are the two raw steps.

    Of every distance: in how many telling rows the second reading's noise pointed the same way,
    less those in which it pointed the other way.
    """

    steps: tuple[float, float]
    share: float  # of the telling rows that have to agree
    resting: bool = False  # only while the first rests tells its noise: else it is told what to do
    telling: int = 0
    cycle_ns: int = 0
    votes: Int64s = field(default_factory=lambda: np.zeros(len(LAGS), np.int64))

    def add(self, one: Samples, other: Samples) -> None:
        """Compare one block of both."""
        if (
            self.telling >= MOST
            or self._is_hopeless
            or len(one) < FEWEST // 4
            or len(other) < FEWEST // 4
        ):
            return
        step, lags = self.steps[0], LAGS
        if len(other) < len(one):  # a row is one of the reading that comes less often
            one, other, step, lags = other, one, self.steps[1], -LAGS
        self.cycle_ns = self.cycle_ns or int(median(np.diff(one.time_ns)))
        bend = np.diff(one.value, 2)
        # A slope that is rounded bends by one step, to and fro; noise by more.
        tells = np.abs(bend) > 1.5 * step
        if self.resting:
            off = np.abs(one.value - median(one.value)) <= RESTS_STEPS * step
            tells &= off[:-2] & off[1:-1] & off[2:]
        rows = np.flatnonzero(tells)[: MOST - self.telling]
        inside = one.time_ns[rows] >= other.time_ns[0] + FARTHEST_NS
        inside &= one.time_ns[rows + 2] <= other.time_ns[-1] - FARTHEST_NS
        rows = rows[inside]
        if not len(rows):
            return
        self.telling += len(rows)
        # Rows overlap with their neighbours: each reading is looked for once.
        used = np.zeros(len(one), np.bool_)
        for k in range(3):
            used[rows + k] = True
        at, way = np.cumsum(used) - 1, np.sign(bend[rows])
        times, nearest = one.time_ns[used], _nearest(other)
        few = max(1, AT_ONCE // int(at[-1] + 1))
        for number in range(0, len(lags), few):
            found = nearest(times + lags[number : number + few, None])
            first, middle, last = (found[:, at[rows + k]] for k in range(3))
            agree = np.sign(first - 2 * middle + last) @ way
            self.votes[number : number + few] += agree.astype(np.int64)

    @property
    def _is_hopeless(self) -> bool:
        """Whether too few agreed so far for ``share`` of all, whatever comes."""
        agreed = int(np.abs(self.votes).max()) + MOST - self.telling
        return agreed < self.share * MOST

    def alike(self) -> tuple[float, float] | None:
        """The share of one noise, and how much later the second has it in ms; None if it is not."""
        best = int(np.abs(self.votes).argmax())
        agreed = abs(int(self.votes[best]))
        least = max(self.share * self.telling, CHANCE * self.telling**0.5)
        if self.telling < FEWEST or agreed < least:
            return None
        cycle = max(1, round(self.cycle_ns / LAG_NS))
        way = np.sign(self.votes[best])
        beside = [best + k for k in (-cycle, cycle) if 0 <= best + k < len(LAGS)]
        if max((way * self.votes[k] for k in beside), default=agreed) > BESIDE * agreed:
            return None
        return agreed / self.telling, float(LAGS[best]) / 1e6


def _nearest(samples: Samples) -> Callable[[Int64s], Floats]:
    """What looks up the value of the sample nearest to each instant, of two as near the later.

    The instants lie within the samples.
    """
    stamps, value = samples.time_ns - samples.time_ns[0], samples.value
    twice_halfway = stamps[:-1] + stamps[1:]
    bits = int(np.diff(twice_halfway).min()).bit_length() - 1
    if bits < SHORT_BITS:
        return lambda times: value[
            twice_halfway.searchsorted(2 * (times - samples.time_ns[0]), "right")
        ]
    # A table of stretches so short that in each of them at most one sample gives way to the next
    # one: that takes a third of the time of a search, which took an eighth of a whole check.
    first = twice_halfway.searchsorted(np.arange((int(stamps[-1]) >> (bits - 1)) + 1) << bits)
    edge = np.append(twice_halfway, np.iinfo(np.int64).max)

    def looked_up(times: Int64s) -> Floats:
        twice = times - samples.time_ns[0]
        twice += twice
        row = first.take(twice >> bits)
        row += edge.take(row) <= twice
        found: Floats = value.take(row)
        return found

    return looked_up
