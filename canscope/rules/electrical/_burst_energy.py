"""The energy of a burst, from rest to its highest speed: what the pack gave, what shafts took.

It needs no steady power, so that the gentlest spin is judged as well. What the pack gave is counted
over what it gave at rest, before and after: a converter's load and the offset of a current sensor
fall out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.bench import DriveUnit
from canscope.model.integral import integral
from canscope.model.median import median
from canscope.model.piece import Piece, S
from canscope.model.signals import Samples
from canscope.model.tables import Floats, Int64s
from canscope.rules.shared.driving import RAD_S
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.trust.high_voltage.switching_load import switching_load

VOLTAGE, CURRENT, BRAKE = "pack.voltage", "pack.current", "driver.brake"
SLOW, FAST = 0.2, 0.8  # of the highest speed: between them inertia is measured
REST_NS, APART_NS = 2 * S, S // 2  # how long the pack rests, and how far from the burst
STILL_RPM = 50.0  # common practice, no source


@dataclass(frozen=True)
class Energy:
    """Energies from rest to the highest speed, in J, and their uncertainties."""

    peak_ns: int
    pack_J: float
    pack_u: float
    shaft_J: float
    shaft_u: float
    kinetic_J: float  # of the units whose inertia is known; 0 if none is
    kinetic_u: float


def known_after_ns(end_ns: int) -> int:
    """When all that lies after a burst, and its energy rests on, has been seen."""
    return end_ns + APART_NS + REST_NS + 1


def energy(piece: Piece, start_ns: int, end_ns: int) -> Energy | None:
    """The energy of a burst in [start, end]; None where it does not begin and end at rest."""
    begin_ns = start_ns - APART_NS
    before = rest(piece, begin_ns)
    after = rest(piece, end_ns + APART_NS + REST_NS)
    if before is None or after is None:
        return None
    units = piece.bench.units
    speeds = {unit: _during(piece, unit.role("speed"), start_ns, end_ns) for unit in units}
    if any(not len(samples) for samples in speeds.values()):
        return None
    fastest = max(speeds.values(), key=lambda s: float(np.abs(s.value).max()))
    peak_ns = int(fastest.time_ns[np.argmax(np.abs(fastest.value))])
    current = _during(piece, CURRENT, begin_ns, peak_ns)
    if len(current) < 2:
        return None
    volts = piece.at(VOLTAGE, current.time_ns).value
    rest_A = (before[0] + after[0]) / 2
    pack_J, pack_edge = _integral(current, volts * (current.value - rest_A))
    lasts_s = (peak_ns - begin_ns) / S
    rest_u = abs(before[0] - after[0]) / 2 + max(before[1], after[1])
    if (levels := switching_load(piece, end_ns + APART_NS + REST_NS)) is not None:
        rest_u = max(rest_u, levels[1] - levels[0])
    pack_u = (rest_u + 2 * piece.bench.u(CURRENT)) * float(np.abs(volts).max()) * lasts_s
    pack_u += abs(pack_J) * piece.bench.u(VOLTAGE) / max(float(np.abs(volts).max()), 1.0)
    shaft_J = shaft_u = kinetic_J = kinetic_u = 0.0
    for unit in units:
        own_J, own_u = _shaft(piece, unit, begin_ns, peak_ns)
        shaft_J, shaft_u = shaft_J + own_J, shaft_u + own_u
        # Of the fastest it is the highest; another unit may speed up for longer.
        until = speeds[unit].between(start_ns, peak_ns + 1).value
        peak_rpm = float(np.abs(until[-1])) if len(until) else 0.0
        u_rpm = piece.bench.u(unit.role("speed"))
        if unit.inertia_kgm2:
            kinetic_J += unit.inertia_kgm2 * (peak_rpm * RAD_S) ** 2 / 2
            kinetic_u += unit.inertia_kgm2 * peak_rpm * u_rpm * RAD_S**2
    found = Energy(peak_ns, pack_J, pack_u + pack_edge, shaft_J, shaft_u, kinetic_J, kinetic_u)
    sums = (found.pack_J, found.pack_u, found.shaft_J, found.shaft_u)
    return None if np.isnan(sums).any() else found


def rest(piece: Piece, end_ns: int) -> tuple[float, float] | None:
    """The pack's current in 2 s of rest until then, and its drift; None where it did not rest."""
    begin_ns = end_ns - REST_NS
    if piece.bench.has(*MAIN_ROLES):
        closed = piece.at("@closed", end_ns)
        if closed.value[0] != 1 or closed.age_ns[0] < end_ns - begin_ns:
            return None
    for unit in piece.bench.units:
        speed = _during(piece, unit.role("speed"), begin_ns, end_ns)
        if not len(speed) or np.abs(speed.value).max() >= STILL_RPM:
            return None
    current = _during(piece, CURRENT, begin_ns, end_ns)
    if len(current) < 8 or current.time_ns[-1] - current.time_ns[0] < 0.8 * (end_ns - begin_ns):
        return None
    half = len(current) // 2
    early, late = median(current.value[:half]), median(current.value[half:])
    return median(current.value), abs(early - late)


