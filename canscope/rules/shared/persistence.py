"""How long a condition has lasted, and windows that roll over samples.

Everything here gives the same answer however a run is cut into pieces. A sample without a value
neither ends a stretch nor prolongs it; a silence of more than three cycles ends it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from canscope.model.median import medians
from canscope.model.piece import Piece, S
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools, Floats, Int64s

BLOCK = 1 << 20  # values handled at once, so that memory stays bounded
MANY = 2000  # values, from which on a view of them is faster
FEW = 8  # levels of _extremes, about: with fewer values a window it would be slower
EXTREMES: dict[Callable[..., ArrayLike], np.ufunc] = {np.min: np.minimum, np.max: np.maximum}

Reduce = Callable[[Floats], Floats]  # from (windows, samples in each) to (windows,)


def to_ns(duration_s: float) -> int:
    """Seconds as nanoseconds."""
    return round(duration_s * S)


@dataclass(frozen=True)
class LastLabel:
    """The last known sample: its stamp, its label, and since when the label is the same.

    States of rules carry it from piece to piece.
    """

    time_ns: int = int(NEVER)
    label: float = float("nan")
    since_ns: int = int(NEVER)


NO_LABEL = LastLabel()


@dataclass(frozen=True, eq=False)
class LabelAt:
    """The last known label at given instants (one row an instant); NaN where it is not fresh."""

    label: Floats
    since_ns: Int64s  # first sample of the unbroken stretch of that label
    sampled_ns: Int64s

    def held(self, times_ns: Int64s, label: float, duration_ns: int) -> Bools:
        """Whether the label has been this one for at least so long."""
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

    ``stamps`` are those of the new samples alone, the very array that they came with.
    """

    role: str
    time_ns: Int64s
    label: Floats
    since_ns: Int64s
    joined: Bools
    stamps: Int64s

    @cached_property
    def last(self) -> LastLabel:
        """What to carry into the next piece."""
        return LastLabel(int(self.time_ns[-1]), float(self.label[-1]), int(self.since_ns[-1]))

    @cached_property
    def new(self) -> LabelAt:
        """The new samples alone."""
        return LabelAt(self.label[1:], self.since_ns[1:], self.stamps)

    def at(self, piece: Piece, times_ns: Int64s) -> LabelAt:
        """The last known label at instants of this piece."""
        return piece.once_at((Stretches.at, self), times_ns, lambda: self._at(piece, times_ns))

    def _at(self, piece: Piece, times_ns: Int64s) -> LabelAt:
        row = np.maximum(self.time_ns.searchsorted(times_ns, "right") - 1, 0)
        label = self.label[row]
        lost = np.isnan(piece.at(self.role, times_ns).value)
        if lost.any():
            label[lost] = np.nan
        return LabelAt(label, self.since_ns[row], self.time_ns[row])


def stretches(
    role: str, carried: LastLabel, time_ns: Int64s, label: Floats, patience_ns: Int64s | int
) -> Stretches:
    """Group the samples of one piece into stretches of equal labels; NaN labels are left out."""
    unknown = np.isnan(label)
    if unknown.any():
        known = ~unknown
        time_ns, label = time_ns[known], label[known]
        patience_ns = patience_ns if isinstance(patience_ns, int) else patience_ns[known]
    times = _after(carried.time_ns, time_ns)
    labels = _after(carried.label, np.asarray(label, np.float64))
    joined = _after(False, times[1:] - times[:-1] <= patience_ns)
    begins = ~joined
    begins[1:] |= labels[1:] != labels[:-1]
    begins[0] = True
    rows = begins.nonzero()[0]
    starts = times[rows]
    starts[0] = carried.since_ns
    ends = np.empty(len(rows), np.int64)
    ends[:-1], ends[-1] = rows[1:], len(times)
    return Stretches(role, times, labels, starts.repeat(ends - rows), joined, time_ns)


def _after(first: float, column: NDArray[Any]) -> NDArray[Any]:
    """A column with one value in front."""
    whole = np.empty(len(column) + 1, column.dtype)
    whole[0], whole[1:] = first, column
    return whole


def follow(piece: Piece, role: str, carried: LastLabel, label: Reduce = np.asarray) -> Stretches:
    """Stretches of a role's new samples, labelled by ``label`` (default: their value)."""

    def followed() -> Stretches:
        samples = piece[role]
        patience_ns = patience(piece, role, samples.time_ns) if len(samples) else 0
        return stretches(role, carried, samples.time_ns, label(samples.value), patience_ns)

    return piece.once((follow, role, carried, label), followed)


def patience(piece: Piece, role: str, times_ns: Int64s) -> Int64s | int:
    """How old the last sample of a role may be at these instants; one number if it is constant."""
    constant = piece.history.constant_patience_ns(role, times_ns)
    return piece.history.patience_ns(role, times_ns) if constant is None else constant


@cache
def sense(turning_rpm: float) -> Reduce:
    """Labels of a speed: 1 turning forward, -1 in reverse, 0 not turning."""

    def label(speed_rpm: Floats) -> Floats:
        slow = np.abs(speed_rpm) < turning_rpm
        return np.where(slow, 0.0, np.sign(speed_rpm))

    return label


