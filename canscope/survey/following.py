"""How well a field gives readings: the evidence for value = raw * factor + offset.

Evidence after D. MacKay, "Bayesian Interpolation" (Neural Computation 4, 1992): a number that may
be anything costs as many log odds as the readings narrow it down (Occam's factor), a usual one
only its share among the usual ones. So of two fields that move alike the one wins whose factor
and offset people would have chosen.

Nobody knows at which instant a reading was taken. Either every time is off on its own (typed by
hand), or all by the same amount (a logger whose clock was set by hand); both are weighed over the
field's values around each reading, so that readings of what moves count as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from canscope.model.tables import Bools, Floats, Int64s
from canscope.survey.usual import factors, offsets, plain_share

# Common practice, no source: meters of volts and amperes and what measures them on the vehicle;
# turns are counted, not measured.
OFF, OFF_COUNTED = 0.005, 0.002
MISTYPED = 4.0  # log odds that one reading can take away
REFERENCE, FLOOR = 0.002, 0.001  # what a meter and a hand leave open: of the value, of the largest

SHIFTS_S = np.arange(-12, 13) * 0.05  # how far the instant may lie from the time that is given
HAND_S = 0.25  # standard deviation of that; common practice, no source
STALE_S = 5.0  # a value that is older does not show the instant
LEVELS, EACH = 20, 4.0  # of the range of the readings, and how many readings one of them is worth
ROUNDS = 3  # of fitting, each with the instants that the one before makes likely


@dataclass(frozen=True, eq=False)
class Readings:
    """What a person read: seconds and values.

    ``both_ways`` is whether such values go below zero, ``off`` the share (a standard deviation)
    by which a meter and a sensor of it differ throughout.
    """

    at_s: Floats
    value: Floats
    both_ways: bool = False
    off: float = OFF

    @cached_property
    def fine(self) -> Floats:
        """Standard deviation of what the meter says."""
        floor = FLOOR * float(np.abs(self.value).max(initial=0.0))
        return np.maximum(REFERENCE * np.abs(self.value) + floor, 1e-9)

    @cached_property
    def counts(self) -> Floats:
        """What each reading counts: many at one level are off alike, and say no more than few."""
        span = float(np.ptp(self.value)) or 1.0
        level = ((self.value - self.value.min()) / span * LEVELS).astype(int)
        of_level = np.bincount(level)[level]
        return np.asarray(np.minimum(1.0, EACH / of_level))


@dataclass(frozen=True, eq=False)
class Around:
    """A field's raw values around each reading: ``raw`` is readings x ``SHIFTS_S``.

    ``noise`` is the variance of the raw value from one frame to the next.
    """

    raw: Floats
    seen: Bools
    noise: float

    @cached_property
    def blur(self) -> Floats:
        """The variance of each raw value: rounding, noise, and its motion from shift to shift."""
        moved = np.abs(np.diff(self.raw, axis=1))
        wide = np.pad(moved, ((0, 0), (1, 1)))
        farthest = np.maximum(wide[:, :-1], wide[:, 1:])
        return np.asarray((1 + farthest**2) / 12 + self.noise)


@dataclass(frozen=True)
class Fit:
    """``weight`` are log odds against a field that knows nothing; ``left`` the mean square left.

    A reading is ``gain * (raw * factor + offset)``: the meter and the field's own sensor are each
    off by a share of what they show, throughout.
    """

    weight: float
    factor: float
    offset: float
    gain: float
    left: float


def around(at_s: Floats, raw: Int64s, instants: Floats) -> tuple[Int64s, Bools]:
    """The raw values that were the latest around each instant, and whether they were fresh."""
    times = instants[:, None] + SHIFTS_S
    rows = np.searchsorted(at_s, times, side="right") - 1
    # Before the first frame the first value counts, if it comes that soon.
    early = rows < 0
    rows = np.maximum(rows, 0)
    age = np.where(early, at_s[0] - times, times - at_s[rows])
    return raw[rows], age < np.where(early, SHIFTS_S[-1], STALE_S)


def jitter(raw: Int64s) -> float:
    """The variance of the noise of a raw value, by how much its differences differ."""
    if len(raw) < 4:
        return 0.0
    turns = np.abs(np.diff(raw.astype(float), n=2))
    return float(np.median(turns) / (0.6745 * math.sqrt(6))) ** 2


def best_fit(field: Around, readings: Readings, *, signed: bool) -> Fit | None:
    """The best explanation of the readings; ``signed`` is whether the field is.

    None if no line fits better than knowing nothing.
    """
    y = readings.value
    fine = readings.fine
    plain = float(y.var() + np.mean(fine**2))
    problem = _Problem(field, readings, plain)
    share = plain_share(y, fine, signed=signed)
    found = [
        (factor, offset, gain, cost - math.log(1 - share if offset else share))
        for factor, offset, gain, cost in _explanations(problem)
    ]
    if not found:
        return None
    scales, shifts, gains, costs = map(np.array, zip(*found, strict=True))
    weights = problem.weights(gains * scales, gains * shifts) - costs
    best = int(weights.argmax())
    factor, offset, gain = float(scales[best]), float(shifts[best]), float(gains[best])
    left = problem.left(gain * factor, gain * offset)
    return Fit(float(weights[best]), factor, offset, gain, left)


@dataclass(frozen=True, eq=False)
class _Problem:
    """Readings, and a field's raw values around them."""

    field: Around
    readings: Readings
    plain: float  # variance of the readings

    def likelihoods(self, factor: Floats, offset: Floats) -> Floats:
        """Of each reading at each shift, against knowing nothing: explanations x readings x shifts.

        Where the field is not seen, it says nothing.
        """
        a, b = factor[:, None, None], offset[:, None, None]
        known = self.readings.fine[:, None] ** 2 + a**2 * self.field.blur
        left = self.readings.value[:, None] - a * self.field.raw - b
        ratio = np.sqrt(self.plain / known) * np.exp(-0.5 * left**2 / known)
        return np.where(self.field.seen, ratio, 1.0)

    def weights(self, factor: Floats, offset: Floats) -> Floats:
        """Log odds of each explanation: times off one by one, or all by the same."""
        like = self.likelihoods(factor, offset)
        alone = _log_with_mistakes(like @ _SHARES) @ self.readings.counts
        same = self.readings.counts @ _log_with_mistakes(like)
        same = _log_sum(same + np.log(_SHARES))
        return np.logaddexp(alone, same) - math.log(2)

    def shares(self, factor: float, offset: float) -> Floats:
        """How likely each shift is for each reading, under this explanation: readings x shifts."""
        like = self.likelihoods(np.array([factor]), np.array([offset]))[0]
        same = self.readings.counts @ _log_with_mistakes(like) + np.log(_SHARES)
        alone = float(self.readings.counts @ _log_with_mistakes(like @ _SHARES))
        total = float(_log_sum(same[None])[0])
        prior = _SHARES
        if total > alone:
            prior = np.exp(same - total)
        joint = like * prior * self.field.seen
        # A reading that fits nowhere is mistyped.
        return np.asarray(joint / (joint.sum(axis=1, keepdims=True) + math.exp(-MISTYPED)))

    def left(self, factor: float, offset: float) -> float:
        """The mean square that is left of the readings."""
        share = self.shares(factor, offset)
        square = (self.readings.value[:, None] - factor * self.field.raw - offset) ** 2
        least = np.where(self.field.seen, square, np.inf).min(axis=1)
        sum_ = share.sum(axis=1)
        expected = np.where(
            sum_ > 0.5, (share * square).sum(axis=1) / np.maximum(sum_, 1e-9), least
        )
        finite = expected[np.isfinite(expected)]
        return float(finite.mean()) if len(finite) else math.inf


