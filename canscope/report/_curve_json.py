"""Curves as JSON; they make up most of a report and most of the time of writing it."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray


def listed(values: NDArray[np.float64]) -> str:
    """A list of numbers as JSON without blanks; null for NaN and infinity."""
    return _listed(values.tobytes())


@lru_cache(maxsize=512)  # many findings show the same stretch of the same signal
def _listed(data: bytes) -> str:
    values = np.frombuffer(data)
    known = np.where(np.isfinite(values), values, np.nan)
    # The text of a list of floats is JSON but for its blanks, and is ready at once.
    return str(known.tolist()).replace(" ", "").replace("nan", "null")
