"""When the frames of a cyclic message were sent, where their stamps were late at random.

An adapter hands frames over late by up to 5 ms, a serial one by up to 20 ms (common practice, no
source). A node sends at its cycle all the same, and a stamp is never early: so the line of one
cycle a frame that touches the stamps from below says when each frame was sent.
"""

from __future__ import annotations

import numpy as np

from canscope.model.median import median
from canscope.model.tables import Int64s

LATEST_NS = 25 * 10**6  # a stamp lies no further off its line; common practice, no source
UNEVEN = 0.05  # of a cycle, by which half of the intervals have to differ from it; likewise
FEWEST = 12  # frames that show a cycle; likewise


def even_ns(time_ns: Int64s) -> Int64s:
    """The instants at which the frames of these stamps were sent, ascending.

    The stamps themselves where they are even already, or where they follow no cycle.
    """
    if len(time_ns) < FEWEST:
        return time_ns
    since = (time_ns - time_ns[0]).astype(np.float64)
    row = np.arange(len(since)) - (len(since) - 1) / 2
    cycle = float(row @ since) / float(row @ row)  # of the straight line through all stamps
    if median(np.abs(np.diff(since) - cycle)) <= UNEVEN * cycle:
        return time_ns
    late = since - row * cycle
    if np.ptp(late) > LATEST_NS:  # frames were lost, or the node does not send at a cycle
        return time_ns
    return np.asarray(time_ns[0] + np.round(row * cycle + late.min()), np.int64)
