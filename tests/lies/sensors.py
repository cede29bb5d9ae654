"""Lies of sensors alone: what a dead or misread one shows that looks alive."""

from __future__ import annotations

import numpy as np

from canscope.simulate.messages import step_of
from tests.lies.lies import Lie, Told, kind

TEMPERATURES = ("InverterTemp", "WindingTemp")


def _one(told: Told) -> str:
    keys = told.keys(*TEMPERATURES)
    return keys[told.rng.integers(len(keys))]


@kind("mirrored")
def mirrored(told: Told) -> Lie | None:
    """A temperature sensor of the other characteristic: it falls while everything heats."""
    key = _one(told)
    told.put(key, 2 * told.seen[key][0] - told.seen[key])
    return Lie("mirrored", key, "falls while it heats", (key,))


@kind("wakes-and-stands")
def wakes_and_stands(told: Told) -> Lie | None:
    """It makes one step as its node wakes, and never another."""
    key = _one(told)
    level, step = told.seen[key][0], step_of(told.vehicle, key)
    column = np.full(told.rows, level)
    column[: round(told.rng.uniform(2000, 4000))] -= step
    told.put(key, column, still=True)
    return Lie("wakes-and-stands", key, "one step at wake-up, none later", (key,))


@kind("dithers-cold")
def dithers_cold(told: Told) -> Lie | None:
    """It goes to and fro by one step, for seconds at a time, and follows nothing."""
    key = _one(told)
    level, step = told.seen[key][0], step_of(told.vehicle, key)
    every = int(told.rng.choice([200, 1000, 7000]))
    other = told.rng.integers(0, 2, told.rows // every + 1).repeat(every)[: told.rows]
    told.put(key, level + step * other, still=True)
    return Lie("dithers-cold", key, f"to and fro by a step every {every} ms", (key,))


@kind("hides-soak")
def hides_soak(told: Told) -> Lie | None:
    """It stops a second after the last burst."""
    turning = np.flatnonzero(told.turning())
    if not len(turning):
        return None
    key, at = _one(told), int(turning[-1]) + 1000
    told.put(key, told.seen[key][at], slice(at, told.rows), still=True)
    return Lie("hides-soak", key, "stops 1 s after the last burst", (key,))


@kind("code-while-turning")
def code_while_turning(told: Told) -> Lie | None:
    """A temperature shows another, likely value just while its unit turns."""
    turning = told.turning()
    if not turning.any():
        return None
    key, level = _one(told), float(told.rng.choice([-10.0, 0.0, 5.0, 25.0]))
    told.put(key, np.where(turning, level, told.seen[key]))
    return Lie("code-while-turning", key, f"{level:g} degC while a unit turns", (key,))


@kind("flow-stuck")
def flow_stuck(told: Told) -> Lie | None:
    """The flow is always good, or reads two litres more than there is."""
    keys = told.keys("Flow")
    if not keys:
        return None
    if told.rng.random() < 0.5:
        told.put(keys[0], np.full(told.rows, 6.5))
        return Lie("flow-stuck", keys[0], "always 6.5 l/min")
    told.put(keys[0], np.full(told.rows, 2.0))
    return Lie("flow-stuck", keys[0], "always 2 l/min")
