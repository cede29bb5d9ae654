"""The first moments after a node wakes, in which what it sends is not meant yet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.differences import differences_from
from canscope.model.piece import Piece, S
from canscope.model.signals import NEVER
from canscope.model.tables import Bools, Int64s
from canscope.rules.shared.links import clocks_ns
from canscope.rules.shared.persistence import patience

WAKING_NS = S  # after its first frame; common practice, no source


@dataclass(frozen=True)
class Woken:
    """The last sample of a role, and the first one since it woke."""

    last_ns: int = int(NEVER)
    first_ns: int = int(NEVER)


def waking(piece: Piece, role: str, times_ns: Int64s, woken: Woken) -> tuple[Bools, Woken]:
    """Which of a role's new samples came as its node woke with all poles open; what to carry on.

    It woke at its first sample, and at the first one after more than three cycles of silence. On
    another bus than the contactors clocks may differ.
    """
    if not len(times_ns):
        return np.zeros(0, np.bool_), woken
    # Before the first one it was silent for longer than anything.
    begins = differences_from(woken.last_ns, times_ns) > patience(piece, role, times_ns)
    if times_ns[0] - woken.first_ns >= WAKING_NS and not begins.any():  # nearly always
        return np.zeros(len(times_ns), np.bool_), Woken(int(times_ns[-1]), woken.first_ns)
    first = np.where(begins, times_ns, np.int64(woken.first_ns))
    first = np.maximum.accumulate(first)
    fresh = times_ns - first < WAKING_NS
    if fresh.any():
        fresh &= piece.at("@engaged", times_ns - clocks_ns(piece.bench, role)).value != 1
    return fresh, Woken(int(times_ns[-1]), int(first[-1]))
