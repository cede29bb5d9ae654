"""The energy of a burst, from rest to its highest speed: what the pack gave, what shafts took.

It needs no steady power, so that the gentlest spin is judged as well. What the pack gave is counted
over what it gave at rest, before and after: a converter's load and the offset of a current sensor
fall out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.bench import DriveUnit
from canscope.model.median import median
from canscope.model.piece import Piece, S
from canscope.model.signals import Samples
from canscope.model.tables import Floats
from canscope.rules.shared.driving import RAD_S
from canscope.rules.shared.poles import MAIN_ROLES

VOLTAGE, CURRENT = "pack.voltage", "pack.current"
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
    pack_u = (rest_u + 2 * piece.bench.u(CURRENT)) * float(np.abs(volts).max()) * lasts_s
    pack_u += abs(pack_J) * piece.bench.u(VOLTAGE) / max(float(np.abs(volts).max()), 1.0)
    shaft_J = shaft_u = kinetic_J = kinetic_u = 0.0
    for unit in units:
        own_J, own_u = _shaft(piece, unit, begin_ns, peak_ns)
        shaft_J, shaft_u = shaft_J + own_J, shaft_u + own_u
        peak_rpm = float(np.abs(speeds[unit].value).max())
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
    seconds = np.diff(samples.time_ns) / S
    joule = float(np.sum((watt[1:] + watt[:-1]) / 2 * seconds))
    return joule, float(np.abs(watt).max() * seconds.max())
