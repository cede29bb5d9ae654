"""Is a temperature sensor alive?

A living one is off the rails, it answers to what heats it as its neighbours do, and it does not
fall as no part cools. ``course`` keeps what it read; ``heat_course``, ``flicker`` and ``warming``
are further signs.

What proves it, the first that applies (``_proof``): it warmed in this run; a hand moved it before
the first burst; it is cold and agrees with everything else that is; an earlier real recording saw
it move. Whatever speaks against it in this run (``_suspicion``) comes before all of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.differences import differences_from
from canscope.model.events import Event
from canscope.model.outcome import Doubt
from canscope.model.piece import Piece
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import SECOND_NS, Bools
from canscope.trust.heat.at_once import AtOnce, after_burst
from canscope.trust.heat.course import (
    BEFORE,
    BLOCK_NS,
    HIGHEST,
    LOWEST,
    SAMPLES,
    START,
    SUM,
    SURE,
    UNIT,
    Course,
    Level,
)
from canscope.trust.heat.course import follow as follow_course
from canscope.trust.heat.flicker import Flicker
from canscope.trust.heat.flicker import follow as follow_flicker
from canscope.trust.heat.heat_course import unexplained
from canscope.trust.heat.warming import Warming
from canscope.trust.heat.warming import follow as follow_warming
from canscope.trust.movement.impossible_fall import BESIDE, temperature_fall, temperature_jump
from canscope.trust.samples.range_ends import railed_new

RAD_S = 2 * math.pi / 60  # per rpm
# All common practice, no source.
WATCHED_NS = 60 * SECOND_NS  # after the last burst, in which its heat soaks
KEPT_TURNS = 32  # bursts of all units; after more of them nothing is said of their course
PAUSE_NS = SECOND_NS // 2  # a speed that is older says nothing of the work since
WAKES_NS = SECOND_NS  # what a node sends so soon after it began may be start-up codes
STEP = 0.5  # of a raw step: so far a level has to move; one that flickers moves by less than one
WARMED_STEPS, WARMED_K = 3.0, 0.5  # what a neighbour warms by, in the sensor's own steps
FAR_STEPS = 5.0  # the same of a neighbour that may differ more: in another unit, or later
SMALL = 4  # blocks before the first burst, in which nothing can be said to have followed a hand
HELD_STEPS = 3  # codes apart: a hand that holds a sensor moves it through so many
RESTED_NS = 20 * SECOND_NS  # a sensor that then stands for so long, while others cool, is dead
SOAKS_NS = 5 * SECOND_NS  # after a burst, in which what it heats warms on
CUT_STEPS = 5.0  # by which a neighbour moves on while a sensor stays at its highest
AT_ONCE_S = 2.0  # within which units that turn together begin to turn
COOLED_STEPS, COOLED_K = 8.0, 2.0  # by how much a neighbour of another kind cools meanwhile
FAR_TIMES = 4.0  # as much as its like warmed, it should have warmed more
ALIKE_TURNED = 1.5  # times as long, or two thirds: then two units turned alike
ALIKE = 3.0  # times as warm, or a third: then two parts cool alike
COLD_K = 3.0  # and a step: so far a cold sensor may lie from the air and from its neighbours
COLD_STEPS = 2.0  # warmer by more than so many of its steps, a neighbour says that it is not cold
COLD_TURNED_NS = 20 * SECOND_NS  # a unit that turned for longer in all is not cold
FINE_K = 0.3  # nor one that reads steps as fine as that, and one value all along
COLD_WORK_J = 800.0  # nor one that did more work, of which losses are a multiple; by steps of 1 K
COLD_UNKNOWN_NS = 6 * SECOND_NS  # the same of one whose torque is not bound
HAND_K = 4.0  # beside a step: within which a person's own reading agrees
# Raw steps by which a level jumps that no part has, and times the least step that the sensor ever
# made: some answer in steps that are coarser than their signal.
JUMPED_RAW, JUMPED_OWN = 3.0, 1.5
FLICKERS = 8  # changes, from which on one between two values is a flicker
STRAIGHT_BLOCKS, STRAIGHT_STEPS = 12, 3.2  # how long at least, and how far it rose
STRAIGHT, STRAIGHT_OFF = 0.1, 0.55  # share of that, and of a step, by which it is off the line
BELOW_K = 8.0  # colder than everything was before: nothing cools a part so far


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


@dataclass(frozen=True)
class Life:
    """Whether a sensor can be believed at the end of a run.

    ``suspicion`` says what speaks against it, ``proof`` how it showed that it lives, ``missing``
    why it did not; in words, two of them empty.
    """

    suspicion: str = ""
    at_ns: int | None = None
    code: str = ""
    proof: str = ""
    missing: str = ""
    moved: bool = False  # it proved itself by moving in this very run


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


def doubts(lives: Mapping[str, Life], subject: str, role: str) -> list[Doubt]:
    """Why the sensor cannot be believed at the end of the run; empty if it can."""
    life = lives[role]
    if not life.suspicion and not life.missing:
        return []
    text = life.suspicion or life.missing
    return [Doubt(subject, "sensor-suspect", text, life.at_ns, code=life.code)]


def lives_of(sensors: Mapping[str, Sensor], piece: Piece) -> Mapping[str, Life]:
    """What to think of each sensor (by role) at the end of the run, given all of them."""
    key = (lives_of, tuple(sensors.items()))
    return piece.once(key, lambda: _Together(sensors, piece).lives())


@dataclass(frozen=True)
class _Seen:
    """One sensor at the end of the run."""

    role: str
    unit: str
    word: str
    sensor: Sensor
    course: Course
    step_K: float
    turned_ns: int

    @property
    def from_ns(self) -> int:
        """From when on it has to answer: the first burst of its unit, else its first value."""
        if self.sensor.began_ns is not None:
            return self.sensor.began_ns
        return int(self.course.end_ns[0]) if len(self.course.table) else 0

    def least_K(self, *levels: Level) -> float:
        """By how much levels have to differ, so that the difference is one."""
        return max(STEP * self.step_K, SURE * math.hypot(*(level.u for level in levels)))

    def rise_K(self, from_ns: int, until_ns: int | None = None) -> tuple[float, float]:
        """How far its level rose from an instant on, and how far at least to be sure of it."""
        before, after = self.course.level_at(from_ns), self.course.highest_after(from_ns, until_ns)
        if before is None or after is None or self.sensor.moved_ns is None:
            return 0.0, float("inf")
        return after.value - before.value, self.least_K(before, after)

    def warmed_K(self) -> float:
        """How far it rose over all that it showed just before the first burst; 0 if not surely."""
        rise_K, least_K = self.rise_K(self.from_ns)
        before = self.course.range_before(self.from_ns)
        if before is not None:
            rise_K -= max(before[1].value - self.base_degC, 0.0)
        return rise_K if rise_K >= least_K else 0.0

    def turned_with(self, other: _Seen) -> bool:
        """Whether its unit turned just when the other one did."""
        turns = self.sensor.turns
        own, its = ([turn for turn in turns if turn[0] == unit] for unit in (self.unit, other.unit))
        pairs = zip(own, its, strict=False)
        near_ns = AT_ONCE_S * SECOND_NS
        return len(own) == len(its) and all(
            abs(a - b) <= near_ns and abs(c - d) <= near_ns for (_, a, c), (_, b, d) in pairs
        )

    def straight_K(self) -> float:
        """How far it rose in one straight line from its first to its last reading; 0 if not so.

        What bursts warm rises in them and after them, and rests before.
        """
        table = self.course.table
        if len(table) < STRAIGHT_BLOCKS:
            return 0.0
        at_s = (self.course.start_ns - self.course.start_ns[0]) / SECOND_NS
        degC = table[:, SUM] / table[:, SAMPLES] / UNIT
        slope, level = np.polyfit(at_s, degC, 1)
        rise_K = float(slope * at_s[-1])
        off_K = float(np.abs(degC - level - slope * at_s).max())
        # A line in few steps lies within half a step of them; what bursts warm does not.
        near_K = max(STRAIGHT * rise_K, STRAIGHT_OFF * self.step_K)
        straight = rise_K >= STRAIGHT_STEPS * self.step_K and off_K <= near_K
        return rise_K if straight else 0.0

    @property
    def only_flickers(self) -> bool:
        """Whether it went to and fro between two neighbouring values, again and again, all along.

        One that warms by so little passes from the one to the other and stays there, however it
        flickers on its way.
        """
        flicker, table = self.sensor.flicker, self.course.table
        if flicker.changes < FLICKERS or not len(table):
            return False
        lowest, highest = table[:, LOWEST].min(), table[:, HIGHEST].max()
        rests_ns, before = flicker.longest_ns, table[self.course.end_ns <= self.from_ns]
        if len(before) >= SMALL and before[:, LOWEST].min() == before[:, HIGHEST].max():
            rests_ns = max(rests_ns, flicker.last_ns - flicker.since_ns)
        long_ns = self.sensor.last_ns - int(self.course.start_ns[0])
        narrow = highest - lowest <= 1.01 * self.step_K * UNIT
        return bool(narrow and rests_ns < long_ns // 4)

    @property
    def base_degC(self) -> float:
        """Its level before the first burst; NaN if it had none."""
        level = self.course.level_at(self.from_ns)
        return float("nan") if level is None else level.value

    def fall_K(self, from_ns: int) -> tuple[float, float]:
        """The same of how far it fell."""
        before, after = self.course.level_at(from_ns), self.course.lowest_after(from_ns)
        if before is None or after is None or self.sensor.moved_ns is None:
            return 0.0, float("inf")
        return before.value - after.value, self.least_K(before, after)


class _Together:
    """All sensors of a vehicle at the end of a run: each is held against the others."""

    def __init__(self, sensors: Mapping[str, Sensor], piece: Piece) -> None:
        self._bench, self._until_ns = piece.bench, piece.until_ns
        self._origin_ns = piece.origin_ns
        self._seen = [_seen(role, sensor, piece) for role, sensor in sensors.items()]

    def lives(self) -> dict[str, Life]:
        """What to think of each."""
        return {one.role: self._life(one) for one in self._seen}

    def _life(self, one: _Seen) -> Life:
        text, at_ns, code = self._suspicion(one)
        if text:
            return Life(text, at_ns, code)
        for proof, moved in self._proofs(one):
            return Life(proof=proof, moved=moved)
        if one.sensor.moved_ns is None:
            text = "the sensor's raw value never changed, so it may be stuck"
            return Life(missing=text + self._not_cold(one), code="never-changed")
        text = "the sensor showed no warming and no cooling, only steps to and fro"
        return Life(missing=text + self._not_cold(one), code="never-warmed")

    def _suspicion(self, one: _Seen) -> tuple[str, int | None, str]:
        """What is wrong with the sensor and since when; the words are empty if nothing is."""
        sensor = one.sensor
        if sensor.railed_ns is not None:
            text = f"the sensor stood at the end of its range ({sensor.railed_degC:g} degC)"
            return text, sensor.railed_ns, "at-end-of-range"
        if sensor.raw is None:
            return "the sensor gave no value off the ends of its range", None, ""
        if sensor.fell is not None:
            fell_ns, fall_K = sensor.fell
            text = f"the sensor fell by {fall_K:.1f} K from one reading to the next"
            return text, fell_ns, ""
        raw_K = 2 * self._bench.bindings[one.role].half_step
        least_K = max(JUMPED_RAW * raw_K, JUMPED_OWN * sensor.step_K)
        if sensor.jumped is not None and sensor.jumped[1] >= least_K:
            jumped_ns, jump_K = sensor.jumped
            return f"the sensor jumped by {jump_K:.1f} K to another level at once", jumped_ns, ""
        if text := self._too_cold(one):
            return text, sensor.began_ns, ""
        if sensor.began_ns is not None and (rise_K := one.straight_K()):
            text = f"the sensor rose by {rise_K:.1f} K in one straight line, whatever its unit did"
            return text, sensor.began_ns, ""
        if text := self._against_neighbours(one):
            return text, sensor.began_ns, "against-neighbours"
        text, since_ns = self._warmed_by_another(one)
        if text:
            return text, since_ns, "against-neighbours"
        if sensor.flicker.stopped_ns is not None:
            text = "the sensor stopped moving at all before a burst that heats it"
            return text, sensor.flicker.stopped_ns, ""
        if sensor.warming.went_far(sensor.flicker.step) and sensor.flicker.rests:
            text = "the sensor followed the last burst and then stopped moving at all"
            return text, sensor.flicker.since_ns, ""
        if still := sensor.warming.suspect(self._until_ns, sensor.flicker.step):
            text = "the sensor stood still over one burst and moved clearly over another"
            return text, still.began_ns, ""
        if text := self._stopped(one):
            return text, sensor.flicker.since_ns, "against-neighbours"
        text, since_ns = self._cut_off(one)
        if text:
            return text, since_ns, "against-neighbours"
        if sensor.at_once.follows_motion:
            text = "the sensor read more only while its unit turned, and "
            text += f"{sensor.at_once.fall_K:.1f} K less at once after it, as no part cools"
            return text, sensor.at_once.at_ns, ""
        if (left := self._unexplained(one)) is not None:
            text = f"the sensor read {left[0]:+.1f} K from what the bursts can make of a part: it "
            return text + "fell, rose or jumped otherwise", left[1], ""
        return "", None, ""

    def _unexplained(self, one: _Seen) -> tuple[float, int] | None:
        """How far and when it lay from what bursts can make of a part, just before them and after.

        A hand may warm it before, and other heat come later.
        """
        turns = [(begin, end or self._until_ns) for _, begin, end in one.sensor.turns]
        table, start_ns, end_ns = one.course.table, one.course.start_ns, one.course.end_ns
        if not 0 < len(turns) < KEPT_TURNS:
            return None
        rows = (end_ns >= turns[0][0] - BEFORE * BLOCK_NS) & (table[:, SAMPLES] > 2)
        rows &= start_ns <= max(end for _, end in turns) + WATCHED_NS
        table = table[rows]
        # Without the outermost two of each block, so that one wild reading says nothing.
        trimmed = table[:, SUM] - table[:, LOWEST] - table[:, HIGHEST]
        degC = trimmed / (table[:, SAMPLES] - 2) / UNIT
        middle_ns, wet = (start_ns + end_ns)[rows] // 2, self._bench.coolant != "empty"
        return unexplained(middle_ns, degC, turns, one.step_K, wet=wet)

    def _too_cold(self, one: _Seen) -> str:
        """Whether it read colder than anything was before its unit turned."""
        sensor, ambient_degC = one.sensor, self._bench.ambient_degC
        # A warm part may cool; below the air, or below what stood overnight, none does.
        if sensor.began_ns is None or (ambient_degC is None and not self._bench.cold):
            return ""
        levels = [other.course.level_at(other.from_ns) for other in self._seen]
        known = [level.value for level in levels if level is not None]
        if ambient_degC is not None:
            known.append(ambient_degC)
        ended_ns = sensor.ended_ns if sensor.burst_ns is None else None
        lowest = one.course.lowest_between(sensor.began_ns, ended_ns or self._until_ns)
        coldest = one.course.lowest_after(sensor.began_ns, (ended_ns or 0) + WATCHED_NS)
        below_K = COLD_K + one.step_K  # for a level; a single reading may be noise
        fell = known and coldest is not None and ended_ns is not None
        if fell and coldest and coldest.value + SURE * coldest.u < min(known) - below_K:
            text = f"the sensor fell to {coldest.value:.1f} degC, colder than all was before "
            return text + f"({min(known):.1f} degC)"
        if known and min(known) - lowest >= BELOW_K:
            text = f"the sensor read {lowest:.1f} degC while the unit worked, colder than all was "
            return text + f"before ({min(known):.1f} degC)"
        return ""

    def _against_neighbours(self, one: _Seen) -> str:
        """Whether its neighbours warmed by three of its steps and more while it did not."""
        if one.sensor.began_ns is None:
            return ""
        if one.warmed_K():
            return self._hardly_warmed(one)
        for other, steps in self._neighbours(one):
            other_K, other_least_K = other.rise_K(one.from_ns)
            if other_K >= max(steps * one.step_K, WARMED_K, other_least_K):
                fall_K, fallen_K = one.fall_K(one.from_ns)
                how = f"fell by {fall_K:.1f} K" if fall_K >= fallen_K else "did not warm"
                return f"the sensor {how} while {other.word} of {other.unit} warmed by " + (
                    f"{other_K:.1f} K, which are {other_K / one.step_K:.0f} of its own steps"
                    if one.step_K
                    else f"{other_K:.1f} K"
                )
        return ""

    def _hardly_warmed(self, one: _Seen) -> str:
        """Whether it warmed by far less than its like in a unit whose other parts warmed alike."""
        for other in self._seen:
            highest = other.course.highest_after(other.from_ns)
            if other.word != one.word or other.unit == one.unit or highest is None:
                continue
            # What it shows only long after its like hides as much until then.
            own_K, _ = one.rise_K(one.from_ns, highest.time_ns + RESTED_NS)
            if not 1 / ALIKE_TURNED <= one.turned_ns / max(other.turned_ns, 1) <= ALIKE_TURNED:
                continue
            its_K = other.warmed_K()
            if its_K < max(FAR_TIMES * own_K, own_K + FAR_STEPS * one.step_K, WARMED_K):
                continue
            pairs = [
                (mine.warmed_K(), its.warmed_K())
                for mine in self._seen
                for its in self._seen
                if mine.unit == one.unit and its.unit == other.unit and mine.word == its.word
                if mine is not one
            ]
            if pairs and all(mine >= its / 2 > 0 for mine, its in pairs):
                return (
                    f"the sensor warmed by {own_K:.1f} K and {other.word} of {other.unit} by"
                    f" {its_K:.1f} K, while the other parts of the two units warmed alike"
                )
        return ""

    def _stopped(self, one: _Seen) -> str:
        """Whether it stopped for good while a neighbour that had warmed alike went on."""
        if one.sensor.began_ns is None or not one.sensor.flicker.changes:
            return ""
        for since_ns, more, how in (
            (one.sensor.flicker.since_ns, 0.0, "stood still"),
            (one.course.within_from(1.01 * one.step_K), 1.0, "only went to and fro by a step"),
            (one.course.within_from(2.01 * one.step_K), 2.0, "only went to and fro by two steps"),
        ):
            if since_ns is None or one.sensor.last_ns - since_ns < RESTED_NS:
                continue
            if text := self._stopped_from(one, since_ns, more, how):
                return text
        return ""

    def _stopped_from(self, one: _Seen, since_ns: int, more: float, how: str) -> str:
        """The same of one instant; ``more``: steps beyond which a neighbour has to move."""
        last_ns = one.sensor.last_ns
        rise_K, least_K = one.rise_K(one.from_ns)
        settled_ns = since_ns + BEFORE * BLOCK_NS  # the level just before it lies after the stop
        for other, _ in self._neighbours(one):
            other_K, _ = other.rise_K(one.from_ns)
            fall_K, _ = other.fall_K(settled_ns)
            later_K, sure_K = other.rise_K(settled_ns)
            text = f"the sensor {how} for the last {(last_ns - since_ns) / SECOND_NS:.0f} s"
            if later_K >= max((FAR_STEPS + more) * one.step_K, WARMED_K, sure_K):
                return f"{text}, while {other.word} of {other.unit} warmed by {later_K:.1f} K"
            alike = rise_K >= least_K and 1 / ALIKE <= other_K / rise_K <= ALIKE
            steps, floor_K = COOLED_STEPS, COOLED_K
            if other.word == one.word:
                steps, floor_K = WARMED_STEPS, WARMED_K
            if alike and fall_K >= max((steps + more) * one.step_K, floor_K, sure_K):
                return f"{text}, while {other.word} of {other.unit} cooled by {fall_K:.1f} K"
        return ""

    def _cut_off(self, one: _Seen) -> tuple[str, int]:
        """Whether it stayed at its highest while what is heated with it warmed on, or cooled.

        So does one that shows nothing above some value.
        """
        began_ns, own_K = one.sensor.began_ns, one.warmed_K()
        if began_ns is None or not own_K:
            return "", 0
        start_ns, end_ns = one.course.plateau(began_ns, one.step_K / 2)
        if end_ns - start_ns < RESTED_NS:
            return "", 0
        for other, _ in self._neighbours(one):
            same = other.word == one.word
            if other.unit != one.unit and not one.turned_with(other):
                continue
            its_K, table = other.warmed_K(), other.course
            rows = np.flatnonzero((table.start_ns >= start_ns) & (table.end_ns <= end_ns))
            if not its_K or not len(rows):
                continue
            means, first_K = table.means[rows], table.table[rows[0], LOWEST] / UNIT
            first_K = min(float(means[0]), first_K + SURE * table.scatter)
            share = min(1.0, own_K / its_K)
            far_K = max(CUT_STEPS * one.step_K, WARMED_K, 1.5 * other.step_K * share)
            rise_K, fall_K = float(means.max() - first_K), float(means.max() - means[-1])
            text = f"the sensor stayed at its highest for {(end_ns - start_ns) / SECOND_NS:.0f} s, "
            text += f"while {other.word} of {other.unit}"
            if share * rise_K >= far_K:
                return f"{text} warmed by {rise_K:.1f} K", start_ns
            if same and share >= 1 / ALIKE and share * fall_K >= far_K:
                return f"{text} cooled by {fall_K:.1f} K", start_ns
        return "", 0

    def _warmed_by_another(self, one: _Seen) -> tuple[str, int]:
        """Whether it warmed as another unit turned, before its own one ever did."""
        for unit, begin_ns, end_ns in one.sensor.turns:
            soaked_ns = (end_ns or self._until_ns) + SOAKS_NS
            if unit == one.unit or one.sensor.began_ns is None or one.from_ns < soaked_ns:
                continue
            rise_K, least_K = one.rise_K(begin_ns, soaked_ns)
            if rise_K >= max(WARMED_STEPS * one.step_K, WARMED_K, least_K):
                text = f"the sensor warmed by {rise_K:.1f} K as {unit} turned, before its own unit "
                return text + "ever did: it may be the other one's", begin_ns
        return "", 0

    def _neighbours(self, one: _Seen) -> Iterator[tuple[_Seen, float]]:
        """Sensors that are heated with it, and by how many of its steps they have to warm.

        Those of its own unit, and those of the same name in units that turned no longer than
        twice as long.
        """
        for other in self._seen:
            if other is one or other.sensor.raw is None:
                continue
            if other.unit == one.unit:
                yield other, WARMED_STEPS
            elif other.word == one.word and other.turned_ns <= 2 * one.turned_ns:
                yield other, FAR_STEPS

    def _proofs(self, one: _Seen) -> Iterator[tuple[str, bool]]:
        """How it showed that it lives, in words, and whether by moving in this run."""
        warmed_K = one.warmed_K()
        if warmed_K and not one.only_flickers:
            yield f"warmed by {warmed_K:.1f} K in this run", True
        if cooled_K := self._cooled_K(one):
            yield f"cooled by {cooled_K:.1f} K in this run", True
        if held_K := _held_K(one):
            yield f"followed a hand by {held_K:.1f} K before its unit turned", True
        if not self._not_cold(one):
            words = "is as cold as the air and its neighbours, none of which warmed by more than "
            yield f"{words}two of its steps", False
        if (read_degC := self._read_by_hand(one)) is not None:
            yield (
                f"agrees with {read_degC:.1f} degC that a person read after its unit turned",
                False,
            )
        if one.role in self._bench.moved_before:
            yield "moved in an earlier run of the build record", False

    def _read_by_hand(self, one: _Seen) -> float | None:
        """What a person read with an instrument of their own after its first burst, if it agrees.

        Before anything has heated it, a dead sensor may agree as well.
        """
        began_ns = one.sensor.began_ns
        for reading in self._bench.readings:
            at_ns = reading.end_ns(self._origin_ns)
            level = one.course.level_at(at_ns)
            if reading.role != one.role or level is None or began_ns is None or at_ns < began_ns:
                continue
            if abs(level.value - reading.value) <= HAND_K + one.step_K - reading.uncertainty:
                return reading.value
        return None

    def _cooled_K(self, one: _Seen) -> float:
        """By how much a part that was warm before the first burst cooled; 0 if it was not."""
        fall_K, least_K = one.fall_K(one.from_ns)
        if fall_K < max(HELD_STEPS * one.step_K, WARMED_K, least_K):
            return 0.0
        if self._bench.ambient_degC is not None:
            warm = one.base_degC - self._bench.ambient_degC > COLD_K + one.step_K
            return fall_K if warm else 0.0
        others = [other for other, _ in self._neighbours(one)]
        cooled = [other for other in others if np.greater_equal(*other.fall_K(one.from_ns))]
        return fall_K if cooled or not others else 0.0

    def _not_cold(self, one: _Seen) -> str:
        """Why it is not known to be a cold sensor that has nothing to show; empty if it is."""
        ambient_degC = self._bench.ambient_degC
        others = [
            other for other in self._seen if other is not one and other.sensor.raw is not None
        ]
        level = one.course.level_at(one.from_ns)
        if ambient_degC is None:
            return ": job.ambient_degC is not given, so it is not known to be cold"
        if level is None or not others:
            return ": no other sensor can tell that it is cold"
        near_K = COLD_K + one.step_K
        if abs(level.value - ambient_degC) > near_K:
            return f": at {level.value:.1f} degC in air of {ambient_degC:g} degC it is not cold"
        for each in (one, *others):
            known = self._bench.has(f"units.{each.unit}.torque")
            if each.turned_ns > (COLD_TURNED_NS if known else COLD_UNKNOWN_NS):
                return f": a unit turned for {each.turned_ns / SECOND_NS:.0f} s, which warms it"
        if one.sensor.moved_ns is None and one.step_K <= FINE_K and one.turned_ns:
            return (
                f": of steps of {one.step_K:.2g} K it never made one, in a run in which it turned"
            )
        if one.sensor.work_J > COLD_WORK_J * min(one.step_K, 1.0):
            return f": its shaft did {one.sensor.work_J / 1000:.1f} kJ of work, which warms it"
        for moves in (one.rise_K, one.fall_K):
            moved_K, _ = moves(one.from_ns)
            if moved_K > one.step_K + SURE * level.u:
                return f": its level moved by {moved_K:.1f} K"
        for other in others:
            its = other.course.level_at(one.from_ns)
            warm_K, _ = other.rise_K(one.from_ns)
            name = f"{other.word} of {other.unit}"
            if its is None or abs(its.value - level.value) > near_K:
                return f": it does not agree with {name}"
            if not warm_K <= COLD_STEPS * one.step_K + SURE * its.u:
                return f": {name} warmed by {warm_K:.1f} K"
        return ""


def _seen(role: str, sensor: Sensor, piece: Piece) -> _Seen:
    _, unit, _, word = role.split(".", 3)
    turned_ns = sensor.turned_ns
    if sensor.burst_ns is not None:
        turned_ns += piece.until_ns - sensor.burst_ns
    resolves_K = step_K(sensor, piece.bench, role)
    return _Seen(role, unit, word, sensor, sensor.course.whole(), resolves_K, turned_ns)


def _held_K(one: _Seen) -> float:
    """By how much a hand moved it before its unit turned; 0 if none did.

    A sensor that makes one step as its node wakes has followed nobody.
    """
    rows = one.course.end_ns <= one.from_ns
    if one.sensor.began_ns is None or rows.sum() < SMALL:
        return 0.0
    lowest, highest = one.course.range_of(rows)
    moved_K = highest.value - lowest.value
    enough_K = max(HELD_STEPS * one.step_K, WARMED_K, SURE * math.hypot(lowest.u, highest.u))
    return moved_K if moved_K >= enough_K else 0.0
