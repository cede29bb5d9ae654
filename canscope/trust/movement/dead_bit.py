"""Numbers of which one bit never changes, though the reading passes over its two states.

A dead bit leaves every second stretch of codes empty: 0 to 7, 16 to 23, 32 to 39, like the teeth of
a comb. What is measured, and passes over several teeth, falls into the gaps as often. A reading in
coarse steps leaves single codes empty, evenly, and not half of a period at once.

One that rests at the edge of such a gap leaps over it now and then, by as much as the bit counts
for. Put together again, both sides are one level and its noise, cut in two at one code; of a load
that goes on and off each side has a noise of its own, and the two do not touch. Nor does a supply
that dips under a coil and recovers come back at once to the level that it left.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from canscope.model.bench import Bench, Kind
from canscope.model.differences import differences_from
from canscope.model.signals import Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.trust.remark import Remark

CODES = 1 << 16  # kept, from the first one on: a wider signal comes round, and fills gaps at most
# All common practice, no source.
TEETH, FILLED = 3, 0.875  # beside each other, and the share of each one's codes that were read
SWEPT = 48  # teeth read at all, whose codes may lie anywhere; a steady ramp may fit some of them
PLACES = 0.6  # of a tooth's codes that were read on any of these, so that steps are fine
LEAPS = 4  # over the gap that the next reading takes back: a load stays for longer
RETURNS = 0.125  # of a leap, by which the next reading may miss the level before it
LEAST_POWER = 4  # of a bit whose gap is looked for in leaps
SMALLER = 0.5  # of the leaps: where more moves are half as wide, it is noise, if only in bursts
FINE = 16.0  # times its noise and its finest step, that the bit counts for at least
ONE_LEVEL = 4.5  # times its usual difference, by which the leaps differ from the gap on average


@dataclass
class Read:
    """Which codes one role has read, counted from its first one."""

    first: int
    last: int
    last_ns: int
    seen: Bools = field(default_factory=lambda: np.zeros(CODES, np.bool_))
    way: float = 0.0  # from the code before the last one to that
    # Differences of neighbours by the power of two that is nearest: how many, the sums of their
    # sizes and of what they lie beside that power, and how many were taken back at once.
    ways: Floats = field(default_factory=lambda: np.zeros((4, 64)))

    def feed(self, raw: Int64s) -> None:
        """Take in some codes."""
        self.seen[(raw - self.first) % CODES] = True
        ways = np.append(self.way, differences_from(self.last, raw))
        self.last, self.way = int(raw[-1]), float(ways[-1])
        sizes = np.abs(ways)
        powers = np.rint(np.log2(np.maximum(sizes, 1.0))).astype(np.int64)
        back = (powers[1:] == powers[:-1]) & (ways[1:] * ways[:-1] < 0)
        back &= np.abs(ways[1:] + ways[:-1]) <= RETURNS * 2.0 ** powers[1:]
        sizes, powers = sizes[1:], powers[1:]
        for row, weights in enumerate((None, sizes, np.abs(sizes - 2.0**powers), back)):
            self.ways[row] += np.bincount(powers, weights, minlength=64)


class DeadBits:
    """Follows every number of one segment; 64 kB for each."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._read: dict[str, Read] = {}

    def feed(self, new: Mapping[str, Samples]) -> None:
        """Take in the codes of a piece."""
        for role, samples in new.items():
            binding = self._bench.bindings.get(role)
            if binding is None or binding.kind is not Kind.NUMBER or binding.signal.is_float:
                continue
            known = samples.known
            if not len(known):
                continue
            first = int(known.raw[0])
            read = self._read.setdefault(role, Read(first, first, 0))
            read.feed(known.raw)
            read.last_ns = int(known.time_ns[-1])

    def finish(self) -> Iterator[Remark]:
        """What is known at the end of the segment."""
        for role, read in self._read.items():
            size = dead_bit(read.seen)
            if size:
                step = 2 * self._bench.bindings[role].half_step
                text = f"never read a code in every second stretch of {size} codes, or "
                text += f"{size * step:.3g} {self._bench.bindings[role].unit}, and jumped over "
                text += "each: one of its bits never changes"
                yield Remark(role, "wrong", text, read.last_ns)
            elif size := leapt_over(read.seen, read.ways):
                way = 2 * self._bench.bindings[role].half_step * size
                text = f"leapt {read.ways[0, size.bit_length() - 1]:.0f} times by {way:.3g} "
                text += f"{self._bench.bindings[role].unit} from one reading to the next, always "
                text += f"over the same gap of {size} codes: one of its bits never changes"
                yield Remark(role, "wrong", text, read.last_ns)