_SHARES = np.exp(-0.5 * (SHIFTS_S / HAND_S) ** 2)
_SHARES = _SHARES / _SHARES.sum()


def _log_with_mistakes(likelihood: Floats) -> Floats:
    """The logarithm, of which a mistyped reading takes away no more than ``MISTYPED``."""
    wrong = math.exp(-MISTYPED)
    return np.asarray(np.log((1 - wrong) * likelihood + wrong))


def _log_sum(logs: Floats) -> Floats:
    """The logarithm of the sum over the last axis."""
    top = logs.max(axis=-1)
    return np.asarray(top + np.log(np.exp(logs - top[..., None]).sum(axis=-1)))


def _explanations(problem: _Problem) -> Iterator[tuple[float, float, float, float]]:
    """Factor, offset, gain, and what they cost in log odds."""
    for through_zero in (True, False):
        for start in _starts(problem, through_zero):
            fitted = _fitted(problem, start, through_zero)
            if fitted is None:
                continue
            factor, sd, share, known = fitted
            usual = factors(factor, sd, problem.readings.off, both_ways=problem.readings.both_ways)
            for value, gain, cost in usual:
                if through_zero:
                    yield value, 0.0, gain, cost
                    continue
                weight = share * problem.readings.counts[:, None] / known
                total = float(weight.sum())
                left = problem.readings.value[:, None] / gain - value * problem.field.raw
                offset = float((weight * left).sum()) / total
                for shift, dear in offsets(offset, 1 / math.sqrt(total), value):
                    yield value, shift, gain, cost + dear


