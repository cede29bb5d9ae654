"""An integral over time, by the trapezoid rule."""

from __future__ import annotations

import numpy as np

from canscope.model.tables import SECOND_NS, Floats, Int64s


def integral(values: Floats, time_ns: Int64s) -> float:
    """The integral of n values over their times, in the values' unit times s; 0 if n < 2."""
    return float(np.sum((values[1:] + values[:-1]) / 2 * (np.diff(time_ns) / SECOND_NS)))
