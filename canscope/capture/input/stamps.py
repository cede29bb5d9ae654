"""Times that a format keeps as floating seconds -> whole nanoseconds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canscope.model.tables import Bools, Int64s

LAST_SECOND = 9_223_372_035  # the last one whose nanoseconds all fit 64 bits
DOUBLES = 1 << 53  # whole numbers up to here are exact in a float64 (IEEE 754)


def nanoseconds(seconds: NDArray[np.float64]) -> tuple[Int64s, Bools]:
    """Nanoseconds, and which of the times are such that their nanoseconds fit 64 bits.

    A float64 of today's seconds resolves 240 ns only, so what was recorded in whole microseconds
    is recognised by being the nearest float64 to them, and comes back exactly (up to 2**32 s, the
    year 2106). Any other time becomes the nanosecond nearest to its exact value.
    """
    good = (seconds >= 0) & (seconds < LAST_SECOND)
    seconds = np.where(good, seconds, 0.0)
    micros = np.rint(seconds * 1e6)
    whole = np.floor(seconds)
    exact = whole.astype(np.int64) * 1_000_000_000
    exact += np.rint((seconds - whole) * 1e9).astype(np.int64)
    is_micros = (micros / 1e6 == seconds) & (micros < DOUBLES)
    return np.where(is_micros, micros.astype(np.int64) * 1000, exact), np.asarray(good)
