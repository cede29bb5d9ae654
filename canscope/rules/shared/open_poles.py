"""When main contactors surely were open, although their states come late and seldom."""

from __future__ import annotations

import numpy as np

from canscope.model.piece import Piece
from canscope.model.tables import Bools, Int64s
from canscope.rules.shared.poles import MAIN_ROLES

PRECHARGE = "contactors.precharge"


def both_open(piece: Piece, times_ns: Int64s, before_ns: int, after_ns: int) -> Bools:
    """Instants at which both main poles last read open, and none read closed around them.

    A state comes a cycle or a debounce late, so ``before_ns`` and ``after_ns`` around each instant
    are looked at. An instant can be asked for once the piece has seen ``after_ns`` beyond it. A box
    that has fallen silent after it opened has opened: no coil is held by a silent box. One signal
    for both poles reads open while one of them is closed for pre-charging: pre-charge must then
    read open as well, where it is bound.
    """
    bench = piece.bench
    roles = (PRECHARGE,) if bench.poles_as_one and bench.has(PRECHARGE) else ()
    return _open(piece, (*MAIN_ROLES, *roles), times_ns, before_ns, after_ns)


def circuit_open(piece: Piece, times_ns: Int64s, before_ns: int, after_ns: int) -> Bools:
    """Likewise, that at least one main pole was open, and nothing led the current past it.

    Pre-charge leads past positive, so that positive alone opens the circuit only where pre-charge
    is bound and reads open as well.
    """
    found = both_open(piece, times_ns, before_ns, after_ns)
    if piece.bench.poles_as_one:
        return found
    found |= _open(piece, MAIN_ROLES[:1], times_ns, before_ns, after_ns)
    if piece.bench.has(PRECHARGE):
        found |= _open(piece, (MAIN_ROLES[1], PRECHARGE), times_ns, before_ns, after_ns)
    return found


def _open(
    piece: Piece, roles: tuple[str, ...], times_ns: Int64s, before_ns: int, after_ns: int
) -> Bools:
    """Instants at which all of these roles last read open, and none read closed around them."""
    clean = np.ones(len(times_ns), np.bool_)
    for role in roles if len(times_ns) else ():
        states = piece.history.samples(role).known
        row = states.time_ns.searchsorted(times_ns, "right") - 1
        clean &= row >= 0
        if not clean.any():
            return clean
        clean &= states.value[np.maximum(row, 0)] == 0
        near = states.between(int(times_ns[0]) - before_ns, int(times_ns[-1]) + after_ns + 1)
        shut_ns = near.time_ns[near.value == 1]
        if len(shut_ns):
            first = shut_ns.searchsorted(times_ns - before_ns)
            clean &= first == shut_ns.searchsorted(times_ns + after_ns, "right")
    return clean
