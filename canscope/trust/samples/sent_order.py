"""Frames of one message that stand in another order than they were sent in, by their own counter.

An adapter that stamps late by more than a cycle, each frame by another time, exchanges neighbours.
Their counts are all there then, each once, and no frame is missing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.tables import Int64s
from canscope.trust.samples.even_stamps import LATEST_NS


@dataclass(frozen=True)
class Waiting:
    """Counts that may still turn out to be exchanged with later ones, and how many have been."""

    time_ns: tuple[int, ...] = ()
    raw: tuple[int, ...] = ()
    moved: int = 0


def in_order(
    waiting: Waiting, time_ns: Int64s, raw: Int64s, last: int | None, modulus: int, until_ns: int
) -> tuple[Int64s, Int64s, Waiting]:
    """Stamps and counts as they were sent, up to the first step that may still be an exchange.

    ``last`` is the count before them, None for the first. Stamps stay in their order. What a count
    is exchanged with is stamped at most 25 ms later, so that nothing waits longer.
    """
    if waiting.time_ns:
        time_ns = np.concatenate((np.array(waiting.time_ns, np.int64), time_ns))
        raw = np.concatenate((np.array(waiting.raw, np.int64), raw))
    if not len(raw):
        return time_ns, raw, waiting
    counts = np.concatenate((np.array([raw[0] - 1 if last is None else last]), raw))
    step = np.diff(counts) % modulus
    done, moved = 0, waiting.moved
    for row in np.flatnonzero(step > 1).tolist():  # a count that comes again is exchanged with none
        if row < done or (counts[row + 1] - counts[row]) % modulus == 1:
            continue
        ahead = int(time_ns.searchsorted(time_ns[row] + LATEST_NS, "right"))
        size = _exchanged(counts[row], counts[row + 1 : ahead + 1], modulus)
        if size:
            sent = (counts[row] + 1 + np.arange(size)) % modulus
            moved += int(np.count_nonzero(sent != counts[row + 1 : row + 1 + size]))
            counts[row + 1 : row + 1 + size] = sent
            done = row + size
        elif until_ns <= time_ns[row] + LATEST_NS:
            held = Waiting(tuple(time_ns[row:].tolist()), tuple(counts[row + 1 :].tolist()), moved)
            return time_ns[:row], counts[1 : row + 1], held
    return time_ns, counts[1:], Waiting(moved=moved)


def _exchanged(last: int, counts: Int64s, modulus: int) -> int:
    """How many of these counts follow on the last one, each once, in another order; 0 if none."""
    ahead = (counts[: modulus - 1] - last - 1) % modulus
    for size in range(2, len(ahead) + 1):
        if np.array_equal(np.sort(ahead[:size]), np.arange(size)):
            return size
    return 0
