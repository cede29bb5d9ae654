"""Where neighbours in a column are alike: in how long a run of rows something holds."""

from __future__ import annotations

import numpy as np

from canscope.model.tables import Bools


def runs_of(holds: Bools) -> list[tuple[int, int]]:
    """First row and end of every run of rows in which it holds, in their order."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], holds, [False])))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))
