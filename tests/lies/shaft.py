"""Speed and torque of a unit that its shaft does not have."""

from __future__ import annotations

import numpy as np

from canscope.simulate.messages import cycle_s
from canscope.simulate.shaft import RPM
from tests.lies.inputs import moved
from tests.lies.lies import Lie, Told, any_of, as_asked, kind, late_torque
from tests.lies.motion import one_burst


def _some(told: Told, name: str) -> list[str]:
    """One unit's signal of that name, or those of all units."""
    keys = told.keys(name)
    return keys if told.rng.random() < 0.4 else [any_of(told, keys)]


def smoothed(column: np.ndarray, tau_ms: float) -> np.ndarray:
    """First-order low-pass."""
    share, last, shown = 1 / tau_ms, float(column[0]), []
    for value in column.tolist():
        last += share * (value - last)
        shown.append(last)
    return np.array(shown)


def _fastest(told: Told, key: str) -> float:
    """How far the unit's speed goes from one reading to the next, at most."""
    unit = next(u.name for u in told.vehicle.units if u.channel == key.partition(":")[0])
    rows = round(1000 * cycle_s(told.vehicle, key))
    speed = told.truth.speed_rpm[unit]
    return float(np.abs(speed[rows:] - speed[:-rows]).max())


@kind("torque-dead")
def torque_dead(told: Told) -> Lie | None:
    """A torque that is always the same."""
    keys, level = _some(told, "Torque"), float(told.rng.choice([0.0, 0.0, 3.0, 12.0, -12.0]))
    for key in keys:
        told.put(key, np.full(told.rows, level), still=bool(told.rng.random() < 0.5))
    words = f"always {level:g} Nm"
    if not told.turning().any():  # nothing else ever was there
        return Lie("offset", ", ".join(keys), words, tuple(keys), level)
    return Lie("torque-dead", ", ".join(keys), words, tuple(keys))


@kind("torque-scale")
def torque_scale(told: Told) -> Lie | None:
    """A torque with a wrong factor or sign."""
    keys = _some(told, "Torque")
    factor = float(told.rng.choice([-1.0, -0.1, 0.05, 0.1, 0.3, 3.0, 6.0, 10.0]))
    for key in keys:
        told.put(key, told.seen[key] * factor)
    lie = "scale" if factor > 0 else "sign"
    return Lie(lie, ", ".join(keys), f"torque times {factor:g}", tuple(keys), factor)


@kind("torque-wrong")
def torque_wrong(told: Told) -> Lie | None:
    """A torque that is not the shaft's: late, without sign, the pedal's, held, the other unit's."""
    key, how = any_of(told, told.keys("Torque")), int(told.rng.integers(6))
    column = told.seen[key]
    if how == 0:
        ms = int(told.rng.choice([150, 400, 1500]))
        told.put(key, moved(column, ms))
        return late_torque(told, key, ms)
    if how == 1:
        shown, words = np.abs(column), "without its sign"
    elif how == 2:
        shown, words = 0.4 * told.seen["can0:Cabin.Pedal"], "in proportion to the pedal"
    elif how == 3:
        shown, last = column.copy(), 0.0
        for start in range(0, told.rows, 20_000):
            last = last or float(column[start])
            shown[start : start + 4000] = column[start]
        words = "held for 4 s in every 20 s"
    elif how == 4:
        others = [other for other in told.keys("Torque") if other != key]
        if not others:
            return None
        shown, words = told.seen[others[0]], "the other unit's"
    else:
        size = float(told.rng.choice([-8.0, -3.0, 3.0, 8.0]))
        told.put(key, column + size)
        return Lie("offset", key, f"{size:+g} Nm", (key,), size)
    told.put(key, shown)
    if how == 4 and as_asked(shown, column):
        return Lie("same-sensor", key, words, (key,))  # both were told to give about as much
    if not told.turning().any():  # in truth it gives none all along
        return Lie("offset", key, words, (key,), float(np.abs(shown - column).max()))
    return Lie("torque-wrong", key, words, (key,))


