"""What was asked of a unit at an instant, as far as pedal and direction are bound and known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.bench import POLES, Bench, DriveUnit
from canscope.model.piece import Piece
from canscope.model.tables import Bools, Floats, Int64s

PEDAL, REQUEST = "driver.pedal", "driver.direction"
DEAD_V = 60.0  # a unit whose link is below it cannot drive: where no contactor is bound


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


def powered(piece: Piece, unit: DriveUnit, times_ns: Int64s) -> Bools:
    """Whether the unit can drive: not all poles are known to be open.

    Where a pole is not bound or not known, a link below ``DEAD_V`` says as much.
    """
    dead: Bools = piece.at(unit.role("link_voltage"), times_ns).value < DEAD_V
    roles = [role for pole in POLES if (role := _pole(piece, pole))]
    if not roles:
        return ~dead
    states = [piece.at(role, times_ns).value for role in roles]
    is_open = [(state == 0) | (np.isnan(state) & dead) for state in states]
    all_open: Bools = np.logical_and.reduce(is_open)
    return ~all_open


def _pole(piece: Piece, pole: str) -> str:
    """The role that says whether a pole is closed: its state, else its command."""
    names = (f"contactors.{pole}", f"contactors.{pole}.command")
    return next((name for name in names if piece.bench.has(name)), "")
