"""Heat in a drive unit without coolant: winding and inverter plate soak into the case."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from canscope.simulate.script import Floats
from canscope.simulate.shaft import COPPER_W_NM2
from canscope.simulate.vehicle import UnitBuild

GRID_S = 0.05
WINDING_J_K, INVERTER_J_K, CASE_J_K = 420.0, 210.0, 1900.0
WINDING_W_K, INVERTER_W_K, ROOM_W_K = 12.0, 6.0, 1.5  # winding-case, inverter-case, case-room

Heat = Mapping[str, Floats]  # time_s, winding, inverter, case: columns on a grid of GRID_S


def warm_up(unit: UnitBuild, shaft: Floats, step_s: float, ambient_degC: float) -> Heat:
    """Temperatures in degC on a grid; ``shaft``: columns speed, torque and excited, a row a step.

    Three lumped bodies; a grid of 50 ms is far below their time constants (tens of seconds).
    """
    skip = round(GRID_S / step_s)
    torque, excited = shaft[::skip, 1], shaft[::skip, 2]
    copper = (excited * (unit.winding_loss_W + COPPER_W_NM2 * torque**2)).tolist()
    silicon = (excited * unit.inverter_loss_W).tolist()
    winding = inverter = case = ambient_degC + unit.start_K
    rows = []
    for into_winding, into_inverter in zip(copper, silicon, strict=True):
        rows.append((winding, inverter, case))
        out_w, out_i = WINDING_W_K * (winding - case), INVERTER_W_K * (inverter - case)
        out = ROOM_W_K * (case - ambient_degC)
        winding += GRID_S * (into_winding - out_w) / WINDING_J_K
        inverter += GRID_S * (into_inverter - out_i) / INVERTER_J_K
        case += GRID_S * (out_w + out_i - out) / CASE_J_K
    table = np.array(rows)
    names = ("winding", "inverter", "case")
    grid = {"time_s": np.arange(len(rows)) * GRID_S}
    return grid | {name: table[:, i] for i, name in enumerate(names)}
