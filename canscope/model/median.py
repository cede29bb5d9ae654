"""Median, percentiles and the distinct ones of a few numbers.

numpy's own take longer, and the first call of any of them imports its masked arrays, which takes a
twentieth of a short check.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from canscope.model.tables import Floats, Int64s

SIGMA = 1.4826  # times the median distance from the median: the deviation of Gaussian noise


def median(values: ArrayLike) -> float:
    """The middle one, or the mean of the two in the middle; NaN if any of them is."""
    return float(medians(np.array(values, np.float64)))


def medians(windows: Floats) -> Floats:
    """The median of each row, or of the only one; ``windows`` is sorted in place."""
    windows.sort(axis=-1)  # NaN comes last
    count = windows.shape[-1]
    middle = (windows[..., (count - 1) // 2] + windows[..., count // 2]) / 2
    return np.asarray(np.where(np.isnan(windows[..., -1]), np.nan, middle))


def scatter(values: Floats) -> float:
    """The standard deviation of noise, of which a few may be something else; 0 of none."""
    return SIGMA * median(np.abs(values - median(values))) if len(values) else 0.0


def percentile(values: Floats, percent: float) -> float:
    """The value that so many percent of the values lie below, between two of them in a line."""
    ordered = np.sort(values)
    row, part = divmod((len(ordered) - 1) * percent / 100, 1)
    low, high = ordered[int(row)], ordered[min(int(row) + 1, len(ordered) - 1)]
    return float(low + (high - low) * part)


def distinct(values: Int64s) -> Int64s:
    """The values in ascending order, each of them once."""
    ordered = np.sort(values, axis=None)
    first = np.ones(len(ordered), np.bool_)
    first[1:] = ordered[1:] != ordered[:-1]
    return ordered[first]
