"""The median of a few numbers. numpy's own takes longer, and at its first call imports a lot."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from canscope.model.tables import Floats


def median(values: ArrayLike) -> float:
    """The middle one, or the mean of the two in the middle; NaN if any of them is."""
    return float(medians(np.array(values, np.float64)))


def medians(windows: Floats) -> Floats:
    """The median of each row, or of the only one; ``windows`` is sorted in place."""
    windows.sort(axis=-1)  # NaN comes last
    count = windows.shape[-1]
    middle = (windows[..., (count - 1) // 2] + windows[..., count // 2]) / 2
    return np.asarray(np.where(np.isnan(windows[..., -1]), np.nan, middle))
