"""What was asked of a unit at an instant, as far as pedal and direction are bound and known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.bench import Bench
from canscope.model.piece import Piece
from canscope.model.tables import Bools, Floats, Int64s

PEDAL, REQUEST = "driver.pedal", "driver.direction"


@dataclass(frozen=True, eq=False)
class Asked:
    """What was asked (one row an instant).

    ======== ======= ===================================================================
    column   dtype   meaning
    ======== ======= ===================================================================
    sense    float64 1 or -1: to turn that way; 0: not to turn; NaN: not known, or any way
    age_ns   int64   of the reading that says so
    neutral  bool    direction was neutral
    creeps   float64 the sense in which creeping is declared, else 0
    ======== ======= ===================================================================
    """

    sense: Floats
    age_ns: Int64s
    neutral: Bools
    creeps: Floats


def asked_at(piece: Piece, times_ns: Int64s, rest_percent: float) -> Asked:
    """What was asked at these instants.

    A pedal at rest asks for nothing, and neither does neutral, whatever the other one says. Where
    only one of the two is bound or known, it alone says what was asked.
    """

    pedal, request = piece.at(PEDAL, times_ns), piece.at(REQUEST, times_ns)
    rests, neutral = pedal.value <= rest_percent, request.value == 0
    way = np.where(neutral, np.nan, request.value)
    sense = np.where(rests | neutral, 0.0, way)
    age_ns = np.where(rests, pedal.age_ns, request.age_ns)
    age_ns = np.where(rests & neutral, np.minimum(pedal.age_ns, request.age_ns), age_ns)
    creeps = np.nan_to_num(np.where(rests & piece.bench.creep, way, 0.0))
    return Asked(sense, age_ns, neutral, creeps)


def says_what_is_asked(bench: Bench) -> tuple[str, ...]:
    """The roles that say it: those that are bound, else both, of which one is missing."""
    return tuple(role for role in (PEDAL, REQUEST) if bench.has(role)) or (PEDAL, REQUEST)
