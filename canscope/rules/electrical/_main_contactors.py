"""Whether both main contactors really were closed when something was sampled.

A link loses its voltage as soon as a contactor opens, up to one sample before the state of the
contactor shows it. So a sample is judged only once both states, and the other roles it needs, were
seen again after it (or ``SETTLE_NS`` have passed).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from canscope.model.piece import Piece
from canscope.model.signals import Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules.shared.poles import MAIN_ROLES

SETTLE_NS = 200 * 10**6  # longest wait for a state to be seen again; common practice, no source
FAR = np.int64(2**62)


def settled(
    piece: Piece, role: str, since_ns: int, until_ns: int, rests_on: Sequence[str] = ()
) -> Samples:
    """A role's samples from ``since_ns`` on that can be judged before ``until_ns``."""
    samples = piece.back(role, since_ns)
    return samples[: count_settled(piece, samples.time_ns, until_ns, rests_on)]


def count_settled(
    piece: Piece, times_ns: Int64s, until_ns: int, rests_on: Sequence[str] = ()
) -> int:
    """How many of these samples, counted from the first, can be judged before ``until_ns``."""
    sure, end = (int(n) for n in times_ns.searchsorted((until_ns - SETTLE_NS, until_ns)))
    times = times_ns[sure:end]  # those whose wait may end before ``until_ns``
    ready = times
    for other in (*MAIN_ROLES, *rests_on):
        ready = np.maximum(ready, next_of(piece, other, times)[0])
    # Neither column decreases, so the ready ones come first.
    return sure + int(np.minimum(ready, times + SETTLE_NS).searchsorted(until_ns))


def stayed_closed(piece: Piece, times_ns: Int64s) -> Bools:
    """Instants with both poles closed, and not seen open in their next samples."""
    closed: Bools = piece.at("@closed", times_ns).value == 1
    return closed & unopened(piece, times_ns) if closed.any() else closed


def unopened(piece: Piece, times_ns: Int64s) -> Bools:
    """Which of these instants, at all of which both poles were closed, no pole opened right after.

    ``times_ns`` is in time order.
    """
    still = np.ones(len(times_ns), np.bool_)
    for pole in MAIN_ROLES if len(times_ns) else ():
        states = piece.history.samples(pole)
        near = states.between(int(times_ns[0]), int(times_ns[-1]) + SETTLE_NS + 1)
        seen_ns, is_open = near.time_ns, near.value == 0
        if not is_open.any():
            continue
        # Where it was seen open already, an instant between the two had no pole closed.
        begins = is_open.copy()
        begins[1:] &= ~is_open[:-1]
        begins[:-1] |= is_open[:-1] & (seen_ns[1:] == seen_ns[:-1])
        rows = begins.nonzero()[0]
        since_ns = seen_ns[rows] - SETTLE_NS
        later = rows > 0
        since_ns[later] = np.maximum(since_ns[later], seen_ns[rows[later] - 1] + 1)
        count = np.bincount(times_ns.searchsorted(since_ns), minlength=len(times_ns) + 1)
        count -= np.bincount(times_ns.searchsorted(seen_ns[rows], "right"), minlength=len(count))
        still &= count.cumsum()[:-1] == 0
    return still


def after(piece: Piece, role: str, times_ns: Int64s) -> Floats:
    """A role's first value at or after these instants; NaN if none came within ``SETTLE_NS``."""
    next_ns, value = next_of(piece, role, times_ns)
    late = next_ns > times_ns + SETTLE_NS
    if late.any():
        value[late] = np.nan
    return value


def next_of(piece: Piece, role: str, times_ns: Int64s) -> tuple[Int64s, Floats]:
    """Stamp and value of a role's first sample at or after each instant; ``FAR``, NaN if none."""
    samples = piece.history.samples(role)
    index = piece.following(role, times_ns)
    count = len(samples)
    if not count:
        return np.full(len(times_ns), FAR), np.full(len(times_ns), np.nan)
    row = np.minimum(index, count - 1)
    times, values = samples.time_ns[row], samples.value[row]
    if len(index) and index.max() == count:
        none = index == count
        times[none], values[none] = FAR, np.nan
    return times, values
