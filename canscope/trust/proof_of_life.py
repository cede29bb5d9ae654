"""Is a temperature sensor alive?

A living one is off the rails, its raw value moved, it follows what heats it, and it does not fall
as no part cools. ``flicker`` and ``warming`` are two of these signs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from canscope.model.outcome import Doubt
from canscope.model.piece import Piece
from canscope.model.signals import NEVER
from canscope.trust.flicker import Flicker
from canscope.trust.flicker import follow as follow_flicker
from canscope.trust.impossible_fall import temperature_fall
from canscope.trust.range_ends import railed_new
from canscope.trust.warming import Warming
from canscope.trust.warming import follow as follow_warming

# What a neighbour of a dead sensor moves by at least, in K and in the dead one's raw steps; common
# practice, no source.
NEIGHBOUR_K, NEIGHBOUR_STEPS = 4.0, 4.0

NEVER_CHANGED = "the sensor's raw value never changed, so it may be stuck"


@dataclass(frozen=True)
class Sensor:
    """What a run has shown of one temperature sensor so far."""

    raw: int | None = None  # its first raw code off the rails
    moved_ns: int | None = None  # when the raw code first differed from that one
    railed_ns: int | None = None  # when it first stood at a rail and should not have
    railed_degC: float = float("nan")
    last_ns: int = int(NEVER)  # its last value off the rails
    last_degC: float = float("nan")
    fell: tuple[int, float] | None = None  # when it first fell as no part cools, by how many K
    warming: Warming = field(default_factory=Warming)
    flicker: Flicker = field(default_factory=Flicker)


def watch(sensor: Sensor, piece: Piece, role: str) -> Sensor:
    """The sensor after a piece. Rails before its first good value are forgiven while idle."""
    return piece.once((watch, role, sensor), lambda: _watched(sensor, piece, role))


def _watched(sensor: Sensor, piece: Piece, role: str) -> Sensor:
    samples, rail = railed_new(piece, role)
    good = samples[~rail] if rail.any() else samples
    unit = role.split(".")[1]
    sensor = replace(
        sensor,
        warming=follow_warming(sensor.warming, piece, unit, good),
        flicker=follow_flicker(sensor.flicker, piece, unit, good),
    )
    if sensor.railed_ns is None and rail.any():
        first_good_ns = good.time_ns[0] if len(good) else piece.until_ns
        been_good = sensor.raw is not None or samples.time_ns > first_good_ns
        engaged = piece.at("@engaged", samples.time_ns).value == 1
        # A node that is being switched off may send anything.
        asleep = piece.at("@awake", samples.time_ns).value == 0
        bad = samples[rail & (been_good | engaged) & ~asleep]
        if len(bad):
            sensor = replace(sensor, railed_ns=int(bad.time_ns[0]), railed_degC=float(bad.value[0]))
    if not len(good):
        return sensor
    raw = int(good.raw[0]) if sensor.raw is None else sensor.raw
    moved_ns = sensor.moved_ns
    if moved_ns is None:
        moved = good.time_ns[good.raw != raw]
        moved_ns = int(moved[0]) if len(moved) else None
    return replace(
        sensor,
        raw=raw,
        moved_ns=moved_ns,
        fell=sensor.fell or temperature_fall(piece, sensor.last_ns, sensor.last_degC, good),
        last_ns=int(good.time_ns[-1]),
        last_degC=float(good.value[-1]),
    )


def doubts(sensor: Sensor, piece: Piece, subject: str, role: str) -> Sequence[Doubt]:
    """Why the sensor cannot be believed at the end of the run; empty if it can."""
    text, at_ns = _suspicion(sensor, role in piece.bench.moved_before, piece.until_ns)
    if not text:
        return []
    code = ""
    if sensor.railed_ns is not None:
        code = "at-end-of-range"
    elif text == NEVER_CHANGED:
        code = "never-changed"
    return [Doubt(subject, "sensor-suspect", text, at_ns, code=code)]


def _suspicion(sensor: Sensor, moved_before: bool, until_ns: int) -> tuple[str, int | None]:
    """What is wrong with the sensor and since when; the words are empty if nothing is."""
    if sensor.railed_ns is not None:
        text = f"the sensor stood at the end of its range ({sensor.railed_degC:g} degC)"
        return text, sensor.railed_ns
    if sensor.raw is None:
        return "the sensor gave no value off the ends of its range", None
    if sensor.moved_ns is None and not moved_before:
        return NEVER_CHANGED, None
    if sensor.fell is not None:
        fell_ns, fall_K = sensor.fell
        return f"the sensor fell by {fall_K:.1f} K from one reading to the next", fell_ns
    if sensor.flicker.stopped_ns is not None:
        text = "the sensor stopped moving at all before a burst that heats it"
        return text, sensor.flicker.stopped_ns
    if sensor.warming.went_far(sensor.flicker.step) and sensor.flicker.rests:
        text = "the sensor followed the last burst and then stopped moving at all"
        return text, sensor.flicker.since_ns
    if still := sensor.warming.suspect(until_ns):
        text = "the sensor stood still over one burst and moved clearly over another"
        return text, still.began_ns
    return "", None


def stood_beside(moved_K: float, others_K: Mapping[str, float], half_step_K: float) -> str:
    """How a sensor stood still beside one of its unit that moved far; empty if it did not.

    ``moved_K``: the range of its values, ``others_K``: of its neighbours' values, by their word.
    """
    least_K = max(NEIGHBOUR_K, NEIGHBOUR_STEPS * 2 * half_step_K)
    for word, other_K in others_K.items():
        if moved_K == 0 and other_K >= least_K:
            return f"it never moved from the first burst on, while {word} moved by {other_K:.1f} K"
    return ""