def dead_bit(seen: Bools) -> int:
    """What the dead bit of these codes counts for; 0 if there is none. The last bit is none.

    ``seen``: for each code, whether it was read; as many as a power of two, and the code after the
    last is the first.
    """
    codes = np.flatnonzero(seen)
    if len(codes) < TEETH * 2:
        return 0
    # Begin behind the widest gap, so that codes below the first one come in their order.
    gaps = np.diff(codes, append=codes[0] + len(seen))
    codes = np.sort((codes - codes[int(gaps.argmax())] - 1) % len(seen))
    codes -= codes[0]
    size = 2
    while codes[-1] >= 2 * size:
        phase = _empty_half(codes % (2 * size), size)
        if phase is not None:
            teeth, places = np.divmod(codes - phase, 2 * size)
            first, counts = np.unique(teeth, return_counts=True)
            filled = first[counts >= FILLED * size]
            beside = len(filled) >= TEETH and bool(
                (filled[TEETH - 1 :] - filled[: 1 - TEETH] == TEETH - 1).any()
            )
            swept = len(first) >= SWEPT and len(np.unique(places)) >= PLACES * size
            if beside or swept:
                return size
        size *= 2
    return 0


def _empty_half(places: Int64s, size: int) -> int | None:
    """Where the other half of a period begins, if one half was never read; else None."""
    read = np.zeros(2 * size, np.bool_)
    read[places] = True
    own = np.flatnonzero(read)
    gaps = np.diff(own, append=own[0] + 2 * size)
    widest = int(gaps.argmax())
    return int(own[(widest + 1) % len(own)]) if gaps[widest] > size else None


def leapt_over(seen: Bools, ways: Floats) -> int:
    """What the dead bit counts for at whose gap a reading rests, so that it leaps over it; else 0.

    ``seen`` as above; ``ways`` as of ``Read``.
    """
    counts, sums, beside, back = ways
    many = np.flatnonzero(back[LEAST_POWER:16] >= LEAPS) + LEAST_POWER
    if not len(many):
        return 0
    half = int(np.searchsorted(np.cumsum(counts), counts.sum() / 2))
    usual = max(float(sums[half] / counts[half]), 1.0)
    codes = np.flatnonzero(seen)
    gaps = np.diff(codes, append=codes[0] + len(seen))
    finest = float(gaps.min())
    near = max(3 * finest, usual / 2)  # the codes beside an edge may not have been read
    for power in many.tolist():
        size = 1 << power
        if size < FINE * max(usual, finest) or beside[power] > ONE_LEVEL * usual * counts[power]:
            continue
        if counts[power - 1] > SMALLER * counts[power]:
            continue
        # From its last code below the gap it leaps to the first one above it ...
        if ((gaps > size) & (gaps <= size + near)).any():
            return size
        # ... or from the top of a stretch to its bottom, and the stretch is as long.
        tops = codes[gaps > size / 2]
        bottoms = codes[(np.roll(gaps, 1) > size / 2)]
        length = (tops[:, None] - bottoms) % len(seen) + 1
        if ((length <= size) & (length > size - near)).any():
            return size
    return 0
