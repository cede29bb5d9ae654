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
    u = np.broadcast_to(np.asarray(uncertainty, np.float64), margin.shape)
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
