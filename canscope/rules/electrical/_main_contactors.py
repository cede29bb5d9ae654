"""Whether both main contactors really were closed when something was sampled.

A link loses its voltage as soon as a contactor opens, up to one sample before the state of the
contactor shows it. So a sample is judged only once both states, and the other roles it needs, were
seen again after it (or ``SETTLE_NS`` have passed).

A contact may be debounced, or its box be slow, so that its state comes ``LATE_NS`` later still. A
link that lies below the pack while no current flows has let go of it; whether a contact opened is
known only then. Under load nothing is forgiven: a sag shows its current.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from canscope.model.piece import Piece
from canscope.model.signals import Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules.shared.poles import MAIN_ROLES

SETTLE_NS = 200 * 10**6  # longest wait for a state to be seen again; common practice, no source
LATE_NS = 250 * 10**6  # a state may be so late for its contact; common practice, no source
REST_A = 2.0  # of the pack, within which no load takes the link down; likewise
FAR = np.int64(2**62)


def settled(
    piece: Piece,
    role: str,
    since_ns: int,
    until_ns: int,
    rests_on: Sequence[str] = (),
    share: float = 1.0,
) -> Samples:
    """A role's samples from ``since_ns`` on that can be judged before ``until_ns``.

    ``share`` as of ``let_go``; 1: however far it lies below the pack.
    """
    samples = piece.back(role, since_ns)
    gone = let_go(piece, samples, share)
    return samples[: count_settled(piece, samples.time_ns, until_ns, rests_on, gone)]


def count_settled(
    piece: Piece,
    times_ns: Int64s,
    until_ns: int,
    rests_on: Sequence[str] = (),
    gone: Bools | None = None,
) -> int:
    """How many of these samples, counted from the first, can be judged before ``until_ns``.

    ``gone``: which of them have let go of the pack, and wait for a late state.
    """
    sure, end = (int(n) for n in times_ns.searchsorted((until_ns - SETTLE_NS, until_ns)))
    times = times_ns[sure:end]  # those whose wait may end before ``until_ns``
    ready = times
    for pole in MAIN_ROLES:
        ready = np.maximum(ready, _told_ns(piece, pole, times))
    for other in rests_on:
        ready = np.maximum(ready, next_of(piece, other, times)[0])
    # Neither column decreases, so the ready ones come first.
    count = sure + int(np.minimum(ready, times + SETTLE_NS).searchsorted(until_ns))
    if gone is not None and gone[:count].any():
        rows = gone[:count].nonzero()[0]
        waits = _late_ns(piece, times_ns[rows]) >= until_ns
        count = int(rows[waits.argmax()]) if waits.any() else count
    return count


def let_go(piece: Piece, samples: Samples, share: float) -> Bools:
    """Which samples of a link lie below the pack by more than a share of it, with no current."""
    times = samples.time_ns
    if not len(times) or share >= 1.0:
        return np.zeros(len(times), np.bool_)
    low: Bools = samples.value < (1.0 - share) * piece.at("pack.voltage", times).value
    return low & idle(piece, times) if low.any() else low


def idle(piece: Piece, times_ns: Int64s) -> Bools:
    """At which instants the pack gave and took next to nothing."""
    return np.asarray(np.abs(piece.at("pack.current", times_ns).value) <= REST_A)


def opened_late(piece: Piece, times_ns: Int64s) -> Bools:
    """After which of these instants a pole read open before a late state had to."""
    opened = np.zeros(len(times_ns), np.bool_)
    end_ns = _late_ns(piece, times_ns)
    for pole in MAIN_ROLES:
        states = piece.history.samples(pole).known
        open_ns = states.time_ns[states.value == 0]
        opened |= open_ns.searchsorted(times_ns, "right") < open_ns.searchsorted(end_ns, "right")
    return opened


def _late_ns(piece: Piece, times_ns: Int64s) -> Int64s:
    """Until when a late state may still tell that a pole was open at these instants."""
    late = times_ns + LATE_NS
    told = late
    for pole in MAIN_ROLES:
        told = np.maximum(told, _told_ns(piece, pole, late))
    return np.minimum(told, late + SETTLE_NS)


def _told_ns(piece: Piece, pole: str, times_ns: Int64s) -> Int64s:
    """Stamp of a pole's first state at or after each instant; ``FAR`` if none."""
    states_ns = piece.history.samples(pole).known.time_ns
    return np.append(states_ns, FAR)[states_ns.searchsorted(times_ns)]


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
        states = piece.history.samples(pole).known
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