def _starts(problem: _Problem, through_zero: bool) -> Iterator[Floats]:
    """Shares of the shifts to begin with: all alike, and the one shift that fits best."""
    seen = problem.field.seen
    every = np.where(seen, _SHARES, 0.0)
    yield every / np.maximum(every.sum(axis=1, keepdims=True), 1e-12)
    best = int(quick_fit(problem.field, problem.readings, through_zero).argmin())
    yield np.where(seen, np.eye(len(SHIFTS_S))[best], 0.0)


def quick_fit(field: Around, readings: Readings, through_zero: bool = False) -> Floats:
    """The mean square that a line leaves of the readings, for each shift."""
    weight = field.seen * readings.counts[:, None]
    n = np.maximum(weight.sum(axis=0), 1e-9)
    x, y = field.raw, readings.value[:, None]
    if not through_zero:
        x = x - (weight * x).sum(axis=0) / n
        y = y - (weight * y).sum(axis=0) / n
    xx, xy, yy = ((weight * a * b).sum(axis=0) for a, b in ((x, x), (x, y), (y, y)))
    return np.asarray((yy - np.where(xx > 0, xy**2 / np.where(xx > 0, xx, 1), 0)) / n)


def _fitted(
    problem: _Problem, share: Floats, through_zero: bool
) -> tuple[float, float, Floats, Floats] | None:
    """Factor, its standard deviation, the shares of the shifts, the variance of each reading."""
    x, y = problem.field.raw, problem.readings.value[:, None]
    known: Floats = np.ones_like(x)
    factor = 0.0
    for turn in range(ROUNDS):
        weight = share * problem.readings.counts[:, None] / known
        total = float(weight.sum())
        if total <= 0:
            return None
        mid_x = 0.0 if through_zero else float((weight * x).sum()) / total
        mid_y = 0.0 if through_zero else float((weight * y).sum()) / total
        xx = float((weight * (x - mid_x) ** 2).sum())
        if xx <= 0:
            return None
        factor = float((weight * (x - mid_x) * (y - mid_y)).sum()) / xx
        if not factor:
            return None
        known = problem.readings.fine[:, None] ** 2 + factor**2 * problem.field.blur
        if turn < ROUNDS - 1:
            again = problem.shares(factor, mid_y - factor * mid_x)
            share = again if again.sum() > 2 else share
    weight = share * problem.readings.counts[:, None] / known
    total = float(weight.sum())
    mid_x = 0.0 if through_zero else float((weight * x).sum()) / total
    xx = float((weight * (x - mid_x) ** 2).sum())
    return (factor, 1 / math.sqrt(xx), share, known) if xx > 0 else None