def _during(piece: Piece, role: str, begin_ns: int, end_ns: int) -> Samples:
    return piece.history.samples(role).between(begin_ns, end_ns + 1).known


def _shaft(piece: Piece, unit: DriveUnit, begin_ns: int, end_ns: int) -> tuple[float, float]:
    """What a shaft took and the uncertainty, in J."""
    torque = _during(piece, unit.role("torque"), begin_ns, end_ns)
    if len(torque) < 2:
        return float("nan"), float("nan")
    omega = piece.at(unit.role("speed"), torque.time_ns).value * RAD_S
    done_J, edge = _integral(torque, torque.value * omega)
    u_W = np.abs(torque.value) * piece.bench.u(unit.role("speed")) * RAD_S
    u_W += np.abs(omega) * piece.bench.u(unit.role("torque"))
    return done_J, _integral(torque, u_W)[0] + edge


def _integral(samples: Samples, watt: Floats) -> tuple[float, float]:
    """The integral over time in J, and what one interval at its highest power is."""
    longest_s = float(np.diff(samples.time_ns).max()) / S
    return integral(watt, samples.time_ns), float(np.abs(watt).max()) * longest_s


def measured_inertia(
    piece: Piece, unit: DriveUnit, start_ns: int, end_ns: int
) -> tuple[float, float] | None:
    """Inertia that speed and torque of a burst amount to, in kg m2, and its uncertainty.

    Speeding up and coasting through the same speeds the drag is the same: what the torque differs
    by is the inertia times what the accelerations differ by. None where that cannot be told.
    """
    speed = _during(piece, unit.role("speed"), start_ns - APART_NS, end_ns + APART_NS + REST_NS)
    if len(speed) < 8:
        return None
    fast = np.abs(speed.value)
    top = int(np.argmax(fast))
    low, high = SLOW * fast[top], FAST * fast[top]
    below = np.flatnonzero(fast[: top + 1] < low)
    slowed = np.flatnonzero(fast[top:] < low) + top
    if not len(below) or not len(slowed):
        return None
    rows = np.array(
        [
            below[-1] + 1,
            below[-1] + 1 + np.argmax(fast[below[-1] + 1 : top + 1] >= high),
            np.flatnonzero(fast[: slowed[0]] >= high)[-1],
            slowed[0],
        ]
    )
    at = speed.time_ns[rows]
    if piece.bench.has(BRAKE):
        pressed = _during(piece, BRAKE, start_ns - APART_NS, int(at[3]))
        if not len(pressed) or (pressed.value == 1).any():
            return None
    sense = float(np.sign(speed.value[top]))
    up, down = _stroke(piece, unit, at[:2], sense), _stroke(piece, unit, at[2:], sense)
    if up is None or down is None:
        return None
    omega = fast[rows] * RAD_S
    rising, falling = (omega[1] - omega[0]) / up[1], (omega[2] - omega[3]) / down[1]
    if rising <= 0 or falling <= 0:
        return None
    inertia = (up[0] - down[0]) / (rising + falling)
    every_s = float(np.diff(speed.time_ns).max()) / S
    share = (rising * (every_s + up[2]) / up[1] + falling * (every_s + down[2]) / down[1]) / (
        rising + falling
    )
    u_Nm = 2 * piece.bench.u(unit.role("torque"))
    u_share = 4 * piece.bench.u(unit.role("speed")) * RAD_S / float(omega[1] - omega[0])
    return inertia, abs(inertia) * (share + u_share) + u_Nm / (rising + falling)


def _stroke(
    piece: Piece, unit: DriveUnit, ends_ns: Int64s, sense: float
) -> tuple[float, float, float] | None:
    """Mean torque along the motion, how long it took and the torque's longest interval, in s."""
    begin_ns, end_ns = (int(at) for at in ends_ns)
    torque = _during(piece, unit.role("torque"), begin_ns, end_ns)
    if len(torque) < 4:
        return None
    every_s = float(np.diff(torque.time_ns).max()) / S
    return sense * float(np.mean(torque.value)), (end_ns - begin_ns) / S, every_s
