"""The course of a slow reading over a whole run, in bounded memory, the same however it is cut.

It is kept as blocks of equal length: how many samples, their sum, the lowest and the highest, and
how far neighbouring samples lie apart. Where there would be too many, two become one. All of it is
whole numbers of 0.0001, whose sums do not depend on their order.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from canscope.model.differences import differences_from
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Bools, Floats, Int64s

BLOCK_NS = 2 * SECOND_NS
MOST = 256  # blocks kept
UNIT = 1e4  # whole numbers in one unit of the reading
FARTHEST = 10**6  # a wider step between two samples counts as so much, so that no sum overflows
SURE = 4.0  # standard errors by which a level has to differ; common practice, no source
SMOOTH = 3  # blocks over which a level is taken, so that one that flickers has one as well
LATELY = 15  # blocks before an instant, in which it may have been seen to flicker
BEFORE = 5  # blocks before an instant that tell the level at it

Table = NDArray[np.int64]  # a row a block: number, samples, sum, lowest, highest, squares
NUMBER, SAMPLES, SUM, LOWEST, HIGHEST, SQUARES = range(6)
NOTHING = np.zeros((0, 6), np.int64)
NO_VALUES = np.zeros(0, np.int64)


@dataclass(frozen=True)
class Level:
    """A mean, how sure it is, and the instant that it belongs to."""

    value: float
    u: float  # standard error
    time_ns: int


@dataclass(frozen=True, eq=False)
class Course:
    """What is kept; ``open`` are the values of the block that is still being filled."""

    origin_ns: int = 0
    width: int = 1  # base blocks in one that is kept
    table: Table = field(default_factory=lambda: NOTHING)
    number: int = -1  # of the open block
    open: Int64s = field(default_factory=lambda: NO_VALUES)
    before: int | None = None  # the value before the open block

    def whole(self) -> Course:
        """The same with the open block closed."""
        if not len(self.open):
            return self
        numbers = np.full(len(self.open), self.number, np.int64)
        return _closed(self, numbers, self.open)

    @property
    def start_ns(self) -> Int64s:
        """Where each block begins."""
        return np.asarray(self.origin_ns + self.table[:, NUMBER] * self.width * BLOCK_NS)

    @property
    def end_ns(self) -> Int64s:
        """Where each block ends."""
        return np.asarray(self.start_ns + self.width * BLOCK_NS)

    @property
    def scatter(self) -> float:
        """Standard deviation of one sample about its level, from neighbouring samples."""
        samples = int(self.table[:, SAMPLES].sum())
        return float(np.sqrt(self.table[:, SQUARES].sum() / 2 / max(samples - 1, 1))) / UNIT

    def level_at(self, time_ns: int) -> Level | None:
        """The level just before an instant, else the first one; None if nothing was read."""
        if not len(self.table):
            return None
        rows = np.flatnonzero(self.end_ns <= time_ns)[-BEFORE:]
        rows = rows if len(rows) else np.zeros(1, np.int64)
        samples, total = (int(self.table[rows, column].sum()) for column in (SAMPLES, SUM))
        u = self.scatter / float(np.sqrt(samples))
        return Level(total / samples / UNIT, u, int(self.end_ns[rows[-1]]))

    def highest_after(self, time_ns: int, until_ns: int | None = None) -> Level | None:
        """The highest level from an instant on (and until another); None if nothing was read."""
        return self._outermost(time_ns, 1, until_ns)

    def lowest_after(self, time_ns: int, until_ns: int | None = None) -> Level | None:
        """The lowest level from an instant on (and until another); None if nothing was read."""
        return self._outermost(time_ns, 0, until_ns)

    def lowest_between(self, start_ns: int, end_ns: int) -> float:
        """The lowest single value in the blocks that lie in there; infinite if there is none."""
        rows = (self.start_ns >= start_ns) & (self.end_ns <= end_ns)
        return float(self.table[rows, LOWEST].min()) / UNIT if rows.any() else float("inf")

    def within_from(self, width: float) -> int | None:
        """From when on all values lay within that width of each other; None if nothing was read."""
        if not len(self.table):
            return None
        lowest = np.minimum.accumulate(self.table[::-1, LOWEST])[::-1]
        highest = np.maximum.accumulate(self.table[::-1, HIGHEST])[::-1]
        rows = np.flatnonzero(highest - lowest <= width * UNIT)
        return int(self.start_ns[rows[0]]) if len(rows) else None

    @property
    def means(self) -> Floats:
        """The mean of each block."""
        return np.asarray(self.table[:, SUM] / self.table[:, SAMPLES] / UNIT)

    def plateau(self, from_ns: int, width: float) -> tuple[int, int]:
        """From when to when it stayed at its highest for longest, after an instant.

        All blocks there have their means within that width, beside what noise does to them, which
        is no more than three times as much.
        """
        rows = np.flatnonzero(self.start_ns >= from_ns)
        if not len(rows):
            return 0, 0
        means = self.means[rows]
        noise = 2 * SURE * self.scatter / np.sqrt(self.table[rows, SAMPLES])
        high = np.append(means >= means.max() - width - np.minimum(noise, 3 * width), False)
        edges = np.flatnonzero(np.diff(high, prepend=False))
        starts, ends = edges[::2], edges[1::2]
        best = int(np.argmax(ends - starts))
        first, last = rows[starts[best]], rows[ends[best] - 1]
        return int(self.start_ns[first]), int(self.end_ns[last])

    def range_before(self, time_ns: int) -> tuple[Level, Level] | None:
        """The lowest and the highest level in the ``LATELY`` blocks before an instant."""
        rows = np.flatnonzero(self.end_ns <= time_ns)[-LATELY:]
        some = np.zeros(len(self.table), bool)
        some[rows] = True
        return self.range_of(some) if len(rows) else None

    def range_of(self, rows: Bools) -> tuple[Level, Level]:
        """The lowest and the highest level in some blocks, of which there is at least one."""
        samples, means, times = self._levels(rows)
        u = self.scatter / np.sqrt(samples)
        low, high = int(means.argmin()), int(means.argmax())
        return (
            Level(float(means[low]), float(u[low]), int(times[low])),
            Level(float(means[high]), float(u[high]), int(times[high])),
        )

    def _outermost(self, time_ns: int, place: int, until_ns: int | None = None) -> Level | None:
        rows = self.start_ns >= time_ns
        rows &= until_ns is None or self.end_ns <= until_ns
        return self.range_of(rows)[place] if rows.any() else None

    def _levels(self, rows: Bools) -> tuple[Int64s, Floats, Int64s]:
        """Samples, mean and begin of every stretch of ``SMOOTH`` blocks among these."""
        own = self.table[rows]
        if not len(own):
            return NO_VALUES, np.zeros(0), NO_VALUES
        wide = min(SMOOTH if self.width < SMOOTH else 1, len(own))
        totals = np.vstack((np.zeros((1, 2), np.int64), np.cumsum(own[:, [SAMPLES, SUM]], axis=0)))
        some = totals[wide:] - totals[:-wide]
        return some[:, 0], some[:, 1] / some[:, 0] / UNIT, self.start_ns[rows][: len(some)]


START = Course()


def follow(course: Course, origin_ns: int, samples: Samples) -> Course:
    """The course after more samples, all of which have a value."""
    if not len(samples):
        return course
    numbers = (samples.time_ns - origin_ns) // BLOCK_NS
    values = np.rint(samples.value * UNIT).astype(np.int64)
    if len(course.open):
        held = np.full(len(course.open), course.number, np.int64)
        numbers, values = np.concatenate((held, numbers)), np.concatenate((course.open, values))
    last = int(numbers[-1])
    done = int(np.searchsorted(numbers, last))
    course = Course(origin_ns, course.width, course.table, last, NO_VALUES, course.before)
    if done:
        course = _closed(course, numbers[:done], values[:done])
    return Course(origin_ns, course.width, course.table, last, values[done:], course.before)


def _closed(course: Course, numbers: Int64s, values: Int64s) -> Course:
    """The course with the blocks of these values added."""
    before = values[0] if course.before is None else course.before
    apart = np.clip(differences_from(before, values), -FARTHEST, FARTHEST)
    starts = differences_from(-1, numbers).nonzero()[0]
    rows = np.stack(
        [
            numbers[starts] // course.width,
            np.diff(np.append(starts, len(numbers))),
            np.add.reduceat(values, starts),
            np.minimum.reduceat(values, starts),
            np.maximum.reduceat(values, starts),
            np.add.reduceat(apart**2, starts),
        ],
        axis=1,
    )
    table, width = _joined(np.vstack((course.table, rows))), course.width
    while len(table) > MOST:
        width *= 2
        halved = table.copy()
        halved[:, NUMBER] //= 2
        table = _joined(halved)
    return Course(course.origin_ns, width, table, -1, NO_VALUES, int(values[-1]))


def _joined(table: Table) -> Table:
    """Rows of one number become one."""
    starts = differences_from(-1, table[:, NUMBER]).nonzero()[0]
    if len(starts) == len(table):
        return table
    return np.stack(
        [
            table[starts, NUMBER],
            np.add.reduceat(table[:, SAMPLES], starts),
            np.add.reduceat(table[:, SUM], starts),
            np.minimum.reduceat(table[:, LOWEST], starts),
            np.maximum.reduceat(table[:, HIGHEST], starts),
            np.add.reduceat(table[:, SQUARES], starts),
        ],
        axis=1,
    )
