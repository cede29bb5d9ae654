"""Differences between neighbours.

numpy's own takes several times as long on the few values of a live piece, most of all where a value
that came before is to be put in front.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def differences_from(before: float, values: NDArray[Any]) -> NDArray[Any]:
    """How far each value lies from the one before it; ``before`` is the one before the first."""
    apart = np.empty_like(values)
    if len(values):
        apart[0] = values[0] - before
        np.subtract(values[1:], values[:-1], out=apart[1:])
    return apart
