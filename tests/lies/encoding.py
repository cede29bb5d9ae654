"""What a definition gets wrong, or a gateway makes of any number: bits, bytes, copies, holes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.ndimage import minimum_filter1d

from canscope.simulate.messages import all_messages, cycle_s, signal_of, step_of
from canscope.simulate.recording import Recording
from canscope.simulate.sensors import NOISE, readings
from tests.lies.inputs import moved
from tests.lies.lies import Lie, Told, any_of, as_asked, joined, kind, lasting, late_torque
from tests.lies.shaft import smoothed


def _of(key: str) -> str:
    return key.rpartition(".")[2]


def _raw(told: Told, key: str) -> tuple[np.ndarray, Callable[[np.ndarray], np.ndarray], int]:
    """Raw codes of a reading, the way back, and how many bits they have."""
    found = signal_of(told.vehicle, key)
    assert found is not None
    bits, step, column = found[1].length_bits, step_of(told.vehicle, key), _noisy(told, key)
    low = min(float(column.min()), 0.0)
    base = np.floor(low / step) * step if low < 0 else 0.0
    codes = np.clip(np.round((column - base) / step), 0, 2**bits - 1).astype(np.int64)
    return codes, lambda changed: changed * step + base, bits


def _noisy(told: Told, key: str) -> np.ndarray:
    """A reading with its own noise, for what happens to it after it was measured."""
    column = told.seen[key]
    return column + NOISE.get(_of(key), 0.0) * told.rng.standard_normal(len(column))


@kind("bytes-swapped")
def bytes_swapped(told: Told) -> Lie | None:
    """The definition has the other byte order."""
    key = any_of(told, told.numbers())
    codes, back, bits = _raw(told, key)
    if bits != 16:
        return None
    told.put(key, back(((codes & 0xFF) << 8) | (codes >> 8)), still=True)
    return Lie("bytes-swapped", key, "high and low byte exchanged", (key,))


@kind("bit-stuck")
def bit_stuck(told: Told) -> Lie | None:
    """One bit of a number is always set, or never."""
    key = any_of(told, told.numbers())
    codes, back, bits = _raw(told, key)
    used = max(1, int(codes.max()).bit_length())
    bit = int(told.rng.integers(0, min(bits, used)))
    on = bool(told.rng.random() < 0.5)
    shown = codes | (1 << bit) if on else codes & ~(1 << bit)
    off = np.abs(shown - codes) * step_of(told.vehicle, key)
    if key.endswith("PackCurrent"):  # a peak of one reading may lie between two as well
        off = minimum_filter1d(off, round(2000 * cycle_s(told.vehicle, key)))
    told.put(key, back(shown), still=True)
    if np.mean(off > 0) > 0.999 and "Pedal" not in key:  # all along, but for noise: an offset
        size = float((shown - codes)[0]) * step_of(told.vehicle, key)
        return Lie("offset", key, f"bit {bit} always {int(on)}, which matters always", (key,), size)
    size = None if "Temp" in key else float(off.max())  # it is known only beside the true ones
    return Lie("bit-stuck", key, f"bit {bit} always {int(on)}", (key,), size)


@kind("slow-drift")
def slow_drift(told: Told) -> Lie | None:
    """A number drifts away over the run."""
    key = any_of(told, told.numbers())
    size = float(np.ptp(told.seen[key])) * float(told.rng.choice([-0.5, -0.2, 0.2, 0.5]))
    if "Temp" in key:
        size = float(told.rng.choice([-8.0, -3.0, 3.0, 8.0]))
    told.put(key, told.seen[key] + np.linspace(0, size, told.rows))
    name = "drift" if "Temp" in key or "Pedal" in key else "offset"
    return Lie(name, key, f"drifts by {size:+.4g} until the end", (key,), size)


@kind("quantised")
def quantised(told: Told) -> Lie | None:
    """A number comes in far wider steps than its definition says."""
    key = any_of(told, told.numbers())
    span, part = float(np.ptp(told.seen[key])), int(told.rng.choice([4, 10, 25]))
    step = span / part
    if step < 3 * step_of(told.vehicle, key):
        return None
    told.put(key, np.round(_noisy(told, key) / step) * step, still=True)
    return Lie("quantised", key, f"in steps of {step:.3g}", (key,), step)


@kind("saturates")
def saturates(told: Told) -> Lie | None:
    """A number never goes beyond a part of its way, up or down."""
    key = any_of(told, told.numbers())
    column = told.seen[key]
    low, high = float(column.min()), float(column.max())
    level = low + float(told.rng.uniform(0.4, 0.9)) * (high - low)
    told.put(key, np.minimum(_noisy(told, key), level), still=True)
    hides = high - level
    if _of(key) == "PackCurrent":  # for a moment, it may lie between two readings
        hides = max(float(minimum_filter1d(column - level, 100).max()), 0.0)
    if _of(key) in ("MotorSpeed", "Torque"):  # as a part of the highest
        hides /= max(high, 1e-3)
    return Lie("clipped", key, f"never above {level:.4g}", (key,), hides)


@kind("first-again")
def first_again(told: Told) -> Lie | None:
    """In the last burst a number, or all of one message, shows the first burst again."""
    spins = told.script.spins
    if len(spins) < 2:
        return None
    key = any_of(told, told.numbers())
    keys = [key]
    if told.rng.random() < 0.4:
        keys = [k for k in told.seen if k.rpartition(".")[0] == key.rpartition(".")[0]]
        keys = [k for k in keys if np.ptp(told.seen[k])]  # what never changes says the same again
    one, two = (round(1000 * spin.start_s) - 300 for spin in (spins[0], spins[-1]))
    length = min(5000, told.rows - two, told.rows - one)
    off = max(_off(told, name, one, two, length) for name in keys)
    for name in keys:
        told.put(name, told.seen[name][one : one + length], slice(two, two + length))
    size = off if all("Pedal" in name for name in keys) else None
    words = "the first burst again in the last"
    return Lie("first-again", ", ".join(keys), words, tuple(keys), size)


def _off(told: Told, key: str, one: int, two: int, length: int) -> float:
    """By how much two stretches differ for 0.3 s at least."""
    column = told.seen[key]
    return lasting(np.abs(column[one : one + length] - column[two : two + length]), 300)


@kind("reflected")
def reflected(told: Told) -> Lie | None:
    """A number goes down by as much as it should go up."""
    key = any_of(told, told.numbers())
    column = told.seen[key]
    told.put(key, 2 * column[0] - column)
    words = "the other way from where it began"
    if key.endswith("Resistance"):  # by how much more it reads with the contactors closed
        more = float(told.seen[key].max() / column[0]) - 1
        return Lie("insulation-reflected", key, f"{words}, {more:.0%} more", (key,), more)
    return Lie("reflected", key, words, (key,), 1000 * cycle_s(told.vehicle, key))


@kind("holds-last")
def holds_last(told: Told) -> Lie | None:
    """A gateway repeats the last value whenever a frame came damaged."""
    key, share = any_of(told, told.numbers()), float(told.rng.choice([0.1, 0.4]))
    ms = int(told.rng.choice([100, 300]))
    held = told.rng.random(told.rows // ms + 1).repeat(ms)[: told.rows] < share
    rows = np.maximum.accumulate(np.where(held, 0, np.arange(told.rows)))
    told.put(key, told.seen[key][rows])
    return Lie("holds-last", key, f"{share:.0%} of the time, for {ms} ms each", (key,), ms / 1000)


@kind("low-pass")
def low_pass(told: Told) -> Lie | None:
    """A number is smoothed."""
    key, ms = any_of(told, told.numbers()), float(told.rng.choice([100, 500, 2000]))
    told.put(key, smoothed(told.seen[key], ms))
    if _of(key) == "Torque":
        return Lie("torque-smoothed", key, f"over {ms:g} ms", (key,), ms / 1000)
    name = "smoothed" if _of(key) in ("MotorSpeed", "Pedal", "Pedal2") else "delay"
    if _of(key) == "ControlVoltage" and ms > 300:
        return Lie("averaged", key, f"over {ms:g} ms", (key,), 1000 * cycle_s(told.vehicle, key))
    if _of(key) == "PackCurrent":
        return Lie("current-smoothed", key, f"smoothed over {ms:g} ms", (key,), ms)
    if _of(key) in ("PackVoltage", "LinkVoltage"):
        return Lie("late-feedback", key, f"smoothed over {ms:g} ms", (key,), ms)
    return Lie(name, key, f"smoothed over {ms:g} ms", (key,), ms / 1000)


@kind("message-late")
def message_late(told: Told) -> Lie | None:
    """One message is stamped late, all others are not."""
    channel, own = any_of(told, list(all_messages(told.vehicle).items()))
    message, ms = own[told.rng.integers(len(own))], int(told.rng.choice([120, 400, 1500]))
    sent = [spec.key for spec in message.signals if spec.key in told.seen]
    keys = [key for key in sent if np.ptp(told.seen[key])]  # nothing else is late of anything
    if not keys:
        return None

    def late(recording: Recording) -> Recording:
        mine = recording.of(channel, message.can_id)
        return joined(replace(recording, time_us=recording.time_us + mine * ms * 1000))

    told.later.append(late)
    every_ms = 1000 * cycle_s(told.vehicle, keys[0])
    if message.name == "Supply" and every_ms >= 50:
        return Lie("late-dips", message.key, f"{ms} ms late", tuple(keys), every_ms)
    return Lie("message-late", message.key, f"{ms} ms late", tuple(keys), ms / 1000)


@kind("reboots")
def reboots(told: Told) -> Lie | None:
    """A unit, or the vehicle's own nodes, are silent for a moment with the contactors closed."""
    channel = any_of(told, list(all_messages(told.vehicle)))
    closed = np.flatnonzero(told.closed())
    at_s = float(any_of(told, closed[: -3000 or None].tolist())) / 1000
    s = float(told.rng.choice([0.4, 1.5, 4.0]))

    def silent(recording: Recording) -> Recording:
        since = recording.since_s()
        return recording.take(~(recording.of(channel) & (since >= at_s) & (since < at_s + s)))

    told.later.append(silent)
    return Lie("reboots", channel, f"silent for {s:g} s from {at_s:.1f} s on")


