"""Temperatures, flow and fault codes that follow something, only not what they should."""

from __future__ import annotations

import numpy as np

from canscope.simulate.messages import step_of
from tests.lies.inputs import moved
from tests.lies.lies import Lie, Told, any_of, kind
from tests.lies.motion import one_burst
from tests.lies.shaft import smoothed

NAMES = ("InverterTemp", "WindingTemp")


def _one(told: Told) -> str:
    return str(any_of(told, told.keys(*NAMES)))


@kind("warm-offset")
def warm_offset(told: Told) -> Lie | None:
    """One temperature, or all of one part, some kelvin off."""
    keys = told.keys(any_of(told, list(NAMES)))
    keys = keys if told.rng.random() < 0.3 else [any_of(told, keys)]
    size = float(told.rng.choice([-25, -12, -8, 8, 12, 25]))
    for key in keys:
        told.put(key, told.seen[key] + size)
    return Lie("offset", ", ".join(keys), f"{size:+g} K", tuple(keys), size)


@kind("warm-fahrenheit")
def warm_fahrenheit(told: Told) -> Lie | None:
    """One temperature in the other unit, either way."""
    key, how = _one(told), int(told.rng.integers(2))
    column = told.seen[key]
    told.put(key, column * 1.8 + 32 if how else (column - 32) / 1.8)
    return Lie("warm-fahrenheit", key, ("degC called degF", "degF called degC")[how], (key,))


@kind("warm-late")
def warm_late(told: Told) -> Lie | None:
    """A temperature that answers late, or sluggishly, or to a small part."""
    key, how = _one(told), int(told.rng.integers(3))
    column = told.seen[key]
    if float(np.ptp(column)) < 6 * step_of(told.vehicle, key):
        return None
    if how == 0:
        s = float(told.rng.choice([15, 30]))
        shown, words, lie = moved(column, round(1000 * s)), f"{s:g} s late", "delay"
    elif how == 1:
        s = float(told.rng.choice([40, 120]))
        shown, words, lie = smoothed(column, 1000 * s), f"smoothed over {s:g} s", "delay"
    else:
        s, lie = float(told.rng.choice([0.1, 0.3])), "weak"
        shown, words = column[0] + s * (column - column[0]), f"moves by {s:g} of the way"
    told.put(key, shown)
    return Lie(lie, key, words, (key,), s)


@kind("warm-exchanged")
def warm_exchanged(told: Told) -> Lie | None:
    """Temperatures exchanged: of the two units, or of one unit's parts."""
    keys = told.keys(*NAMES)
    if told.rng.random() < 0.5:
        name = any_of(told, list(NAMES))
        keys = [key for key in keys if key.endswith(name)]
        words = "the two units' exchanged"
    else:
        channel = any_of(told, [unit.channel for unit in told.vehicle.units])
        keys = [key for key in keys if key.startswith(f"{channel}:")]
        words = "the two parts' exchanged"
    if len(keys) < 2:
        return None
    one, two = told.seen[keys[0]], told.seen[keys[1]]
    told.put(keys[0], two)
    told.put(keys[1], one)
    return Lie("exchanged", ", ".join(keys[:2]), words, tuple(keys[:2]))


