"""What a run has shown of one temperature sensor so far."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.differences import differences_from
from canscope.model.events import Event
from canscope.model.piece import Piece
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import SECOND_NS, Bools
from canscope.trust.heat.at_once import AtOnce, after_burst
from canscope.trust.heat.course import START, Course
from canscope.trust.heat.course import follow as follow_course
from canscope.trust.heat.flicker import Flicker
from canscope.trust.heat.flicker import follow as follow_flicker
from canscope.trust.heat.warming import Warming
from canscope.trust.heat.warming import follow as follow_warming
from canscope.trust.movement.impossible_fall import BESIDE, temperature_fall, temperature_jump
from canscope.trust.samples.range_ends import railed_new

RAD_S = 2 * math.pi / 60  # per rpm
# All common practice, no source.
KEPT_TURNS = 32  # bursts of all units; after more of them nothing is said of their course
PAUSE_NS = SECOND_NS // 2  # a speed that is older says nothing of the work since
WAKES_NS = SECOND_NS  # what a node sends so soon after it began may be start-up codes


@dataclass(frozen=True)
class Sensor:
    """What a run has shown of one temperature sensor so far."""

    woke_ns: int = int(NEVER)  # its first value since it last began to send
    heard_ns: int = int(NEVER)  # its last value, on the rails or off them
    raw: int | None = None  # its first raw code off the rails
    moved_ns: int | None = None  # when the raw code first differed from that one
    step_K: float = float("inf")  # the smallest of its steps
    railed_ns: int | None = None  # when it first stood at a rail and should not have
    railed_degC: float = float("nan")
    last_ns: int = int(NEVER)  # its last value off the rails
    last_degC: float = float("nan")
    fell: tuple[int, float] | None = None  # when it first fell as no part cools, by how many K
    jumped: tuple[int, float] | None = None  # when it jumped farthest to another level, by how far
    tail: tuple[tuple[int, float], ...] = ()  # its last readings
    began_ns: int | None = None  # its unit's first burst
    known_ns: int | None = None  # when that became known
    burst_ns: int | None = None  # the burst that its unit is in
    ended_ns: int | None = None  # its unit's last burst
    turned_ns: int = 0  # in all bursts that have ended
    work_J: float = 0.0  # that its unit's shaft did, in either sense
    turns: tuple[tuple[str, int, int], ...] = ()  # any unit, from and to; 0: it still turns
    course: Course = START
    warming: Warming = field(default_factory=Warming)
    flicker: Flicker = field(default_factory=Flicker)
    at_once: AtOnce = field(default_factory=AtOnce)


def watch(sensor: Sensor, piece: Piece, role: str) -> Sensor:
    """The sensor after a piece. Rails before the first burst are forgiven while idle."""
    return piece.once((watch, role, sensor), lambda: _watched(sensor, piece, role))


def _watched(sensor: Sensor, piece: Piece, role: str) -> Sensor:
    samples, rail = railed_new(piece, role)
    unit = role.split(".")[1]
    if worked_J := work_J(piece, piece.bench.unit(unit)):
        sensor = replace(sensor, work_J=sensor.work_J + worked_J)
    if not len(samples) and not piece.events:
        return sensor
    sensor = _bursts(sensor, piece, role)
    woke_ns, heard_ns = sensor.woke_ns, sensor.heard_ns
    if len(samples):
        settled, woke_ns, heard_ns = _settled(sensor, piece, role, samples)
        samples, rail = (samples, rail) if settled is None else (samples[settled], rail[settled])
    good = samples[~rail] if rail.any() else samples
    sensor = replace(
        sensor,
        woke_ns=woke_ns,
        heard_ns=heard_ns,
        course=follow_course(sensor.course, piece.origin_ns, good),
        warming=follow_warming(sensor.warming, piece, unit, good),
        flicker=follow_flicker(sensor.flicker, piece, unit, good),
    )
    if sensor.railed_ns is None and rail.any():
        matters = piece.at("@engaged", samples.time_ns).value == 1
        if sensor.known_ns is not None:
            matters |= samples.time_ns >= sensor.known_ns
        # A node that is being switched off may send anything.
        asleep = piece.at("@awake", samples.time_ns).value == 0
        bad = samples[rail & matters & ~asleep]
        if len(bad):
            sensor = replace(sensor, railed_ns=int(bad.time_ns[0]), railed_degC=float(bad.value[0]))
    if not len(good):
        return sensor
    raw = int(good.raw[0]) if sensor.raw is None else sensor.raw
    moved_ns = sensor.moved_ns
    if moved_ns is None:
        moved = good.time_ns[good.raw != raw]
        moved_ns = int(moved[0]) if len(moved) else None
    fell = sensor.fell
    if fell is None:
        dry = piece.bench.coolant == "empty"
        least_K = 4 * step_K(sensor, piece.bench, role)
        fell = temperature_fall(piece, sensor.last_ns, sensor.last_degC, good, least_K, dry=dry)
    jumped, jump = sensor.jumped, temperature_jump(piece, sensor.tail, good)
    if jump is not None and (jumped is None or jump[1] > jumped[1]):
        jumped = jump
    last = slice(1 - 2 * BESIDE, None)
    newest = zip(good.time_ns[last].tolist(), good.value[last].tolist(), strict=True)
    steps = np.abs(differences_from(sensor.last_degC, good.value))
    return replace(
        sensor,
        raw=raw,
        moved_ns=moved_ns,
        step_K=min(sensor.step_K, float(steps[steps > 0].min(initial=np.inf))),
        fell=fell,
        jumped=jumped,
        tail=(*sensor.tail, *newest)[last],
        last_ns=int(good.time_ns[-1]),
        last_degC=float(good.value[-1]),
    )


def _bursts(sensor: Sensor, piece: Piece, role: str) -> Sensor:
    """The sensor with the bursts of its unit counted."""
    unit, raw_K = role.split(".")[1], 2 * piece.bench.bindings[role].half_step
    for event in piece.events:
        if event.kind in ("burst-start", "burst-end"):
            sensor = replace(sensor, turns=_turns(sensor.turns, event))
        if event.subject != unit:
            continue
        if event.kind == "burst-start":
            first = sensor.began_ns is None
            sensor = replace(
                sensor,
                began_ns=event.time_ns if first else sensor.began_ns,
                known_ns=event.known_ns if first else sensor.known_ns,
                burst_ns=event.time_ns,
            )
        elif event.kind == "burst-end" and sensor.burst_ns is not None:
            start_ns, ended_ns = sensor.burst_ns, event.time_ns
            turned_ns = sensor.turned_ns + ended_ns - start_ns
            at_once = after_burst(sensor.at_once, piece, role, start_ns, event, raw_K)
            sensor = replace(
                sensor, burst_ns=None, ended_ns=ended_ns, turned_ns=turned_ns, at_once=at_once
            )
    return sensor


def _turns(
    turns: tuple[tuple[str, int, int], ...], event: Event
) -> tuple[tuple[str, int, int], ...]:
    """The bursts of all units after one began or ended; the first few."""
    if event.kind == "burst-start":
        return (*turns, (event.subject, event.time_ns, 0))[:KEPT_TURNS]
    return tuple(
        (unit, begin_ns, event.time_ns if (unit, end_ns) == (event.subject, 0) else end_ns)
        for unit, begin_ns, end_ns in turns
    )


def work_J(piece: Piece, unit: DriveUnit) -> float:
    """The magnitude of a shaft's work in a piece, in J; 0 where its torque is not known."""
    return piece.once((work_J, unit.name), lambda: _work_J(piece, unit))


