"""Which of many judged instants decide, so that only these are told."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from canscope.model.tables import Floats, Int64s


def telling(margin: Floats, uncertainty: ArrayLike = 0.0) -> Int64s:
    """Rows in time order: of the fails, the passes and the rest the first smallest margin each.

    The first fail and the first negative margin are among them, so that a verdict, its worst
    instant and the instant at which it first failed are those of all rows.
    """
    if not len(margin):
        return np.zeros(0, np.int64)
    u = np.asarray(uncertainty, np.float64)
    smallest = margin.argmin()
    if margin[smallest] >= 0 and (margin >= u).all():  # nearly always
        return np.array([smallest], np.int64)
    u = np.broadcast_to(u, margin.shape)
    fails, passes = margin < -u, margin >= u
    rows = []
    for some in (fails, passes, ~fails & ~passes & ~np.isnan(margin)):
        of = np.flatnonzero(some)
        if len(of):
            rows.append(of[np.argmin(margin[of])])
    for first in (fails, margin < 0):
        if first.any():
            rows.append(np.argmax(first))
    return np.unique(np.array(rows, np.int64))