def present(value: Floats) -> Floats:
    """Labels of any value: 0 where there is one, to follow how long it has been there."""
    return np.where(np.isnan(value), np.nan, 0.0)


@cache
def below(limit_value: float) -> Reduce:
    """Labels of a value: 1 where its magnitude is below the limit, 0 at or above it."""
    return lambda value: np.where(np.isnan(value), np.nan, np.abs(value) < limit_value)


@cache
def at_most(limit_value: float) -> Reduce:
    """Labels of a value: 1 at or below the limit, 0 above it."""
    return lambda value: np.where(np.isnan(value), np.nan, value <= limit_value)


def recent(piece: Piece, role: str, back_ns: int, *, silences: int = 1) -> Samples:
    """The known samples of this piece, and enough of those before it to look back ``back_ns``.

    ``silences``: by how many further silences (of three cycles each) to look back, for the sample
    that was last known at the start of the window, and those before it.
    """

    def found() -> Samples:
        start_ns = piece.start_ns - back_ns
        ends = np.array([start_ns, piece.until_ns], np.int64)
        reach_ns = silences * int(piece.history.patience_ns(role, ends).max())
        return piece.back(role, start_ns - reach_ns).known

    return piece.once((recent, role, back_ns, silences), found)


def fresh(piece: Piece, role: str, samples: Samples) -> tuple[Int64s, slice]:
    """The stamps of the ``recent`` samples that belong to this piece, and their rows."""
    new = piece[role].known.time_ns
    return new, slice(len(samples) - len(new), None)


def within(time_ns: Int64s, rows: Int64s, width_ns: int) -> Int64s:
    """First row inside (t - width, t], for the instants t of these rows, which ascend.

    Stamps are about evenly spaced, so the usual number of samples a window is a good first guess.
    """
    ends_ns = time_ns[rows] - width_ns
    if len(rows) < MANY or width_ns <= 0:
        return time_ns.searchsorted(ends_ns, "right")
    probe = slice(None, None, len(rows) // 32)
    held = np.sort(rows[probe] - time_ns.searchsorted(ends_ns[probe], "right"))
    first: Int64s = np.maximum(rows - held[len(held) // 2] - 1, 0)
    for _ in range(2):
        first += time_ns.take(first) <= ends_ns
    wrong = (time_ns.take(first) <= ends_ns) | (time_ns.take(first - 1) > ends_ns)
    some = wrong.nonzero()[0]
    if len(some):
        first[some] = time_ns.searchsorted(ends_ns[some], "right")
    return first


def throughout(time_ns: Int64s, rows: Int64s, width_ns: int) -> Int64s:
    """The row that was last known at t - width, for the instants t of these rows."""
    return np.maximum(within(time_ns, rows, width_ns) - 1, 0)


def rolling(reduce: Callable[..., ArrayLike], value: Floats, first: Int64s, last: Int64s) -> Floats:
    """``reduce`` (such as ``np.median``) of value[first] to value[last], one result a window."""
    count = last - first + 1
    if reduce is np.ptp:
        return rolling(np.max, value, first, last) - rolling(np.min, value, first, last)
    if reduce in EXTREMES and int(count.sum()) > len(value) * FEW:
        return _extremes(EXTREMES[reduce], value, first, last)
    result = np.full(len(last), np.nan)
    for size in np.bincount(count).nonzero()[0].tolist():
        windows = (count == size).nonzero()[0]
        for at in range(0, len(windows), max(1, BLOCK // size)):
            some = windows[at : at + max(1, BLOCK // size)]
            stacked = _stacked(value, first[some], size)
            result[some] = medians(stacked) if reduce is np.median else reduce(stacked, axis=1)
    return result


def kept_up(
    time_ns: Int64s,
    value: Floats,
    judged: Bools,
    width_ns: int,
    pick: Callable[..., ArrayLike] = np.min,
) -> Floats:
    """The smallest value over the last ``width_ns`` at each judged sample: what it kept up.

    ``judged`` marks some of the last samples: those of the piece, after those before it.
    """
    rows = judged.nonzero()[0] + len(time_ns) - len(judged)
    return rolling(pick, value, throughout(time_ns, rows, width_ns), rows)


def _stacked(value: Floats, first: Int64s, size: int) -> Floats:
    """Windows of one size side by side, as a copy."""
    if len(first) * size < MANY:  # not worth the view
        return np.asarray(value[first[:, None] + np.arange(size)])
    return np.asarray(sliding_window_view(value, size)[first])


def _extremes(pick: np.ufunc, value: Floats, first: Int64s, last: Int64s) -> Floats:
    """Lowest or highest of each window: two windows of a power of two cover it together."""
    power = np.frexp(last - first + 1)[1] - 1
    result = np.full(len(last), np.nan)
    level = value  # of row i: the extreme of value[i] to value[i + 2**exponent - 1]
    for exponent, rows in enumerate(np.bincount(power).tolist()):
        if exponent:
            level = pick(level[: -(1 << exponent - 1)], level[1 << exponent - 1 :])
        if rows:
            some = slice(None) if rows == len(power) else np.flatnonzero(power == exponent)
            result[some] = pick(level[first[some]], level[last[some] + 1 - (1 << exponent)])
    return result