@kind("clock-fast")
def clock_fast(told: Told) -> Lie | None:
    """The clock of one adapter, or of all, runs fast or slow."""
    channel = str(any_of(told, ["all", *all_messages(told.vehicle)]))
    rate = float(told.rng.choice([0.9, 0.99, 1.01, 1.1]))

    def stretched(recording: Recording) -> Recording:
        mine = np.ones(len(recording), bool) if channel == "all" else recording.of(channel)
        first = recording.time_us[0]
        moved_us = first + np.round((recording.time_us - first) * rate).astype(np.int64)
        return joined(replace(recording, time_us=np.where(mine, moved_us, recording.time_us)))

    told.later.append(stretched)
    return Lie("clock-fast", channel, f"times {rate:g}", size=rate)


@kind("doubled")
def doubled(told: Told) -> Lie | None:
    """Every frame of a message, or of a bus, is recorded twice."""
    channel, own = any_of(told, list(all_messages(told.vehicle).items()))
    whole = bool(told.rng.random() < 0.4)
    message = own[told.rng.integers(len(own))]

    def twice(recording: Recording) -> Recording:
        mine = recording.of(channel) if whole else recording.of(channel, message.can_id)
        copy = recording.take(mine)
        return joined(recording, replace(copy, time_us=copy.time_us + 700))

    told.later.append(twice)
    return Lie("doubled", channel if whole else message.key, "recorded twice")


