"""The driver's inputs: a pedal, a brake or a lever that says what nobody did."""

from __future__ import annotations

import numpy as np

from canscope.simulate.script import FORWARD, NEUTRAL, REVERSE
from tests.lies.lies import Lie, Told, any_of, kind, repeats_at_rest
from tests.lies.motion import one_burst

PEDALS = ("Pedal", "Pedal2")
BRAKE, DIRECTION, PEDAL = "can0:Cabin.BrakePressed", "can0:Cabin.Direction", "can0:Cabin.Pedal"
UNLISTED = 3  # of the two bits of Direction


def moved(column: np.ndarray, ms: int) -> np.ndarray:
    """The column so much later, or earlier."""
    rows = np.clip(np.arange(len(column)) - ms, 0, len(column) - 1)
    return column[rows]


@kind("pedal-dead")
def pedal_dead(told: Told) -> Lie | None:
    """A pedal, or both its tracks, that stays at rest."""
    keys = told.keys(*PEDALS)
    keys = keys if told.rng.random() < 0.6 else [any_of(told, keys)]
    for key in keys:
        told.put(key, np.full(told.rows, told.seen[key][0]), still=bool(told.rng.random() < 0.5))
    return Lie("pedal-dead", ", ".join(keys), "at rest all the time", tuple(keys))


@kind("pedal-late")
def pedal_late(told: Told) -> Lie | None:
    """A pedal that is late, on one track or on both."""
    keys, ms = told.keys(*PEDALS), int(told.rng.choice([200, 500, 1500]))
    keys = keys if told.rng.random() < 0.6 else [any_of(told, keys)]
    for key in keys:
        told.put(key, moved(told.seen[key], ms))
    return Lie("delay", ", ".join(keys), f"{ms} ms late", tuple(keys), ms / 1000)


@kind("pedal-burst")
def pedal_burst(told: Told) -> Lie | None:
    """In one burst the pedal stays where it rested."""
    spin = one_burst(told)
    if spin is None:
        return None
    rows = slice(round(spin.start_s * 1000) - 100, round(spin.end_s * 1000) + 300)
    for key in told.keys(*PEDALS):
        told.put(key, np.full(rows.stop - rows.start, told.seen[key][rows.start]), rows)
    return Lie("pedal-burst", "Pedal", f"at rest in the burst at {spin.start_s:.1f} s")


@kind("pedal-held")
def pedal_held(told: Told) -> Lie | None:
    """A pedal that stays pressed after it was released, or is never seen at rest."""
    spin = one_burst(told)
    if spin is None:
        return None
    keys, s = told.keys(*PEDALS), float(told.rng.choice([0.5, 2.0, 1e4]))
    rows = slice(round(spin.end_s * 1000) - 5, min(round((spin.end_s + s) * 1000), told.rows))
    for key in keys:
        told.put(key, told.seen[key][rows.start], rows)
    words = f"for {s:g} s more after {spin.end_s:.1f} s"
    return Lie("held", ", ".join(keys), words, tuple(keys), s)


@kind("brake-stuck")
def brake_stuck(told: Told) -> Lie | None:
    """A brake that reads pressed or released from some time on, or all the time."""
    level, spin = float(told.rng.integers(0, 2)), one_burst(told)
    at = 0 if spin is None or told.rng.random() < 0.5 else round(1000 * spin.start_s) - 2500
    told.put(BRAKE, level, slice(at, told.rows))
    return Lie("brake-stuck", BRAKE, f"always {level:g} from {at / 1000:.1f} s", (BRAKE,))


@kind("brake-late")
def brake_late(told: Told) -> Lie | None:
    """A brake that is late."""
    ms = int(told.rng.choice([300, 600, 1500]))
    told.put(BRAKE, moved(told.seen[BRAKE], ms))
    return Lie("delay", BRAKE, f"{ms} ms late", (BRAKE,), ms / 1000)


@kind("brake-inverted")
def brake_inverted(told: Told) -> Lie | None:
    """A brake that reads the other way round, or is what the pedal is not, or the other way."""
    how = int(told.rng.integers(3))
    pedal = told.seen[PEDAL]
    if how == 0:
        told.put(BRAKE, 1 - told.seen[BRAKE])
    elif how == 1:
        told.put(BRAKE, (pedal < 3).astype(float))
    else:
        brake = told.seen[BRAKE]
        told.put(BRAKE, (pedal > 3).astype(float))
        for key in told.keys(*PEDALS):
            told.put(key, 20.0 * brake)
    words = ("inverted", "pressed whenever the pedal is not", "exchanged with the pedal")[how]
    return Lie("brake-inverted", BRAKE, words, (BRAKE,))


@kind("direction-late")
def direction_late(told: Told) -> Lie | None:
    """A lever that is late."""
    ms = int(told.rng.choice([150, 300, 1200, 2500]))
    told.put(DIRECTION, moved(told.seen[DIRECTION], ms))
    return Lie("delay", DIRECTION, f"{ms} ms late", (DIRECTION,), ms / 1000)


@kind("direction-wrong")
def direction_wrong(told: Told) -> Lie | None:
    """A lever whose codes are exchanged, missing, unlisted, or that follows the motion."""
    column, how = told.seen[DIRECTION], int(told.rng.integers(5))
    forward, reverse = column == FORWARD, column == REVERSE
    if how == 0:
        shown = np.select([forward, reverse], [REVERSE, FORWARD], column)
        words = "forward and reverse exchanged"
    elif how == 1:
        shown = np.where(reverse, FORWARD, column)
        words = "forward for reverse"
    elif how == 2:
        if told.vehicle.wiring.encodings.get(DIRECTION) is not None:
            return None
        shown = np.where(any_of(told, [forward, reverse, column == NEUTRAL]), UNLISTED, column)
        words = "an unlisted code for one of its positions"
    elif how == 3:
        speed = told.truth.speed_rpm[told.vehicle.units[0].name]
        shown = np.select([speed > 20, speed < -20], [FORWARD, REVERSE], NEUTRAL)
        words = "what the first unit does"
    else:
        at = int(told.rng.integers(4000, told.rows - 4000))
        shown = np.where(np.arange(told.rows) < at, column, column[at])
        words = f"stops at {at / 1000:.1f} s"
        if repeats_at_rest(told, DIRECTION, shown, slice(0, told.rows)):
            told.put(DIRECTION, shown, still=True)
            return Lie("inputs-repeat", DIRECTION, words, (DIRECTION,))
    told.put(DIRECTION, shown.astype(float))
    return Lie("direction-wrong", DIRECTION, words, (DIRECTION,))
