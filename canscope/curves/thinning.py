"""Fewer points for the same picture: the lowest and highest of each stretch of time.

No spike is lost: an extreme of a long stretch is an extreme of a short one within it, so points
that were thinned can be thinned again.
"""

from __future__ import annotations

import numpy as np

from canscope.model.tables import Floats, Int64s


def buckets(times: Int64s, origin_ns: int, width_ns: int) -> tuple[Int64s, Int64s]:
    """The buckets of time that hold samples, and the first row of each.

    ``times`` are in order and not empty; bucket 0 begins at the origin.
    """
    lowest, highest = (int(time) - origin_ns for time in (times[0], times[-1]))
    at = np.arange(lowest // width_ns, highest // width_ns + 1)
    edges = times.searchsorted(origin_ns + at * width_ns)
    filled = (np.append(edges[1:], len(times)) > edges).nonzero()[0]
    return at[filled], edges[filled]


def extreme_rows(values: Floats, first: Int64s) -> tuple[Int64s, Int64s]:
    """The rows of the lowest and of the highest value of each stretch; the earliest of equals.

    A stretch begins at each row of ``first``; no value is NaN.
    """
    lengths = np.append(first[1:], len(values)) - first

    def first_equal(wanted: Floats) -> Int64s:
        rows = (values == wanted.repeat(lengths)).nonzero()[0]
        found: Int64s = rows[rows.searchsorted(first)]
        return found

    return (
        first_equal(np.minimum.reduceat(values, first)),
        first_equal(np.maximum.reduceat(values, first)),
    )


def extremes(times: Int64s, values: Floats, width_ns: int) -> Int64s:
    """The rows to draw, in order of time: of each bucket its lowest and its highest value.

    Buckets count from the time 0, so that those of twice the width are pairs of them.
    """
    if not len(times):
        return np.zeros(0, np.int64)
    _, first = buckets(times, 0, width_ns)
    rows = np.sort(np.stack(extreme_rows(values, first), axis=1), axis=1).ravel()
    kept: Int64s = rows[np.diff(rows, prepend=-1) > 0]  # one sample may be both
    return kept