@kind("speed-wrong")
def speed_wrong(told: Told) -> Lie | None:
    """A speed that is late, offset, clipped, smoothed, without sign, coarse, dead near zero."""
    keys, how = _some(told, "MotorSpeed"), int(told.rng.integers(9))
    peak = max(float(np.abs(told.seen[key]).max()) for key in keys)
    if peak < 100 and how not in (0, 1):
        return None
    ms, size = int(told.rng.choice([80, 150, 300, 800])), float(told.rng.choice([5, 12, 20, 30]))
    size *= float(told.rng.choice([-1, 1]))
    level = float(told.rng.choice([0.4, 0.7, 0.9])) * peak
    level = level // 50 * 50
    tau = float(told.rng.choice([100, 400, 1500]))
    coarse = float(told.rng.choice([32, 64, 128]))
    ways = (
        (f"{size:+g} rpm", lambda c: c + size),
        (f"{size:+g} rpm while it stands", lambda c: np.where(np.abs(c) < 1, size, c)),
        (f"{ms} ms late", lambda c: moved(c, ms)),
        (f"clipped at {level:g} rpm", lambda c: np.clip(c, -level, level)),
        (f"smoothed over {tau:g} ms", lambda c: smoothed(c, tau)),
        ("without its sign", np.abs),
        (f"in steps of {coarse:g} rpm", lambda c: np.floor(c / coarse) * coarse),
        ("zero below 150 rpm", lambda c: np.where(np.abs(c) < 150, 0.0, c)),
        ("wraps at 512 rpm", lambda c: (c + 256) % 512 - 256),
    )
    words, change = ways[how]
    for key in keys:
        told.put(key, change(told.seen[key]))
    if how in (0, 1):
        return Lie("offset", ", ".join(keys), words, tuple(keys), size)
    if how == 2:
        return Lie("delay", ", ".join(keys), words, tuple(keys), ms / 1000)
    if how == 3:
        return Lie("clipped", ", ".join(keys), words, tuple(keys), 1 - level / peak)
    if how == 4:
        return Lie("smoothed", ", ".join(keys), words, tuple(keys), tau / 1000)
    if how == 6:  # its size: in what the shaft gains between two readings
        gains = [_fastest(told, key) for key in keys]
        return Lie("coarse", ", ".join(keys), words, tuple(keys), coarse / max(min(gains), 1e-3))
    return Lie("speed-wrong", ", ".join(keys), words, tuple(keys))


@kind("speed-held")
def speed_held(told: Told) -> Lie | None:
    """A speed that stops changing before a burst's end, and stays, comes back or falls to zero."""
    spins = list(told.script.spins)
    if not spins:
        return None
    spin, key = any_of(told, spins), any_of(told, told.keys("MotorSpeed"))
    at = round((spin.end_s - float(told.rng.uniform(-0.5, 1.5))) * 1000)
    ms = int(told.rng.choice([400, 1500, 5000, 10**6]))
    rows = slice(at, min(at + ms, told.rows))
    told.put(key, told.seen[key][at], rows, still=rows.stop == told.rows)
    return Lie("speed-held", key, f"held for {ms} ms from {at / 1000:.1f} s", (key,))


@kind("speed-gaps")
def speed_gaps(told: Told) -> Lie | None:
    """A speed that reads zero for moments while the unit turns."""
    key, every = any_of(told, told.keys("MotorSpeed")), int(told.rng.choice([200, 700]))
    rows = np.arange(told.rows) % every < 25
    told.put(key, np.where(rows, 0.0, told.seen[key]))
    return Lie("speed-gaps", key, f"zero for 25 ms every {every} ms", (key,))


@kind("burst-scale")
def burst_scale(told: Told) -> Lie | None:
    """In one burst alone a torque or a speed has another factor."""
    spin = one_burst(told)
    if spin is None or len(told.script.spins) < 2:
        return None
    key = any_of(told, told.keys("MotorSpeed", "Torque"))
    factor = float(told.rng.choice([0.3, 0.5, 1.3, 1.8, 3.0]))
    rows = slice(round(1000 * spin.start_s) - 300, round(1000 * spin.end_s) + 4000)
    told.put(key, told.seen[key][rows] * factor, rows)
    words = f"times {factor:g} in the burst at {spin.start_s:.1f} s"
    return Lie("burst-scale", key, words, (key,), factor)


@kind("torque-for-speed")
def torque_for_speed(told: Told) -> Lie | None:
    """Speed and torque of one unit bound exchanged: each shows the other in its own unit."""
    key = any_of(told, told.keys("MotorSpeed"))
    torque = key.replace("MotorSpeed", "Torque")
    speed, turns = told.seen[key], told.seen[torque]
    told.put(key, turns / RPM)
    told.put(torque, speed * RPM)
    return Lie("torque-for-speed", key, "speed and torque exchanged", (key, torque))
