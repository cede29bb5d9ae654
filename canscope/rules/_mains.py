"""Whether both main contactors really were closed when something was sampled.

A link loses its voltage as soon as a contactor opens, which is up to one sample before its state
says so. So a sample is judged once both states, and what else it rests on, were seen again after it
(or ``SETTLE_NS`` have passed).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from canscope.model.bench import MAINS
from canscope.model.piece import Piece
from canscope.model.signals import Samples
from canscope.model.tables import Bools, Floats, Int64s

POLES = tuple(f"contactors.{pole}" for pole in MAINS)
SETTLE_NS = 200 * 10**6  # longest wait for a state to be seen again; common practice, no source
FAR = np.int64(2**62)


def settled(
    piece: Piece, role: str, since_ns: int, until_ns: int, rests_on: Sequence[str] = ()
) -> Samples:
    """A role's samples from ``since_ns`` on that can be judged before ``until_ns``."""
    samples = piece.back(role, since_ns)
    ready = samples.time_ns
    for other in (*POLES, *rests_on):
        ready = np.maximum(ready, next_of(piece, other, samples.time_ns)[0])
    ready = np.minimum(ready, samples.time_ns + SETTLE_NS)
    # Both columns never decrease, so what is ready comes first.
    return samples[: int(np.searchsorted(ready, until_ns))]


def stayed_closed(piece: Piece, times_ns: Int64s) -> Bools:
    """Instants with both poles closed, and not seen open when they were next seen in time."""
    closed: Bools = piece.at("@closed", times_ns).value == 1
    for pole in POLES:
        closed &= after(piece, pole, times_ns) != 0
    return closed


def after(piece: Piece, role: str, times_ns: Int64s) -> Floats:
    """A role's first value at or after these instants; NaN if none came in time."""
    next_ns, value = next_of(piece, role, times_ns)
    return np.where(next_ns <= times_ns + SETTLE_NS, value, np.nan)


def next_of(piece: Piece, role: str, times_ns: Int64s) -> tuple[Int64s, Floats]:
    """Stamp and value of a role's first sample at or after these instants; far away if none."""
    samples = piece.history.samples(role)
    index = samples.time_ns.searchsorted(times_ns)
    count = len(samples)
    if not count:
        return np.full(len(times_ns), FAR), np.full(len(times_ns), np.nan)
    row = np.minimum(index, count - 1)
    times, values = samples.time_ns[row], samples.value[row]
    if len(index) and index.max() == count:
        none = index == count
        times[none], values[none] = FAR, np.nan
    return times, values
