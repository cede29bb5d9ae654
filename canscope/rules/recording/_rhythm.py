"""Messages that all leave their rhythm at one instant, and keep the new one: time was cut out.

A cyclic message keeps its beat: whatever is late or lost, the next frame comes a whole number of
cycles after the ones before. Where stretches of a recording were joined, or its clock was set, the
messages of nodes that know nothing of each other miss their beat in the same instant, each by its
own amount.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.bench import Bench
from canscope.model.piece import Piece
from canscope.model.tables import Int64s
from canscope.rules.recording._losses import Losses

NONE = np.zeros(0, np.int64)
# All common practice, no source.
MISSED = 0.15  # of a cycle, by which the beat is missed
STEADY = 0.4  # of that, at most, by which the intervals beside it miss theirs
BESIDE = 4  # of them before it, and as many after it
LONGEST = 3.5  # cycles: a longer interval is a silence, after which a node may begin anew
MOST = 6  # times in a run: a message that misses its beat more often has none
FEWEST = 3  # messages that have to miss theirs in one instant, of two nodes at least


@dataclass(frozen=True)
class Beat:
    """One message so far: its last stamps, and the intervals in which it missed its beat."""

    tail: tuple[int, ...] = ()
    missed: tuple[tuple[int, int], ...] = ()


Beats = tuple[tuple[str, Beat], ...]


def beats(known: Beats, losses: Losses, piece: Piece) -> Beats:
    """What is known of each message after a piece; ``losses`` after it know the cycles."""
    after = dict(known)
    for key, intervals in losses.intervals:
        beat = after.get(key, Beat())
        times = piece.arrivals.get(key, NONE)
        times = times[times.searchsorted(intervals.learned_ns) :]  # however the run is cut
        if piece.restarted(key):
            beat = replace(beat, tail=())
        if len(beat.missed) > MOST or not len(times) or intervals.cycle_ns is None:
            continue
        after[key] = _heard(beat, times, intervals.cycle_ns)
    return tuple(after.items())


def _heard(beat: Beat, new: Int64s, cycle_ns: int) -> Beat:
    """The beat after new stamps: an interval is judged when those after it have come."""
    times = np.concatenate((np.array(beat.tail, np.int64), new))
    ratio = np.diff(times) / cycle_ns
    off = np.abs(ratio - np.rint(ratio))
    off[ratio > LONGEST] = 1.0
    rows = np.flatnonzero((off >= MISSED) & (off < 1.0))
    rows = rows[(rows >= BESIDE) & (rows < len(off) - BESIDE)]
    missed = [
        (int(times[row]), int(times[row + 1]))
        for row in rows.tolist()
        if max(off[row - BESIDE : row].max(), off[row + 1 : row + 1 + BESIDE].max())
        <= STEADY * off[row]
    ]
    return Beat(tuple(times[-(2 * BESIDE + 1) :].tolist()), (*beat.missed, *missed)[: MOST + 1])


def cut_out(known: Beats, bench: Bench) -> Iterator[tuple[int, list[str]]]:
    """The instants at which messages of several nodes missed their beat, and those messages."""
    missed = sorted(
        (end_ns, start_ns, key)
        for key, beat in known
        if len(beat.missed) <= MOST
        for start_ns, end_ns in beat.missed
    )
    told_ns = -1
    for at_ns, _, _ in missed:
        # Each interval that this instant ends in; the first to end is shared by all of them.
        keys = [key for end_ns, start_ns, key in missed if start_ns < at_ns <= end_ns]
        nodes = {_node(bench, key) for key in keys}
        if len(keys) >= FEWEST and len(nodes) > 1 and at_ns > told_ns:
            told_ns = max(end_ns for end_ns, start_ns, _ in missed if start_ns < at_ns <= end_ns)
            yield at_ns, keys


def _node(bench: Bench, key: str) -> str:
    """A unit's name, or none: the vehicle's other messages may all be sent by one node."""
    words = bench.bound_messages[key][0].split(".")
    return words[1] if words[0] == "units" else ""
