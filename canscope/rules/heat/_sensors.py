"""The thermometers, and for how long each must be watched; for all temperature rules.

Heat soaks out of iron and copper after the stop, so a temperature is watched for some time after
its unit's last burst. A recording, or a sensor, that ends sooner proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Subject
from canscope.model.piece import Piece, S
from canscope.model.signals import NEVER, NOT_AVAILABLE
from canscope.model.tables import Bools, Int64s
from canscope.trust.heat.proof_of_life import Life, doubts, lives_of
from canscope.trust.heat.watched import Sensor, watch
from canscope.trust.samples.missing_value import REASON_OF_STATUS, Absence, absence_in
from canscope.trust.samples.range_ends import railed_new
from canscope.trust.samples.staleness import stale_after_ns

HOT_STAGES = frozenset({"unit-alone", "dry-spin", "wet-spin", "rolling"})
WATCH_S = 60.0  # common practice, no source
FOREVER = np.int64(2**62)


@dataclass(frozen=True)
class Thermometer:
    """One temperature of one unit."""

    subject: str  # "front winding"
    unit: str
    word: str
    role: str


@dataclass(frozen=True)
class Followed:
    """What is known of one temperature so far."""

    sensor: Sensor = field(default_factory=Sensor)
    last_ns: int = int(NEVER)  # its last believable value
    watched_ns: int = int(NEVER)  # until when it was to be watched, as known then
    gap_ns: int | None = None  # begin of the first gap within the watch
    gap_s: float = 0.0
    # Why it first had no value within the watch: as a reason, when and in words.
    absent: tuple[str, Absence] | None = None


@dataclass(frozen=True)
class Heat:
    """The state of a temperature rule: watches by unit, the rest by subject."""

    until_ns: Mapping[str, int] = field(default_factory=dict)  # NEVER, FOREVER or watch's end
    followed: Mapping[str, Followed] = field(default_factory=dict)
    base: Mapping[str, float] = field(default_factory=dict)  # before the first burst, NaN unknown


def thermometers(bench: Bench) -> list[Thermometer]:
    """Every bound temperature of every unit."""
    return bench.once(
        thermometers,
        lambda: [
            Thermometer(f"{unit.name} {word}", unit.name, word, role)
            for unit in bench.units
            for word, role in unit.temperature_roles().items()
            if role in bench.bindings
        ],
    )


def heat_subjects(
    bench: Bench, no_limit: Callable[[str], str] = lambda word: "", *, speed: bool = False
) -> list[Subject]:
    """A subject for every temperature word; a unit without any gets one that is not bound.

    ``speed``: the answer also needs the speed of the unit.
    """
    subjects = []
    for unit in bench.units:
        rests_on = (unit.role("speed"),) if speed else ()
        words = unit.temperature_roles()
        for word, role in words.items():
            subjects.append(
                Subject(f"{unit.name} {word}", (role, *rests_on), (role,), no_limit(word))
            )
        if not words:
            needs = (unit.role("temperatures.*"), *rests_on)
            subjects.append(Subject(f"{unit.name} temperature", needs))
    return subjects or [Subject("axles", needs=("units.*.temperatures.*",))]


def without_ceiling(ceilings_degC: Mapping[str, float]) -> Callable[[str], str]:
    """For a temperature word, which limit the plan lacks; empty if it gives one."""

    def missing(word: str) -> str:
        if word in ceilings_degC:
            return ""
        return f"no ceiling for {word!r} in [limits] temperature_ceiling_degC"

    return missing


def begin(bench: Bench) -> Heat:
    """The state before the first piece."""
    until = {unit.name: int(NEVER) for unit in bench.units}
    return Heat(until, {thermometer.subject: Followed() for thermometer in thermometers(bench)})


@dataclass(frozen=True, eq=False)
class Watch:
    """Until when a unit's heat is watched, as known at any instant of one piece."""

    known_ns: Int64s  # instants at which that changes, in time order
    until_ns: Int64s  # one more than changes: what held before the first, after each

    def at(self, times_ns: Int64s) -> Int64s:
        """Until when it was to be watched, as known then; NEVER before the first burst."""
        return self.until_ns[np.searchsorted(self.known_ns, times_ns, "right")]

    def on(self, times_ns: Int64s) -> Bools:
        """Instants at which it is watched."""
        return np.asarray(times_ns <= self.at(times_ns))


def watch_of(state: Heat, piece: Piece, unit: str, watch_s: float) -> Watch:
    """A unit's watch over this piece; its last entry holds from there on."""
    known, until = [], [state.until_ns[unit]]
    for event in piece.events:
        if event.subject == unit and event.kind == "burst-start":
            known.append(event.known_ns)
            until.append(int(FOREVER))
        elif event.subject == unit and event.kind == "burst-end":
            known.append(event.known_ns)
            until.append(event.time_ns + round(watch_s * S))
    return Watch(np.array(known, np.int64), np.array(until, np.int64))


def follow(state: Heat, piece: Piece, watch_s: float) -> tuple[Heat, dict[str, Watch]]:
    """The state after a piece, and each unit's watch over it."""
    watches = {
        name: piece.once(
            (watch_of, name, until_ns, watch_s), partial(watch_of, state, piece, name, watch_s)
        )
        for name, until_ns in state.until_ns.items()
    }
    followed, base = dict(state.followed), dict(state.base)
    for thermometer in thermometers(piece.bench):
        starts = piece.events_of("burst-start", thermometer.unit)
        if starts and thermometer.subject not in base:
            before = piece.at(thermometer.role, starts[0].time_ns, before=True)
            base[thermometer.subject] = float(before.value[0])
        if len(piece[thermometer.role]) or piece.events:
            now = followed[thermometer.subject]
            key = (_seen, thermometer.role, now, state.until_ns[thermometer.unit], watch_s)
            unit = watches[thermometer.unit]
            followed[thermometer.subject] = piece.once(
                key, partial(_seen, now, piece, thermometer.role, unit)
            )
    until = {name: int(watch.until_ns[-1]) for name, watch in watches.items()}
    return Heat(until, followed, base), watches


