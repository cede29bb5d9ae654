"""Did a node restart? Its rolling counter then does not count on."""

from __future__ import annotations

import numpy as np

from canscope.model.median import median
from canscope.model.piece import ClosedWindow

AROUND_S = 2.0  # before the window, from which a counter's habit is learned as well
FEWEST = 4  # counts that show a habit
LOST_CYCLES = 1.5  # a longer way between two counts is a gap in the stamps


def counter_jump(window: ClosedWindow, role: str, begin_ns: int, last_ns: int) -> int | None:
    """When a rolling counter first broke its own habit between two instants; None if it did not.

    Its habit is its most usual step and way between two counts, over the window and 2 s before.
    Missing frames are no restart as long as the count goes on as if they had been there.
    """
    counts = window.around(role, AROUND_S)
    if len(counts) < FEWEST:
        return None
    modulus = window.bench.bindings[role].modulus
    ways, steps = np.diff(counts.time_ns), np.diff(counts.raw) % modulus
    kinds, times = np.unique(steps, return_counts=True)
    usual = int(kinds[np.argmax(times)])
    cycle = max(median(ways), 1.0)
    frames = np.where(ways > LOST_CYCLES * cycle, np.round(ways / cycle), 1).astype(np.int64)
    # A frame more or less over a gap is the cycle's own jitter.
    slack = [(frames + more) * usual % modulus for more in (-1, 0, 1)]
    on = np.where(frames > 1, np.any([steps == s for s in slack], axis=0), steps == usual)
    at = counts.time_ns[1:]
    broken = np.flatnonzero(~on & (at >= begin_ns) & (at <= last_ns))
    return int(at[broken[0]]) if len(broken) else None