@kind("mean-of-both")
def mean_of_both(told: Told) -> Lie | None:
    """A number of a unit is the mean, or the larger one, of both units' or both parts'."""
    names = ("MotorSpeed", "Torque", "LinkVoltage", "InverterTemp", "WindingTemp")
    groups = [keys for name in names if len(keys := told.keys(name)) > 1]
    groups += [told.keys("InverterTemp", "WindingTemp")]
    keys = any_of(told, groups)[:2]
    if len(keys) < 2:
        return None
    both = [told.seen[key] for key in keys]
    larger = bool(told.rng.random() < 0.5)
    shown = np.maximum(*both) if larger else (both[0] + both[1]) / 2
    words = f"{'the larger' if larger else 'the mean'} of it and {keys[1]}"
    way = float(np.abs(shown - both[0]).max())
    told.put(keys[0], shown)
    if _of(keys[0]) == "MotorSpeed":  # of two that turn together it is one by another factor
        top = float(np.abs(both[0]).max())
        turns = np.abs(both[0]) >= top / 2
        factor = shown[turns] / both[0][turns]
        size = float(factor[np.argmax(np.abs(np.log(np.maximum(factor, 1e-3))))])
        beside = float(np.abs(shown[~turns] - both[0][~turns]).max(initial=0.0))
        name = "scale" if beside <= 0.15 * top else "mean-of-both"
        return Lie(name, keys[0], words, (keys[0],), size)
    name = "mean-of-both"
    if _of(keys[0]) == "Torque" and (way <= 3.0 or as_asked(shown, both[0])):
        name = "offset" if way <= 3.0 else "same-sensor"  # no more than its zero may be off
    return Lie(name, keys[0], words, (keys[0],), way)


