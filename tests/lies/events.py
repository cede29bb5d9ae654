"""What must not happen at any time of a run, told in a run in which it did not happen.

Each lasts for so long that the signal's own cycle shows it.
"""

from __future__ import annotations

import numpy as np

from canscope.simulate.messages import cycle_s
from tests.lies.lies import Lie, Told, kind


def _shown(told: Told, keys: list[str], start_s: float, length_s: float) -> slice | None:
    """Rows from then on, long enough for two frames of each signal; None if the run has ended."""
    length_s = max(length_s, 2.2 * max(cycle_s(told.vehicle, key) for key in keys))
    start, stop = round(start_s * 1000), round((start_s + length_s) * 1000)
    return slice(start, stop) if 0 < start < stop < told.rows - 400 else None


def _changes(told: Told) -> tuple[float, float, float]:
    """When negative first closed, when both poles last opened, and the key-off, in s."""
    negative, closed = told.truth.closed["negative"] > 0, told.closed()
    opened = max(np.flatnonzero(negative)[-1], np.flatnonzero(told.truth.closed["positive"])[-1])
    off_s = told.script.first("ignition", 0.0)
    return float(np.argmax(negative)) / 1000, float(opened) / 1000, off_s if closed.any() else 0.0


def _put(told: Told, keys: list[str], rows: slice | None, level: float | np.ndarray) -> bool:
    if rows is None or not keys:
        return False
    for key in keys:
        told.put(key, np.broadcast_to(level, rows.stop - rows.start), rows)
    return True


@kind("live-again")
def live_again(told: Told) -> Lie | None:
    """The links return to pack voltage after they had discharged, with both poles open."""
    keys = told.keys("LinkVoltage")
    _, opened_s, _ = _changes(told)
    low = np.flatnonzero(told.truth.link_V[round(opened_s * 1000) :] < 40)
    if not len(low):
        return None
    start_s = opened_s + low[0] / 1000 + float(told.rng.uniform(0.5, 1.0))
    length_s = float(told.rng.choice([0.1, 0.4, 2.0]))
    done = _put(told, keys, _shown(told, keys, start_s, length_s), float(told.truth.pack_V[0]))
    return (
        Lie("live-again", ", ".join(keys), f"for {length_s:g} s at {start_s:.1f} s")
        if done
        else None
    )


@kind("current-before")
def current_before(told: Told) -> Lie | None:
    """A current flows before any pole closes, or after both have opened."""
    keys = told.keys("PackCurrent")
    closed_s, opened_s, _ = _changes(told)
    start_s = closed_s - 1.2 if told.rng.random() < 0.5 else opened_s + 0.9
    amps = float(told.rng.choice([-25.0, 4.5, 25.0]))
    done = _put(told, keys, _shown(told, keys, start_s, 0.3), amps)
    return (
        Lie("current-before", ", ".join(keys), f"{amps:g} A at {start_s:.1f} s") if done else None
    )


@kind("pack-collapses")
def pack_collapses(told: Told) -> Lie | None:
    """Pack and links collapse at rest, with both poles closed."""
    keys = told.keys("PackVoltage", "LinkVoltage")
    rest = np.flatnonzero(told.closed() & ~told.turning())
    rest = rest[(rest > rest[0] + 1500) & (rest < rest[-1] - 3000)] if len(rest) else rest
    if not len(rest):
        return None
    start_s = float(told.rng.choice(rest)) / 1000
    share = float(told.rng.choice([0.5, 0.75]))
    rows = _shown(told, keys, start_s, float(told.rng.choice([0.1, 1.0])))
    done = _put(told, keys, rows, share * float(told.truth.pack_V[0]))
    return (
        Lie("pack-collapses", ", ".join(keys), f"to {share:.0%} at {start_s:.1f} s")
        if done
        else None
    )


@kind("supply-sinks")
def supply_sinks(told: Told) -> Lie | None:
    """The 12 V sinks slowly until key-off, to 8 V."""
    keys = told.keys("ControlVoltage")
    _, _, off_s = _changes(told)
    rows = slice(6000, min(round(off_s * 1000), told.rows - 400))
    if not keys or rows.stop < rows.start:
        return None
    _put(told, keys, rows, np.linspace(13.0, 8.0, rows.stop - rows.start))
    return Lie("supply-sinks", ", ".join(keys), "from 13 to 8 V until key-off", tuple(keys))


@kind("stop-pressed")
def stop_pressed(told: Told) -> Lie | None:
    """The stop button reads pressed while poles stay closed: a moment, long, or from the first."""
    keys, shut = told.keys("EmergencyStop"), np.flatnonzero(told.closed())
    if not keys or not len(shut):
        return None
    if told.rng.random() < 0.3:
        rows: slice | None = slice(0, int(shut[0]) + 3000)
    else:
        at_s = float(told.rng.choice(shut)) / 1000
        rows = _shown(told, keys, at_s, float(told.rng.choice([0.1, 3.0])))
        if rows is not None and not told.closed()[rows].all():
            return None  # it may well be pressed with the poles open
    done = _put(told, keys, rows, 1.0)
    return Lie("stop-pressed", ", ".join(keys), f"in rows {rows}") if done else None


@kind("turns-at-rest")
def turns_at_rest(told: Told) -> Lie | None:
    """In power-up a unit turns with the poles closed."""
    keys, shut = told.keys("MotorSpeed"), np.flatnonzero(told.closed())
    if told.script.spins or not keys or not len(shut):
        return None
    key = [keys[told.rng.integers(len(keys))]]
    at_s = float(told.rng.integers(shut[0] + 500, shut[0] + 20_000)) / 1000
    rpm = float(told.rng.choice([-400.0, 120.0, 180.0]))
    done = _put(told, key, _shown(told, key, at_s, float(told.rng.choice([0.1, 1.0]))), rpm)
    return Lie("turns-at-rest", key[0], f"at {rpm:g} rpm at {at_s:.1f} s") if done else None
