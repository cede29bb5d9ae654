"""Frames that were sent and are not in the recording: what counters and intervals say of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.model.bench import Bench, Binding
from canscope.model.cycle import LEARNED_FROM, SETTLES_NS, UNLEARNED_NS
from canscope.model.piece import Piece
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules.recording._stamps import ALL_CLEAR, Stamps, unclear
from canscope.trust.samples.sent_order import Waiting, in_order

NONE = np.zeros(0, np.int64)
GAP_CYCLES = 1.5  # a longer way between two counts leaves room for a lost frame
CLOSE = 0.25  # of a cycle, by which an interval of several cycles may miss their number
FULL = 0.7  # of a cycle: a shorter neighbour means that a frame was late, not lost
FEWEST = 3  # missing frames that intervals alone do not prove
SELDOM = 1000  # frames of which one may be missing without a counter
AROUND = 3  # intervals before and after, of which one has to be of a single cycle
BEFORE = 5  # intervals before that have to be of whole cycles as well: stamps that are not late
MOST_CYCLES = 3  # a longer interval is a silence
RESTART_CYCLES = 10  # no node restarts sooner
# All of these: common practice, no source.


@dataclass(frozen=True)
class Intervals:
    """One message so far: how many frames came, and how many its intervals say are missing.

    ``tail`` are its last stamps, ``open`` how many intervals among them are not judged yet.
    """

    stated: bool
    cycle_ns: int | None
    tail: tuple[int, ...] = ()
    open: int = 0
    settled_ns: int | None = None  # from when on intervals are learned from
    learned_ns: int = 0  # from when on the cycle is known
    learning: tuple[int, ...] = ()
    heard: int = 0
    missing: int = 0
    stamps: Stamps = ALL_CLEAR

    @property
    def doubted(self) -> bool:
        """Whether frames would be missing, did its stamps not come late or in batches."""
        return self.stamps.unclear and self.missing > max(FEWEST, self.heard / SELDOM)


@dataclass(frozen=True)
class Counted:
    """One rolling counter so far."""

    time_ns: int | None = None
    raw: int = 0
    frames: int = 0
    lost: int = 0
    waiting: Waiting = field(default_factory=Waiting)


@dataclass(frozen=True)
class Losses:
    """All messages so far, by message key, and all counters, by role; pairs, so it can be a key."""

    intervals: tuple[tuple[str, Intervals], ...] = ()
    counted: tuple[tuple[str, Counted], ...] = ()


@dataclass(frozen=True, eq=False)
class Growth:
    """Instants at which more frames of a message turned out to be missing, and how many by then.

    ``unclear``: its stamps come late or in batches, and may look so with all frames there.
    """

    time_ns: Int64s
    missing: Int64s
    heard: Int64s
    unclear: Bools | None = None

    @property
    def allowed(self) -> Floats:
        """How many may be missing by intervals alone after so many frames."""
        return np.maximum(float(FEWEST), self.heard / SELDOM)

    @property
    def beyond(self) -> Bools:
        """Where the number is surely more than allowed."""
        more: Bools = self.missing > self.allowed
        return more if self.unclear is None else more & ~self.unclear


def begin(bench: Bench) -> Losses:
    """Nothing heard yet."""
    messages = {}
    for key, roles in bench.bound_messages.items():
        bindings = [bench.bindings[role] for role in roles]
        if all(binding.signal.multiplexer for binding in bindings):
            continue  # its frames carry other values in between
        cycle = next((b.cycle_ns for b in bindings if b.cycle_ns), None)
        messages[key] = Intervals(cycle is not None, cycle)
    counters = {role: Counted() for role in bench.bindings if role.endswith(".alive")}
    return Losses(tuple(messages.items()), tuple(counters.items()))


def follow(losses: Losses, piece: Piece) -> tuple[Losses, Mapping[str, Growth]]:
    """The losses after this piece, and the messages of which more turned out to be missing.

    What a counter says of its message stands under the message's key with a # behind.
    """
    return piece.once((follow, losses), lambda: _follow(losses, piece))


def _follow(losses: Losses, piece: Piece) -> tuple[Losses, Mapping[str, Growth]]:
    grown: dict[str, Growth] = {}
    intervals, counted = dict(losses.intervals), dict(losses.counted)
    for key, known in losses.intervals:
        times = piece.arrivals.get(key, NONE)
        if piece.restarted(key):
            intervals[key] = known = replace(known, tail=(), open=0)
        if len(times):
            intervals[key], found = _heard(known, times)
            if found is not None:
                grown[key] = found
    for role, count in losses.counted:
        key = piece.bench.bindings[role].signal.message_key
        if piece.restarted(key):
            count = replace(count, time_ns=None, waiting=Waiting(moved=count.waiting.moved))
        counted[role], found = _counts(count, role, piece)
        if found is not None:
            grown[f"{key}#"] = found
    return Losses(tuple(intervals.items()), tuple(counted.items())), grown


def lost_over_gap(
    way: Int64s, step: Int64s, now: Int64s, cycle: Int64s, binding: Binding
) -> Int64s:
    """How many frames each step of a counter proves lost: it went on as if they had been there.

    A node that paused goes on by one, and one that restarted begins anew, at any count.
    """
    modulus = binding.modulus
    lost = (step - 1) % modulus
    room = np.rint(way / cycle).astype(np.int64) - 1
    proven = (way > GAP_CYCLES * cycle) & (lost > 0) & (way <= modulus * cycle)
    proven &= np.abs(lost - room) <= np.maximum(1, room // 4)
    proven &= (room < RESTART_CYCLES) | (now > 1)
    return np.where(proven, lost, 0)


def _counts(count: Counted, role: str, piece: Piece) -> tuple[Counted, Growth | None]:
    binding, samples = piece.bench.bindings[role], piece[role]
    last = None if count.time_ns is None else count.raw
    times, raw, waiting = in_order(
        count.waiting, samples.time_ns, samples.raw, last, binding.modulus, piece.until_ns
    )
    count = replace(count, waiting=waiting)
    if not len(times):
        return count, None
    after = replace(
        count, time_ns=int(times[-1]), raw=int(raw[-1]), frames=count.frames + len(times)
    )
    if count.time_ns is not None:
        times = np.concatenate((np.array([count.time_ns]), times))
        raw = np.concatenate((np.array([count.raw]), raw))
    way, step = np.diff(times), np.diff(raw) % binding.modulus
    cycle = piece.history.cycle_ns(role, times[1:])
    known = (cycle != UNLEARNED_NS) | (binding.cycle_ns is not None)
    lost = np.where(known, lost_over_gap(way, step, raw[1:], cycle, binding), 0)
    if binding.cycle_ns is None:  # a cycle learned from every second frame is two
        near = known & (way <= GAP_CYCLES * cycle) & (step > 1) & (step <= MOST_CYCLES)
        lost = np.where(near, step - 1, lost)
    rows = np.flatnonzero(lost)
    if not len(rows):
        return after, None
    total = count.lost + np.cumsum(lost)
    first = count.frames + (2 if count.time_ns is None else 1)  # the first of two makes no step
    heard = first + np.arange(len(lost))
    return replace(after, lost=int(total[-1])), Growth(times[1:][rows], total[rows], heard[rows])


def _heard(known: Intervals, new: Int64s) -> tuple[Intervals, Growth | None]:
    """Judge the intervals whose neighbours have come."""
    if known.cycle_ns is None:
        return _learned(known, new)
    before = len(known.tail)
    times = np.concatenate((np.array(known.tail, np.int64), new))
    interval = np.diff(times)
    reach = 1 if known.stated else AROUND
    first = max(before - 1, 0) - known.open
    last = len(interval) - reach  # exclusive
    after = replace(
        known,
        heard=known.heard + len(new),
        tail=tuple(times[-(BEFORE + AROUND + 2) :].tolist()),
        open=len(interval) - max(last, first),
    )
    late: Bools | None = None
    if len(interval):
        new_ns = times[max(before - 1, 0) :]
        stamps, late = unclear(known.stamps, known.cycle_ns, new_ns, batches=not known.stated)
        after = replace(after, stamps=stamps)
    if last <= first:
        return after, None
    rows = np.arange(first, last)
    cycle = known.cycle_ns
    rows = rows[(interval[rows] > (2 - CLOSE) * cycle)]
    if not len(rows):
        return after, None
    rows = rows[_missing(interval, rows, cycle, known.stated)]
    if not len(rows):
        return after, None
    missing = known.missing + np.cumsum(np.rint(interval[rows] / cycle).astype(np.int64) - 1)
    heard = known.heard - before + rows + 2
    if late is not None:
        late = late[rows + reach - max(before - 1, 0)]
    grown = Growth(times[rows + 1 + reach], missing, heard, late)
    return replace(after, missing=int(missing[-1])), grown


def _missing(interval: Int64s, rows: Int64s, cycle_ns: int, stated: bool) -> Bools:
    """Which of these intervals are whole cycles with nothing made up for beside them."""
    ratio = interval[rows] / cycle_ns
    number = np.rint(ratio)
    whole = (np.abs(ratio - number) <= CLOSE) & (number <= MOST_CYCLES)
    whole &= interval[rows + 1] >= FULL * cycle_ns
    # Where stamps are late at random, some intervals are of whole cycles by chance.
    every = interval / cycle_ns
    odd = (np.abs(every - np.rint(every)) > CLOSE) | (every < FULL)
    odd_by = np.concatenate((np.zeros(1, np.int64), np.cumsum(odd)), dtype=np.int64)
    whole &= odd_by[rows] == odd_by[np.maximum(rows - BEFORE, 0)]
    if stated:
        return whole
    # A node that slowed down has no single cycles any more.
    single = np.abs(interval / cycle_ns - 1) <= CLOSE
    total: Int64s = np.concatenate((np.zeros(1, np.int64), np.cumsum(single)), dtype=np.int64)
    before = total[rows] - total[np.maximum(rows - AROUND, 0)]
    after = total[rows + 1 + AROUND] - total[rows + 1]
    found: Bools = whole & (before > 0) & (after > 0)
    return found


def _learned(known: Intervals, new: Int64s) -> tuple[Intervals, Growth | None]:
    """Learn the cycle where nobody states it: a single one, also if many frames are missing."""
    settled_ns = int(new[0]) + SETTLES_NS if known.settled_ns is None else known.settled_ns
    early = int(np.searchsorted(new, settled_ns))
    known = replace(known, settled_ns=settled_ns, heard=known.heard + early)
    new = new[early:]
    times = np.array([*known.learning, *new[: LEARNED_FROM + 1 - len(known.learning)]], np.int64)
    rest = new[len(times) - len(known.learning) :]
    if len(times) <= LEARNED_FROM:
        return replace(known, learning=tuple(times.tolist()), heard=known.heard + len(new)), None
    interval = np.sort(np.diff(times))
    cycle = max(int(interval[LEARNED_FROM // 4]), 1)
    ready = replace(
        known,
        cycle_ns=cycle,
        learning=(),
        learned_ns=int(times[-1]),
        tail=(int(times[-1]),),
        heard=known.heard + len(new) - len(rest),
    )
    return _heard(ready, rest) if len(rest) else (ready, None)