@kind("warm-frozen")
def warm_frozen(told: Told) -> Lie | None:
    """A temperature stops: in a burst, between two, after the last, or is clipped at some value."""
    key, how = _one(told), int(told.rng.integers(4))
    spin, column, step = one_burst(told), told.seen[key], step_of(told.vehicle, key)
    if spin is None or float(np.ptp(column)) < 4 * step:
        return None
    at = round(1000 * (spin.start_s + (0.5, -1.0, spin.end_s - spin.start_s + 3)[how % 3]))
    if how == 3:
        level = float(column[0] + told.rng.uniform(0.3, 0.7) * np.ptp(column))
        told.put(key, np.minimum(column, level), still=False)
        return Lie("warm-frozen", key, f"never above {level:.1f} degC", (key,))
    dithers = told.rng.random() < 0.5
    wave = step * told.rng.integers(0, 2, (told.rows - at) // 900 + 1).repeat(900)
    told.put(key, column[at] + dithers * wave[: told.rows - at], slice(at, told.rows), still=True)
    words = "dithers" if dithers else "stands"
    return Lie("warm-frozen", key, f"{words} from {at / 1000:.1f} s on", (key,))


@kind("warm-model")
def warm_model(told: Told) -> Lie | None:
    """A temperature that is made up: it climbs with time, or only steps with each burst."""
    key, how = _one(told), int(told.rng.integers(3))
    column, step = told.seen[key], step_of(told.vehicle, key)
    seconds = told.truth.time_s
    if how == 0:
        shown, words = column[0] + 4 * step * seconds / seconds[-1], "climbs by 4 steps all along"
    elif how == 1:
        shown = column[0] + np.where(told.turning(), 5 * step, 0.0)
        words = "5 steps more while a unit turns, and at once back"
    else:
        shown = column[0] + 3 * step * np.sin(2 * np.pi * seconds / 30)
        words = "swings by 3 steps in 30 s"
    told.put(key, shown)
    return Lie("warm-model", key, words, (key,))


@kind("flow-wrong")
def flow_wrong(told: Told) -> Lie | None:
    """A flow that is stuck from some time on, follows the motion, or flickers about one value."""
    keys = told.keys("Flow")
    if not keys:
        return None
    key, how = keys[0], int(told.rng.integers(4))
    column = told.seen[key]
    if how == 0:
        at = int(told.rng.integers(2000, 9000))
        told.put(key, column[at], slice(at, told.rows), still=True)
        words = f"stands from {at / 1000:.1f} s on"
    elif how == 1:
        told.put(key, np.where(told.turning(), 6.5, 0.0))
        words = "only while a unit turns"
    elif how == 2:
        told.put(key, column + 2.0)
        return Lie("offset", key, "2 l/min more, at rest as well", (key,), 2.0)
    else:
        told.put(key, np.full(told.rows, 6.5) + 0.02 * told.rng.integers(-2, 3, told.rows))
        words = "flickers about 6.5 l/min, also before the pump ran"
    return Lie("flow-wrong", key, words, (key,))


@kind("fault-codes")
def fault_codes(told: Told) -> Lie | None:
    """Fault codes just while a unit turns, or a burst, or a moment of it."""
    key, turning = any_of(told, told.keys("Fault")), np.flatnonzero(told.turning())
    if not len(turning):
        return None
    code = float(told.rng.choice([1, 7, 255]))
    ms = int(told.rng.choice([300, 2000, 10**6]))
    rows = np.zeros(told.rows, bool)
    at = int(any_of(told, turning.tolist()))
    rows[at : at + ms] = True
    told.put(key, np.where(rows & told.turning(), code, told.seen[key]))
    return Lie("fault-codes", key, f"code {code:g} for {ms} ms from {at / 1000:.1f} s", (key,))


@kind("numbers-dither")
def numbers_dither(told: Told) -> Lie | None:
    """Anything measured that flickers by one step about what it read with both poles closed."""
    key = any_of(told, told.numbers())
    step, every = step_of(told.vehicle, key), int(told.rng.choice([30, 300, 2500]))
    if float(np.ptp(told.seen[key])) < 2 * step:
        return None  # a living one does no more
    busy = np.flatnonzero(told.closed())
    level = told.seen[key][busy[len(busy) // 3]] if told.rng.random() < 0.5 else told.seen[key][0]
    wave = told.rng.integers(0, 2, told.rows // every + 1).repeat(every)[: told.rows]
    told.put(key, level + step * wave, still=True)
    name = "dither" if "PackVoltage" in key else "numbers-dither"
    return Lie(name, key, f"to and fro by a step every {every} ms", (key,))
