"""What a torque reads where no inverter can give any: the zero of its estimator, and its noise.

With all poles open there is no torque. What it reads then, and went on to read, is no torque later
either. All thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.history import History, step_at
from canscope.model.median import median, scatter
from canscope.model.tables import SECOND_NS

FIRST = 32  # readings with all poles open, whose median is the zero
WAKING_NS = SECOND_NS  # after the first reading: what a node sends then is not meant yet
MOST_NM = 3.0  # a zero is not further off, nor its noise wider


@dataclass(frozen=True)
class TorqueZero:
    """The first readings of a torque with all poles open, and what they say once there are enough.

    ``first_ns`` is when it was first read at all. ``zero_Nm`` and ``scatter_Nm`` (a standard
    deviation) stay 0 where the readings are too few, or say more than an estimator's zero does.
    """

    first_ns: int | None = None
    waiting: tuple[float, ...] = ()
    zero_Nm: float = 0.0
    scatter_Nm: float = 0.0


NO_ZERO = TorqueZero()


def follow_zero(
    known: TorqueZero, history: History, role: str, from_ns: int, until_ns: int
) -> TorqueZero:
    """The same with the readings of a stretch that begins where the last one ended."""
    if len(known.waiting) == FIRST:
        return known
    new = history.samples(role).between(from_ns, until_ns).known
    if not len(new):
        return known
    first_ns = int(new.time_ns[0]) if known.first_ns is None else known.first_ns
    meant = new.time_ns - first_ns >= WAKING_NS
    meant &= step_at(history.samples("@engaged"), new.time_ns) == 0
    waiting = (*known.waiting, *new.value[meant].tolist())[:FIRST]
    if len(waiting) < FIRST:
        return TorqueZero(first_ns, waiting)
    zero_Nm, scatter_Nm = median(waiting), scatter(np.array(waiting))
    if abs(zero_Nm) > MOST_NM or scatter_Nm > MOST_NM:
        return TorqueZero(first_ns, waiting)
    return TorqueZero(first_ns, waiting, zero_Nm, scatter_Nm)
