"""Do intervals of two cycles mean a lost frame?

They do where a node's stamps are its own. Where nobody states the cycle and an adapter hands frames
over in batches, each is stamped at the end of its batch: of a node that sends every 20 ms, seen in
batches of 16 ms, every fourth interval is 32 ms long, and none is missing. Its frames lie on one
straight line to within a batch all the same, as they would not were frames lost now and then. No
adapter's batch is longer than 25 ms. Where stamps are late at random, intervals of whole cycles
come about by chance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canscope.model.tables import Bools, Int64s
from canscope.trust.samples.even_stamps import LATEST_NS

EXACT = 0.005  # of a batch, by which stamps at the ends of batches miss their number
SLACK = 1.1  # batches about the line: the node itself is not quite even
MORE = 1.05  # cycles in a batch: a node that sends as often as batches come loses no frame by that
LONGEST = 3.5  # batches, beyond which an interval is a silence
ODD, SHORT = 0.25, 0.7  # of a cycle: by so much an interval is none of whole cycles, or too short
LATE, FEWEST = 0.2, 32  # share of such intervals, from which on stamps are late; of so many
# All of these: common practice, no source.


@dataclass(frozen=True)
class Stamps:
    """How the stamps of one message lie so far.

    ``low`` and ``high`` bound its true cycle, in ns, if they come in batches: none is left where
    low is above high. ``frames`` came since ``anchor_ns``, after which it was never silent.
    """

    anchor_ns: int | None = None
    frames: int = 0
    low: float = 0.0
    high: float = float("inf")
    intervals: int = 0
    odd: int = 0
    unclear: bool = False


ALL_CLEAR = Stamps()


def unclear(stamps: Stamps, cycle_ns: int, times: Int64s, *, batches: bool) -> tuple[Stamps, Bools]:
    """The stamps after a piece, and whether whole cycles meant nothing as each interval ended.

    ``times``: the last stamp before it and its own, two at least. ``batches``: they may come in
    such, as nobody states their cycle.
    """
    interval = np.diff(times)
    every = interval / cycle_ns
    off = np.abs(every - np.rint(every))
    numbers = stamps.intervals + np.arange(1, len(interval) + 1)
    odds = stamps.odd + np.cumsum((off > ODD) | (every < SHORT))
    late = (odds > LATE * numbers) & (numbers >= FEWEST)
    found: Bools = late
    if batches:
        stamps, batched = _in_batches(stamps, cycle_ns, times, every > LONGEST, off > EXACT)
        found = late | batched
    count, odd = int(numbers[-1]), int(odds[-1])
    return replace(stamps, intervals=count, odd=odd, unclear=bool(found[-1])), found


def _in_batches(
    stamps: Stamps, cycle_ns: int, times: Int64s, silent: Bools, inexact: Bools
) -> tuple[Stamps, Bools]:
    """The same of stamps at the ends of batches, which are as long as the cycle that was learned.

    A frame is stamped up to a batch late: what two stamps of a stretch without silence say of the
    cycle between them is that much less or more.
    """
    found = np.zeros(len(silent), np.bool_)
    if cycle_ns > LATEST_NS:
        return stamps, found
    anchor_ns = int(times[0]) if stamps.anchor_ns is None else stamps.anchor_ns
    frames, low, high, start = stamps.frames, stamps.low, stamps.high, 0
    for end in [*np.flatnonzero(silent).tolist(), len(silent)]:
        if end > start:
            since = times[start + 1 : end + 1] - anchor_ns
            number = frames + np.arange(1, end - start + 1)
            lows = np.maximum.accumulate((since - SLACK * cycle_ns) / number)
            lows[np.maximum.accumulate(inexact[start:end])] = np.inf
            lows = np.maximum(lows, low)
            highs = np.minimum.accumulate((since + SLACK * cycle_ns) / number)
            highs = np.minimum(highs, high)
            found[start:end] = (lows <= highs) & (since >= MORE * cycle_ns * number)
            frames, low, high = int(number[-1]), float(lows[-1]), float(highs[-1])
        if end < len(silent):
            anchor_ns, frames = int(times[end + 1]), 0
        start = end + 1
    return replace(stamps, anchor_ns=anchor_ns, frames=frames, low=low, high=high), found
