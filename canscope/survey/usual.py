"""Factors and offsets that people choose, and what any other costs.

What is usual: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache

import numpy as np

from canscope.model.tables import Floats

# Leading digits of usual factors, with their share: 1, 2, 5; their halves and quarters; the rest.
LEADING = {
    1.0: 0.28, 2.0: 0.12, 5.0: 0.16, 2.5: 0.1, 1.25: 0.06, 4.0: 0.06, 8.0: 0.04, 6.25: 0.03,
    3.125: 0.03, 1.5625: 0.03, 7.8125: 0.03, 3.90625: 0.02, 3.0: 0.02, 6.0: 0.02,
}  # fmt: skip
DECADES = 7  # of factors
USUAL_FACTOR = 0.85  # share of signals
NEGATIVE, NEGATIVE_BOTH_WAYS = 0.1, 0.5  # ... of those that may go below zero, the latter
# Shares of fields without an offset: of signed ones, of others, and of those others whose
# quantity goes below zero. Of the offsets these shares have one digit or two; the rest is any.
SIGNED_PLAIN, UNSIGNED_PLAIN, BELOW_ZERO_PLAIN = 0.95, 0.6, 0.02
ONE_DIGIT, TWO_DIGITS = 0.45, 0.45
LEAST_STEPS, SMALL = 10, 3.0  # an offset of fewer raw steps costs so much more
# Zero lies within what the field can hold, mostly in its middle half: that leaves little more than
# a decade of offsets.
OFFSET_DECADES = 1.3
TOLERANCE = 4.0  # standard deviations within which a usual number may be meant


def plain_share(y: Floats, fine: Floats, *, signed: bool) -> float:
    """How many fields of such readings have no offset."""
    if signed:
        return SIGNED_PLAIN
    below = y.min() < -3 * fine.max() and y.max() > 3 * fine.max()
    return BELOW_ZERO_PLAIN if below else UNSIGNED_PLAIN


def factors(
    factor: float, sd: float, off: float, *, both_ways: bool
) -> Iterator[tuple[float, float, float]]:
    """A factor as fitted, and the usual ones within its uncertainty: factor, gain, cost.

    Nothing is exact: a meter and a sensor together are ``off`` by such a share (a standard
    deviation) throughout. What is left of the fitted one beside a usual one is the gain, so that
    of two sensors of one thing none leads because its error happens to be that of the meter.
    """
    negative = NEGATIVE_BOTH_WAYS if both_ways else NEGATIVE
    sign = -math.log(negative if factor < 0 else 1 - negative)
    relative = min(max(sd / abs(factor), 1e-6), 0.5)
    room = DECADES * math.log(10) / (relative * math.sqrt(2 * math.pi))
    yield factor, 1.0, sign + math.log(max(room, 1.0)) - math.log(1 - USUAL_FACTOR)
    logs, shares = _usual_factors()
    near = np.abs(logs - math.log(abs(factor)))
    within = min(TOLERANCE * math.hypot(relative, off), 0.2)
    for place in np.flatnonzero(near <= within).tolist():
        usual = math.copysign(math.exp(logs[place]), factor)
        cost = sign - math.log(USUAL_FACTOR * shares[place] / DECADES)
        gain = factor / usual
        wide = math.hypot(relative, off)
        yield usual, gain, cost + 0.5 * (math.log(gain) / wide) ** 2 + math.log(wide / relative)


@cache
def _usual_factors() -> tuple[Floats, Floats]:
    """The logarithms of the usual factors, and their shares within a decade."""
    pairs = [
        (math.log(leading) + power * math.log(10), share)
        for power in range(-7, 7)
        for leading, share in LEADING.items()
    ]
    logs, shares = np.array(pairs).T
    return logs, shares


def offsets(offset: float, sd: float, factor: float) -> Iterator[tuple[float, float]]:
    """An offset as fitted, and the usual ones within its uncertainty, with their costs."""
    size = max(abs(offset), sd)
    room = OFFSET_DECADES * math.log(10) * size / (sd * math.sqrt(2 * math.pi))
    small = SMALL if abs(offset) < LEAST_STEPS * abs(factor) else 0.0
    yield offset, small + math.log(max(room, 1.0)) - math.log(1 - ONE_DIGIT - TWO_DIGITS)
    power = 10.0 ** math.floor(math.log10(size))
    half = 2.0 ** round(math.log2(max(abs(offset / factor), 1.0)))
    for usual, cost in (
        (round(offset / power) * power, math.log(9 * OFFSET_DECADES / ONE_DIGIT)),
        (math.copysign(half * abs(factor), offset), math.log(9 * OFFSET_DECADES / ONE_DIGIT)),
        (round(10 * offset / power) * power / 10, math.log(90 * OFFSET_DECADES / TWO_DIGITS)),
    ):
        if abs(usual - offset) <= TOLERANCE * sd:
            yield usual, small + cost


def is_usual(factor: float) -> bool:
    """Whether people choose such factors."""
    logs, _ = _usual_factors()
    return bool(np.abs(logs - math.log(abs(factor) or 1e-99)).min() < 1e-4)