def _seen(followed: Followed, piece: Piece, role: str, unit: Watch) -> Followed:
    """One temperature after its new samples: sensor, last believable value, gaps in the watch."""
    followed = replace(followed, sensor=watch(followed.sensor, piece, role))
    if followed.absent is None and piece[role].status.any():
        followed = replace(followed, absent=_absent(piece, role, unit))
    samples, rail = railed_new(piece, role)
    good = samples[~rail] if rail.any() else samples
    times = good.time_ns
    if not len(times):
        return followed
    if followed.gap_ns is None:
        # Nothing is lost before the first value.
        earlier = np.concatenate(([followed.last_ns], times[:-1])).astype(np.int64)
        watched = np.concatenate(([followed.watched_ns], unit.at(times[:-1])))
        lost = np.minimum(times, watched) - earlier
        gaps = np.flatnonzero(lost > piece.history.patience_ns(role, times))
        if len(gaps):
            first = int(gaps[0])
            followed = replace(followed, gap_ns=int(earlier[first]), gap_s=float(lost[first] / S))
    return replace(followed, last_ns=int(times[-1]), watched_ns=int(unit.at(times[-1:])[0]))


def _absent(piece: Piece, role: str, unit: Watch) -> tuple[str, Absence] | None:
    """The first sample without a value within the watch, and why it has none.

    Heat soaks out with the contactors open, when no other rule looks at missing values. A node that
    is being switched off may report "no value", but not "out of range".
    """
    samples = piece[role]
    watched, found = unit.on(samples.time_ns), list[tuple[str, int]]()
    for status, reason in REASON_OF_STATUS.items():
        rows = np.flatnonzero(watched & (samples.status == status))
        if status == NOT_AVAILABLE and len(rows):
            rows = rows[piece.at("@awake", samples.time_ns[rows]).value == 1]
        if len(rows):
            found.append((reason, int(rows[0])))
    if not found:
        return None
    reason, row = min(found, key=lambda one: one[1])
    binding = piece.bench.bindings[role]
    return reason, absence_in(piece.history, binding, reason, samples[row : row + 1])


def closing(state: Heat, piece: Piece, watch_s: float, *, idle_counts: bool) -> list[Doubt]:
    """What keeps a run from proving its temperatures.

    ``idle_counts``: a run in which no unit turned can be proof (in power-up no unit may turn).
    """
    found: list[Doubt] = []
    sensors = {subject: followed.sensor for subject, followed in state.followed.items()}
    lives = lives_among(sensors, piece)
    for thermometer in thermometers(piece.bench):
        followed = state.followed[thermometer.subject]
        found += doubts(lives, thermometer.subject, thermometer.role)
        if state.until_ns[thermometer.unit] == NEVER:
            if not idle_counts:
                text = "the unit was not seen to turn"
                found.append(Doubt(thermometer.subject, "not-exercised", text))
        else:
            found += _ended(state.until_ns[thermometer.unit], followed, piece, thermometer, watch_s)
    return found


def lives_among(sensors: Mapping[str, Sensor], piece: Piece) -> Mapping[str, Life]:
    """What to think of every sensor at the end of the run, by role; ``sensors`` are by subject."""
    every = {t.role: sensors[t.subject] for t in thermometers(piece.bench)}
    return lives_of(every, piece)


def _ended(
    until_ns: int, followed: Followed, piece: Piece, thermometer: Thermometer, watch_s: float
) -> Sequence[Doubt]:
    """Doubts if recording or sensor did not go on for long enough after the last burst."""
    soak = f"heat soaks out for {watch_s:g} s"
    if until_ns == FOREVER:
        text = f"the unit still turned when it was last seen; {soak}"
        return [Doubt(thermometer.subject, "not-exercised", text)]
    end_ns = until_ns - round(watch_s * S)
    if piece.until_ns <= until_ns:
        after = (piece.until_ns - end_ns) / S
        text = f"the recording ended {after:.1f} s after the last burst; {soak}"
        return [Doubt(thermometer.subject, "not-exercised", text)]
    if followed.absent is not None and _came_without(followed.absent[1].at_ns, followed):
        reason, absence = followed.absent
        return [absence.doubt(thermometer.subject, reason, "while heat soaked out, it")]
    if followed.gap_ns is not None:
        text = f"it gave nothing for {followed.gap_s:.1f} s while heat soaked out"
        return [Doubt(thermometer.subject, "stale", text, followed.gap_ns)]
    if followed.last_ns == NEVER:
        return []
    if stale_after_ns(piece.history, thermometer.role, followed.last_ns) < until_ns:
        after = (followed.last_ns - end_ns) / S
        text = f"its values stopped {after:.1f} s after the last burst; {soak}"
        return [Doubt(thermometer.subject, "stale", text, followed.last_ns)]
    return []


def _came_without(absent_ns: int, followed: Followed) -> bool:
    """Whether its message came during its first gap: then it had no value and did not stop."""
    gap_ns = followed.gap_ns
    return gap_ns is None or gap_ns <= absent_ns <= gap_ns + followed.gap_s * S
