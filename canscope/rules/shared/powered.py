"""Can a unit drive? With all poles open a wheel that turns is turned by hand, or coasts.

A link that is still charged holds enough to turn a rotor: 45 J at 300 V and 1 mF turn 0.02 kgm^2 at
640 rpm.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.bench import POLES, SAFE_V, DriveUnit, Mark
from canscope.model.piece import Piece
from canscope.model.signals import NEVER
from canscope.model.tables import Bools, Int64s
from canscope.rules.shared.poles import MAIN_ROLES

DEAD_V = SAFE_V  # of a link, where a pole is not bound or not known


def powered(piece: Piece, unit: DriveUnit, times_ns: Int64s) -> Bools:
    """Whether the unit can drive: not all poles are known to be open, or its link is charged.

    Where a pole is not bound or not known, a link below ``DEAD_V`` says as much; so it does where
    one main pole reads open, as before a pre-charge. A box that has not been heard yet holds no
    coil.
    """
    return piece.once_at((powered, unit.name), times_ns, lambda: _powered(piece, unit, times_ns))


def seen_to_turn(piece: Piece) -> Iterator[tuple[DriveUnit, Mark]]:
    """Each new mark of a wheel that a person saw turn while its unit could drive."""
    units = {unit.name: unit for unit in piece.bench.units}
    for mark in piece.marks:
        unit = units.get(str(mark.axle))
        if unit is None or mark.seen not in ("forward", "reverse"):
            continue
        if powered(piece, unit, np.array([mark.time_ns], np.int64))[0]:
            yield unit, mark


def _powered(piece: Piece, unit: DriveUnit, times_ns: Int64s) -> Bools:
    dead: Bools = piece.at(unit.role("link_voltage"), times_ns).value < DEAD_V
    roles = [role for pole in POLES if (role := _pole(piece, pole))]
    if not roles:
        return ~dead
    states = [piece.at(role, times_ns).value for role in roles]
    is_open = [(state == 0) | (np.isnan(state) & dead) for state in states]
    all_open: Bools = np.logical_and.reduce(is_open)
    if any(np.isnan(state).any() for state in states):
        unheard = [piece.at(role, times_ns).sampled_ns == NEVER for role in roles]
        all_open = all_open | np.logical_and.reduce(unheard)
    live: Bools = piece.at(unit.role("link_voltage"), times_ns).value >= DEAD_V
    mains = [piece.at(role, times_ns).value for role in MAIN_ROLES if piece.bench.has(role)]
    for main in mains:
        all_open = all_open | ((main == 0) & dead)
    return ~all_open | live


def _pole(piece: Piece, pole: str) -> str:
    """The role that says whether a pole is closed: its state, else its command."""
    names = (f"contactors.{pole}", f"contactors.{pole}.command")
    return next((name for name in names if piece.bench.has(name)), "")
