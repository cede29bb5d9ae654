"""What several rules share: how long something has held, and windows that roll over samples.

Everything here gives the same answer however a run is cut into pieces. A sample without value
neither breaks a stretch nor prolongs it; a silence of more than three cycles ends it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from canscope.model.piece import Piece, S
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools, Floats, Int64s

BLOCK = 1 << 20  # values looked at in one go, so that memory stays bounded

Reduce = Callable[[Floats], Floats]  # from (windows, samples in each) to (windows,)


def seconds(duration_s: float) -> int:
    """A duration in nanoseconds."""
    return round(duration_s * S)


@dataclass(frozen=True)
class Last:
    """The last known sample: when, what it said, and since when it said so. Kept in states."""

    time_ns: int = int(NEVER)
    label: float = float("nan")
    since_ns: int = int(NEVER)


NOTHING = Last()


@dataclass(frozen=True, eq=False)
class Known:
    """What was last known at given instants; ``label`` is NaN where nothing fresh was."""

    label: Floats
    since_ns: Int64s  # first sample of the unbroken stretch of that label
    sampled_ns: Int64s

    def held(self, times_ns: Int64s, label: float, duration_ns: int) -> Bools:
        """Where the label has been this one for at least so long."""
        held: Bools = (self.label == label) & (times_ns - self.since_ns >= duration_ns)
        return held


@dataclass(frozen=True, eq=False)
class Stretches:
    """A role's new known samples as stretches of equal labels; row 0 is the one carried over.

    ======== ======= =======================================================
    column   dtype   meaning
    ======== ======= =======================================================
    time_ns  int64   of the sample
    label    float64 what the sample says, never NaN after row 0
    since_ns int64   first sample of the stretch that it belongs to
    joined   bool    the sample before it is not more than three cycles older
    ======== ======= =======================================================
    """

    role: str
    time_ns: Int64s
    label: Floats
    since_ns: Int64s
    joined: Bools = field(default_factory=lambda: np.zeros(1, np.bool_))

    @property
    def last(self) -> Last:
        """What to carry into the next piece."""
        return Last(int(self.time_ns[-1]), float(self.label[-1]), int(self.since_ns[-1]))

    @property
    def new(self) -> Known:
        """The new samples alone."""
        return Known(self.label[1:], self.since_ns[1:], self.time_ns[1:])

    def at(self, piece: Piece, times_ns: Int64s) -> Known:
        """What was last known at instants of this piece."""
        index = np.maximum(np.searchsorted(self.time_ns, times_ns, "right") - 1, 0)
        lost = np.isnan(piece.at(self.role, times_ns).value)
        label = np.where(lost, np.nan, self.label[index])
        return Known(label, self.since_ns[index], self.time_ns[index])


def stretches(
    role: str, carried: Last, time_ns: Int64s, label: Floats, patience_ns: Int64s
) -> Stretches:
    """Follow labels over the samples of one piece; NaN labels are passed over."""
    known = ~np.isnan(label)
    times = np.concatenate(([carried.time_ns], time_ns[known])).astype(np.int64)
    labels = np.concatenate(([carried.label], label[known]))
    joined = np.concatenate(([False], np.diff(times) <= patience_ns[known]))
    begins = ~joined | np.concatenate(([True], labels[1:] != labels[:-1]))
    begins[0] = False
    since = np.where(begins, times, carried.since_ns)
    return Stretches(role, times, labels, np.maximum.accumulate(since), joined)


def follow(piece: Piece, role: str, carried: Last, label: Reduce = np.asarray) -> Stretches:
    """Follow what a role's new samples say, in the words of ``label`` (default: their value)."""
    samples = piece[role]
    if not len(samples):
        nothing = np.zeros(0, np.int64)
        return stretches(role, carried, nothing, np.zeros(0), nothing)
    patience = piece.history.patience_ns(role, samples.time_ns)
    return stretches(role, carried, samples.time_ns, label(samples.value), patience)


def sense(turning_rpm: float) -> Reduce:
    """Labels of a speed: 1 turning forward, -1 in reverse, 0 not turning."""

    def label(speed_rpm: Floats) -> Floats:
        slow = np.abs(speed_rpm) < turning_rpm
        return np.where(slow, 0.0, np.sign(speed_rpm))

    return label


def present(value: Floats) -> Floats:
    """Labels of any value: 0 where there is one, to follow how long it has been there."""
    return np.where(np.isnan(value), np.nan, 0.0)


def recent(piece: Piece, role: str, back_ns: int, *, silences: int = 1) -> Samples:
    """The known samples of this piece and enough of those before it to look back so far.

    As many silences further back (of three cycles each) lie the sample that was last known at the
    window's start, and the ones before that.
    """
    start_ns = piece.start_ns - back_ns
    ends = np.array([start_ns, piece.until_ns], np.int64)
    reach_ns = silences * int(piece.history.patience_ns(role, ends).max())
    samples = piece.back(role, start_ns - reach_ns)
    return samples[~np.isnan(samples.value)]


def within(time_ns: Int64s, rows: Int64s, width_ns: int) -> Int64s:
    """First row inside (t - width, t], for the instants t of these rows."""
    return np.searchsorted(time_ns, time_ns[rows] - width_ns, "right").astype(np.int64)


def throughout(time_ns: Int64s, rows: Int64s, width_ns: int) -> Int64s:
    """The row that was last known at t - width, for the instants t of these rows."""
    return np.maximum(within(time_ns, rows, width_ns) - 1, 0)


def rolling(reduce: Callable[..., ArrayLike], value: Floats, first: Int64s, last: Int64s) -> Floats:
    """``reduce`` (such as ``np.median``) of value[first] to value[last], a result a window."""
    result = np.full(len(last), np.nan)
    count = last - first + 1
    for size in np.flatnonzero(np.bincount(count)):
        windows = np.flatnonzero(count == size)
        for at in range(0, len(windows), max(1, BLOCK // int(size))):
            some = windows[at : at + max(1, BLOCK // int(size))]
            rows = first[some][:, None] + np.arange(size)
            result[some] = reduce(value[rows], axis=1)
    return result