def _work_J(piece: Piece, unit: DriveUnit) -> float:
    role, torque = unit.role("speed"), unit.role("torque")
    speed = piece[role].known
    if not len(speed) or not piece.bench.has(torque):
        return 0.0
    before = piece.last(role, int(speed.time_ns[0]), before=True).time_ns
    passed_ns = np.diff(speed.time_ns, prepend=before if len(before) else speed.time_ns[:1])
    watt = np.abs(speed.value * RAD_S * piece.at(torque, speed.time_ns).value)
    return float(np.nansum(watt * np.minimum(passed_ns, PAUSE_NS))) / SECOND_NS


def _settled(
    sensor: Sensor, piece: Piece, role: str, samples: Samples
) -> tuple[Bools | None, int, int]:
    """Which samples are no start-up codes (None: all), and when it last woke and was last heard.

    A node that wakes, or starts anew, while nothing is engaged may send anything at first.
    """
    times = samples.time_ns
    heard_ns = int(times[-1])
    late = differences_from(sensor.heard_ns, times) > piece.history.patience_ns(role, times)
    if not late.any() and times[0] - sensor.woke_ns >= WAKES_NS:
        return None, sensor.woke_ns, heard_ns
    woke = np.maximum.accumulate(np.where(late, times, sensor.woke_ns))
    new = times - woke < WAKES_NS
    if not new.any():
        return None, int(woke[-1]), heard_ns
    return ~new | (piece.at("@engaged", times).value == 1), int(woke[-1]), heard_ns


def step_K(sensor: Sensor, bench: Bench, role: str) -> float:
    """What the sensor resolves: its raw step, or the smallest step it made, if that is wider."""
    seen = sensor.step_K if np.isfinite(sensor.step_K) else 0.0
    return max(2 * bench.bindings[role].half_step, seen)
