"""Torque that drives, and power that drives or brakes."""

from __future__ import annotations

import numpy as np

from canscope.model.bench import DriveUnit
from canscope.model.piece import Piece
from canscope.model.signals import Samples
from canscope.model.tables import Floats, Int64s

RAD_S = 2 * np.pi / 60  # per rpm


def driving_Nm(piece: Piece, unit: DriveUnit, torque: Samples, still_rpm: float) -> Floats:
    """The driving torque of a unit at samples of its torque; NaN where the speed is not known.

    Torque along the motion is positive, braking torque negative; at standstill any torque counts as
    driving.
    """
    return piece.once_at(
        (driving_Nm, unit.name, still_rpm),
        torque.time_ns,
        lambda: _driving_Nm(piece, unit, torque, still_rpm),
    )


def _driving_Nm(piece: Piece, unit: DriveUnit, torque: Samples, still_rpm: float) -> Floats:
    speed_rpm = piece.at(unit.role("speed"), torque.time_ns).value
    still = np.abs(speed_rpm) < still_rpm
    return np.where(still, np.abs(torque.value), torque.value * np.sign(speed_rpm))


def shaft_W(piece: Piece, unit: DriveUnit, times_ns: Int64s) -> Floats:
    """A unit's shaft power at these instants, positive where it drives."""
    return piece.once_at((shaft_W, unit.name), times_ns, lambda: _shaft_W(piece, unit, times_ns))


def _shaft_W(piece: Piece, unit: DriveUnit, times_ns: Int64s) -> Floats:
    omega = piece.at(unit.role("speed"), times_ns).value * RAD_S
    return piece.at(unit.role("torque"), times_ns).value * omega


def shaft_u_W(piece: Piece, unit: DriveUnit, times_ns: Int64s) -> Floats:
    """The uncertainty of that power."""
    speed, torque = unit.role("speed"), unit.role("torque")
    omega = piece.at(speed, times_ns).value * RAD_S
    moment = piece.at(torque, times_ns).value
    return np.abs(moment) * piece.bench.u(speed) * RAD_S + np.abs(omega) * piece.bench.u(torque)