@kind("every-second-zero")
def every_second_zero(told: Told) -> Lie | None:
    """A number is zero, or old, in every second frame or so, as one that is multiplexed."""
    key, ms = any_of(told, told.numbers()), int(told.rng.choice([20, 100]))
    off = np.arange(told.rows) // ms % 2 == 1
    column = told.seen[key]
    told.put(key, np.where(off, 0.0, column))
    size = float(np.abs(column).max()) if "Pedal" in key else None
    return Lie("every-second-zero", key, f"zero for {ms} ms in every {2 * ms} ms", (key,), size)


@kind("random-walk")
def random_walk(told: Told) -> Lie | None:
    """A number wanders at random about what it read at first, by as much as the real one moves."""
    key = any_of(told, told.numbers())
    column = readings(told.truth, told.vehicle)[key]  # whatever was told of it before
    span = float(np.ptp(column))
    if not span:
        return None
    walk = np.cumsum(told.rng.standard_normal(told.rows))
    walk = smoothed(walk * span / (2 * float(np.ptp(walk))), 50)
    told.put(key, column[0] + walk - walk[0])
    ms = 1000 * cycle_s(told.vehicle, key) if _of(key) == "ControlVoltage" else None
    return Lie("random-walk", key, "wanders at random", (key,), ms)


@kind("number-late")
def number_late(told: Told) -> Lie | None:
    """Any number in one burst alone comes late, as after a buffer that ran full."""
    spins = told.script.spins
    if not spins:
        return None
    key, ms = any_of(told, told.numbers()), int(told.rng.choice([200, 600]))
    spin = any_of(told, list(spins))
    rows = slice(round(1000 * spin.start_s) - 500, round(1000 * spin.end_s) + 1500)
    told.put(key, moved(told.seen[key], ms)[rows], rows)
    if _of(key) == "Torque":
        return late_torque(told, key, ms)
    return Lie("delay", key, f"{ms} ms late in one burst", (key,), ms / 1000)
