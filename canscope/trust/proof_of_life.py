"""Whether a reading can be believed: the ends of its range, and a sensor that never moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.model.bench import Binding
from canscope.model.outcome import Doubt
from canscope.model.piece import Piece
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools
from canscope.trust.flicker import Pace
from canscope.trust.flicker import follow as follow_pace
from canscope.trust.warming import Warming
from canscope.trust.warming import follow as follow_warming

COLD_RAIL_DEGC, RAIL_WIDTH_K = -40.0, 2.0  # an open or shorted probe; common practice, no source

# No part of a unit cools so far between two readings so close; common practice, no source.
FALL_K, FALL_NS = 15.0, 300 * 10**6


@dataclass(frozen=True)
class Sensor:
    """What a run has shown of one temperature sensor so far."""

    raw: int | None = None  # its first raw code off the rails
    moved_ns: int | None = None  # when the raw code first differed from that one
    railed_ns: int | None = None  # when it first stood at a rail and should not have
    railed_degC: float = float("nan")
    last_ns: int = int(NEVER)  # its last value off the rails
    last_degC: float = float("nan")
    fell: tuple[int, float] | None = None  # when it first fell at once, and by how much
    warming: Warming = field(default_factory=Warming)
    pace: Pace = field(default_factory=Pace)


def at_end_of_range(binding: Binding, samples: Samples) -> Bools:
    """Samples at an end of their raw or declared range: the true value may lie beyond.

    An end at which the value is zero is an ordinary reading (an unsigned speed at standstill).
    """
    spec = binding.signal
    ends = np.zeros(len(samples), bool)
    if not len(samples):
        return ends
    if not spec.is_float and spec.length_bits < 63:
        bits = spec.length_bits - 1 if spec.signed else spec.length_bits
        low, high = -(1 << bits) if spec.signed else 0, (1 << bits) - 1
        if samples.raw.max() >= high or samples.raw.min() <= low:
            ends |= (samples.raw == high) | (samples.raw == low)
    if spec.minimum is not None and spec.maximum is not None:
        lowest, highest = np.fmin.reduce(samples.value), np.fmax.reduce(samples.value)
        for sense, declared in ((-1.0, spec.minimum), (1.0, spec.maximum)):
            turned = sense if binding.factor >= 0 else -sense
            end = declared * binding.factor + binding.offset
            # Rounding keeps the order, so that the outermost value tells whether any is beyond.
            if turned * ((highest if turned > 0 else lowest) - end) >= 0:
                ends |= turned * (samples.value - end) >= 0
    return ends & (np.abs(samples.value) > binding.half_step) if ends.any() else ends


def railed(binding: Binding, samples: Samples) -> Bools:
    """Temperatures at which a broken sensor or wire stands, rather than a real one."""
    cold = np.abs(samples.value - COLD_RAIL_DEGC) <= RAIL_WIDTH_K
    return np.asarray(cold | at_end_of_range(binding, samples))


def watch(sensor: Sensor, piece: Piece, role: str) -> Sensor:
    """The sensor after a piece. Rails before its first good value are forgiven while idle."""
    return piece.once((watch, role, sensor), lambda: _watched(sensor, piece, role))


def railed_new(piece: Piece, role: str) -> tuple[Samples, Bools]:
    """The known new samples of a temperature, and which of them are railed."""

    def found() -> tuple[Samples, Bools]:
        samples = piece[role].known
        return samples, railed(piece.bench.bindings[role], samples)

    return piece.once((railed_new, role), found)


def _watched(sensor: Sensor, piece: Piece, role: str) -> Sensor:
    samples, rail = railed_new(piece, role)
    good = samples[~rail] if rail.any() else samples
    unit = role.split(".")[1]
    warming = follow_warming(sensor.warming, piece, unit, good)
    pace = follow_pace(sensor.pace, piece, unit, good)
    if warming is not sensor.warming or pace is not sensor.pace:
        sensor = replace(sensor, warming=warming, pace=pace)
    if not len(samples):
        return sensor
    if sensor.railed_ns is None and rail.any():
        first_good = good.time_ns[0] if len(good) else piece.until_ns
        been_good = sensor.raw is not None or samples.time_ns > first_good
        engaged = piece.at("@engaged", samples.time_ns).value == 1
        # A node that is being switched off may send anything.
        asleep = piece.at("@awake", samples.time_ns).value == 0
        bad = np.flatnonzero(rail & (been_good | engaged) & ~asleep)
        if len(bad):
            row = int(bad[0])
            sensor = replace(
                sensor,
                railed_ns=int(samples.time_ns[row]),
                railed_degC=float(samples.value[row]),
            )
    if len(good):
        sensor = replace(
            sensor,
            fell=sensor.fell or _fall(sensor, piece, good),
            last_ns=int(good.time_ns[-1]),
            last_degC=float(good.value[-1]),
        )
    if sensor.raw is None and len(good):
        sensor = replace(sensor, raw=int(good.raw[0]))
    if sensor.moved_ns is None:
        moved = np.flatnonzero(good.raw != sensor.raw)
        if len(moved):
            sensor = replace(sensor, moved_ns=int(good.time_ns[moved[0]]))
    return sensor


def _fall(sensor: Sensor, piece: Piece, good: Samples) -> tuple[int, float] | None:
    """The first reading that is too far below the one just before it; None if there is none.

    A node that is being switched off may send anything.
    """
    times = np.concatenate((np.array([sensor.last_ns], np.int64), good.time_ns))
    fall_K = -np.diff(good.value, prepend=sensor.last_degC)
    far = np.flatnonzero((fall_K >= FALL_K) & (times[1:] - times[:-1] <= FALL_NS))
    if len(far):
        far = far[piece.at("@awake", good.time_ns[far]).value == 1]
    return (int(good.time_ns[far[0]]), float(fall_K[far[0]])) if len(far) else None


def doubts(sensor: Sensor, piece: Piece, subject: str, role: str) -> Sequence[Doubt]:
    """Why the sensor cannot be believed at the end of the run; empty if it can."""
    if sensor.railed_ns is not None:
        text = f"the sensor stood at the end of its range ({sensor.railed_degC:g} degC)"
        return [Doubt(subject, "sensor-suspect", text, sensor.railed_ns)]
    if sensor.raw is None:
        text = "the sensor gave no value off the ends of its range"
        return [Doubt(subject, "sensor-suspect", text)]
    if sensor.moved_ns is None and role not in piece.bench.moved_before:
        text = "the sensor's raw value never changed, so it may be stuck"
        return [Doubt(subject, "sensor-suspect", text)]
    if sensor.fell is not None:
        text = f"the sensor fell by {sensor.fell[1]:.1f} K from one reading to the next"
        return [Doubt(subject, "sensor-suspect", text, sensor.fell[0])]
    if sensor.pace.stopped_ns is not None:
        text = "the sensor stopped moving at all before a burst that heats it"
        return [Doubt(subject, "sensor-suspect", text, sensor.pace.stopped_ns)]
    if sensor.warming.went_far(sensor.pace.step) and sensor.pace.rests:
        text = "the sensor followed the last burst and then stopped moving at all"
        return [Doubt(subject, "sensor-suspect", text, sensor.pace.since_ns)]
    if still := sensor.warming.suspect(piece.until_ns):
        text = "the sensor stood still over one burst and moved clearly over another"
        return [Doubt(subject, "sensor-suspect", text, still.began_ns)]
    return []
