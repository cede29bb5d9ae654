"""Motion that nobody asked for, or that did not come: burst by burst, in the unit's own speed.

Each lie leaves the other bursts as they were, so that a rule which is content with the best stretch
passes it.
"""

from __future__ import annotations

import numpy as np

from canscope.simulate.script import FORWARD, Spin
from tests.lies.lies import Lie, Told, any_of, kind

BACK_S = 2.5  # how long a change of the speed lasts, about


def _unit(told: Told) -> tuple[str, str]:
    """One unit and its speed's key."""
    key = any_of(told, told.keys("MotorSpeed"))
    unit = next(u for u in told.vehicle.units if key.startswith(f"{u.channel}:"))
    return unit.name, key


def one_burst(told: Told) -> Spin | None:
    """One burst; the last one as often as all others together."""
    spins = list(told.script.spins)
    if not spins:
        return None
    return spins[-1] if told.rng.random() < 0.5 else any_of(told, spins)


def _along(told: Told, name: str, spin: Spin) -> float:
    """The unit's own sign of motion in a burst."""
    return told.truth.raw_sign[name] * (1.0 if spin.direction == FORWARD else -1.0)


def _hump(length: int, ramp: int = 150) -> np.ndarray:
    """Up within ``ramp`` milliseconds, held, and down again."""
    rows = np.arange(length)
    return np.clip(np.minimum(rows, length - 1 - rows) / ramp, 0, 1)


@kind("burst-against")
def burst_against(told: Told) -> Lie | None:
    """In one burst an axle creeps, or turns, against the request."""
    spin = one_burst(told)
    if spin is None:
        return None
    name, key = _unit(told)
    rpm = float(told.rng.choice([32, 40, 48, 90, 300]))
    rows = slice(round(spin.start_s * 1000), round(spin.end_s * 1000) + 1500)
    column = -_along(told, name, spin) * rpm * _hump(rows.stop - rows.start)
    told.put(key, column, rows)
    return Lie("burst-against", key, f"{rpm:g} rpm against the request at {spin.start_s:.1f} s")


@kind("burst-kick")
def burst_kick(told: Told) -> Lie | None:
    """A burst begins with a kick the other way."""
    spin = one_burst(told)
    if spin is None:
        return None
    name, key = _unit(told)
    rpm, ms = float(told.rng.choice([80, 150, 250])), int(told.rng.choice([150, 250, 400]))
    at = round(spin.start_s * 1000)
    kick = -_along(told, name, spin) * rpm * np.sin(np.linspace(0, np.pi, ms))
    rest = told.seen[key][at : told.rows - ms].copy()
    told.put(key, np.concatenate((kick, rest)), slice(at, told.rows))
    return Lie("burst-kick", key, f"{rpm:g} rpm the other way for {ms} ms at {spin.start_s:.1f} s")


@kind("burst-still")
def burst_still(told: Told) -> Lie | None:
    """An axle stands still in one burst, though its torque is there."""
    spin = one_burst(told)
    if spin is None:
        return None
    _, key = _unit(told)
    rows = slice(round(spin.start_s * 1000) - 100, round(spin.end_s * 1000) + 6000)
    told.put(key, np.zeros(rows.stop - rows.start), rows)
    return Lie("burst-still", key, f"stands in the burst at {spin.start_s:.1f} s")


@kind("runs-up")
def runs_up(told: Told) -> Lie | None:
    """An axle runs up by itself, long after a burst or before any."""
    spin = one_burst(told)
    if spin is None:
        return None
    _, key = _unit(told)
    late_s = float(told.rng.choice([3.5, 5.0, 7.0]))
    rpm, sense = float(told.rng.choice([35, 60, 200, 700])), float(told.rng.choice([-1, 1]))
    ms = int(told.rng.choice([500, 1000, 4000]))
    at = round((spin.end_s + late_s) * 1000)
    ramp = max(150, round(rpm))
    told.put(key, sense * rpm * _hump(ms, min(ramp, ms // 3)), slice(at, at + ms))
    return Lie("runs-up", key, f"to {rpm:g} rpm for {ms} ms, {late_s:g} s after release")


@kind("speeds-up")
def speeds_up(told: Told) -> Lie | None:
    """An axle speeds up after the pedal was released, then coasts; its torque says next to none."""
    spin = one_burst(told)
    if spin is None:
        return None
    _, key = _unit(told)
    gain, ms = float(told.rng.choice([1.15, 1.5, 2.5])), int(told.rng.choice([1500, 3000]))
    at = round(spin.end_s * 1000) + 200
    before = told.seen[key][at]
    rise = np.linspace(before, gain * before, ms)
    fall = np.linspace(gain * before, 0, 1500)
    column = np.concatenate((rise, fall))
    told.put(key, column, slice(at, at + len(column)))
    torque = key.replace("MotorSpeed", "Torque")
    claim = float(told.rng.choice([0.2, 4.0])) * np.sign(before)
    told.put(torque, np.full(len(column), claim), slice(at, at + len(column)))
    return Lie("speeds-up", key, f"to {gain:g} of its speed within {ms} ms after release")


@kind("turns-on")
def turns_on(told: Told) -> Lie | None:
    """After a burst an axle falls to some speed and keeps it, without a jump."""
    spin = one_burst(told)
    if spin is None:
        return None
    _, key = _unit(told)
    share, ms = float(told.rng.choice([0.15, 0.5, 0.9])), int(told.rng.choice([4000, 7000]))
    at = round(spin.end_s * 1000) + 200
    before = told.seen[key][at]
    level = before * share
    column = np.concatenate((np.linspace(before, level, 500), np.full(ms, level)))
    column = np.concatenate((column, np.linspace(level, 0, 500)))
    told.put(key, column, slice(at, at + len(column)))
    return Lie("turns-on", key, f"at {share:g} of its speed for {ms} ms after release")


@kind("old-sense")
def old_sense(told: Told) -> Lie | None:
    """In one burst an axle turns in the other sense, as it did before the change of direction."""
    spin = one_burst(told)
    if spin is None:
        return None
    _, key = _unit(told)
    rows = slice(round(spin.start_s * 1000) - 50, round(spin.end_s * 1000) + 4000)
    told.put(key, -told.seen[key][rows], rows)
    return Lie("old-sense", key, f"in the burst at {spin.start_s:.1f} s")


@kind("driven-unasked")
def driven_unasked(told: Told) -> Lie | None:
    """Selector or pedal say, for one burst, that nobody asked for it."""
    spin = one_burst(told)
    if spin is None:
        return None
    rows = slice(round(spin.start_s * 1000) - 800, round(spin.end_s * 1000) + 1500)
    if told.rng.random() < 0.5:
        told.put("can0:Cabin.Direction", np.zeros(rows.stop - rows.start), rows)
        return Lie("driven-unasked", "Direction", f"neutral in the burst at {spin.start_s:.1f} s")
    for key in told.keys("Pedal", "Pedal2"):
        told.put(key, np.full(rows.stop - rows.start, 0.6), rows)
    return Lie("driven-unasked", "Pedal", f"at rest in the burst at {spin.start_s:.1f} s")
