"""The median of a few numbers. numpy's own takes longer, and at its first call imports a lot."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def median(values: ArrayLike) -> float:
    """The middle one, or the mean of the two in the middle; NaN if any of them is."""
    ordered = np.sort(np.asarray(values, np.float64))  # NaN comes last
    last, count = ordered[-1], len(ordered)
    if np.isnan(last):
        return float(last)
    return float((ordered[(count - 1) // 2] + ordered[count // 2]) / 2)
