"""Rule ``cold-soak``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.findings import Verdict
from canscope.model.outcome import Doubt, Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import Rule, Worst, limit, unjudged
from canscope.rules import RULES
from canscope.rules.heat._sensors import lives_among, thermometers
from canscope.trust.heat.proof_of_life import WORKSHOP_DEGC, doubts
from canscope.trust.heat.watched import Sensor, watch
from canscope.trust.samples.missing_value import absence_at
from canscope.trust.samples.range_ends import railed

NAME, AMBIENT = "temperatures", "ambient"
WAKES_NS = S  # in which a node may send start-up values; common practice, no source
FAHRENHEIT = 5.0  # degF, within which a reading is the other one in degF; likewise


@dataclass(frozen=True)
class Seen:
    """Where the segment began, and whether a unit has turned in it."""

    begin_ns: int | None = None
    turned: bool = False
    sensors: Mapping[str, Sensor] = field(default_factory=dict)  # by subject
    # By role, in power-up: what it read as the first pole closed, and its last reading.
    closed: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    woken: Mapping[str, int] = field(default_factory=dict)  # of those that read nothing then


@dataclass(frozen=True)
class Reading:
    """One temperature just before the first burst; ``name`` is a sensor or "ambient"."""

    name: str
    degC: float
    u: float


@RULES.add("cold-soak")
@dataclass(frozen=True, kw_only=True)
class ColdSoak(Rule):
    """Before anything turned, all temperature sensors agree with each other and with the air.

    Judged
        Just before the first burst of the run (in power-up, before the first pole closes): the
        difference between the warmest and the coldest of all temperatures of all units, and of
        ``job.ambient_degC`` if it is given. A vehicle that stood overnight has one temperature; a
        sensor that reads another one lies. In power-up, also from then on until the end: how far
        each sensor rose, as the smaller of two readings in a row; nothing turns there, so that only
        a current through a standing motor heats it so. Without ``ambient_degC`` a mistake that all
        of them share cannot be seen, unless it puts them where no workshop is.
    Margin
        ``limit_K`` minus that difference, in K; ``rise_K`` minus what it rose. Both readings carry
        their uncertainty; the ambient temperature is taken as the plan states it.
    Unproven
        No unit turned, or the vehicle did not stand long enough: they differ by more, and the plan
        does not say ``job.cold``, so that it is advice and no fault (not-exercised); a sensor had
        no value (stale, not-available) or stood at an end of its range (sensor-suspect); there are
        not two temperatures to compare (no-limit); no ambient temperature is given, and they
        read colder than -25 degC or warmer than 45 degC before anything turned; or one of them
        gave no proof that its sensor lives (sensor-suspect, see sensor-alive).
    """

    limit_K: float = limit(5.0, "K", high=20.0, looser="higher")
    rise_K: float = limit(10.0, "K", high=30.0, looser="higher", note="in power-up")

    unit: ClassVar[str] = "K"
    codes: ClassVar[tuple[str, ...]] = ("as-fahrenheit", "warmed")
    limit_parameter: ClassVar[str] = "limit_K"
    cross_checks: ClassVar[tuple[str, ...]] = ("units.*.temperatures.*",)
    says: ClassVar[dict[str, str]] = {
        "pass": "they agreed before the first burst, {coldest} to {warmest}{without}",
        "fail": "they disagreed before the first burst of a cold vehicle, {coldest} to "
        "{warmest}{without}",
        "warmed": "{warmest} warmed in a stage in which nothing turns, by",
        "close": "they just about agreed before the first burst, {coldest} to {warmest}{without}",
    }
    exercise: ClassVar[str] = (
        "let the vehicle stand overnight, write the ambient temperature and cold = true into the "
        "plan, and record before the first spin"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "a sensor has a wrong factor, offset or characteristic in the definition",
        "a sensor of another kind is fitted, or its connector has a high resistance",
        "the vehicle was not cold: it ran, was charged or stood in the sun",
        "in power-up: a current through a standing motor, as of a phase that is always on",
    )
    next: ClassVar[str] = "measure the odd part with a surface thermometer and compare"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """All temperatures together."""
        found = thermometers(bench)
        if not found:
            return [Subject(NAME, ("units.*.temperatures.*",))]
        roles = tuple(thermometer.role for thermometer in found)
        speeds = tuple(unit.role("speed") for unit in bench.units)
        missing = ""
        if len(roles) < 2 and bench.ambient_degC is None:
            missing = "one temperature alone, and no job.ambient_degC to compare it with"
        return [Subject(NAME, (*roles, *speeds), roles, missing)]

    def start(self, bench: Bench) -> Seen:
        return Seen(sensors={thermometer.subject: Sensor() for thermometer in thermometers(bench)})

    def fold(self, state: Seen, piece: Piece) -> tuple[Seen, Sequence[Outcome]]:
        """Judge at the first burst; in power-up, where there is none, as the first pole closes."""
        if state.begin_ns is None:
            state = replace(state, begin_ns=piece.start_ns)
        sensors = {
            thermometer.subject: watch(state.sensors[thermometer.subject], piece, thermometer.role)
            for thermometer in thermometers(piece.bench)
        }
        state = replace(state, sensors=sensors)
        starts = piece.events_of("burst-start")
        if piece.bench.stage == "power-up":
            starts += [event for event in piece.events_of("pole") if event.value == 1]
        if state.turned or not starts:
            return self._warmed(state, piece)
        state = replace(state, turned=True)
        # After a clock step it is not known whether a unit had turned before.
        if state.begin_ns != piece.origin_ns:
            return state, ()
        begin_ns = min(event.time_ns for event in starts)
        found = self._judge(piece, begin_ns)
        if piece.bench.stage == "power-up":
            roles = [thermometer.role for thermometer in thermometers(piece.bench)]
            held = {role: piece.last(role, begin_ns, before=True) for role in roles}
            closed = {
                role: (float(last.value[0]), float(last.value[0]))
                for role, last in held.items()
                if len(last) and not np.isnan(last.value[0])
                if not railed(piece.bench.bindings[role], last).any()
            }
            state, rows = self._warmed(replace(state, closed=closed), piece, begin_ns)
            found += rows
        return state, found

    def _warmed(
        self, state: Seen, piece: Piece, from_ns: int | None = None
    ) -> tuple[Seen, list[Outcome]]:
        """How far each sensor rose since the first pole closed, in power-up."""
        found, closed, woken = list[Outcome](), dict(state.closed), dict(state.woken)
        if not state.turned or piece.bench.stage != "power-up":
            return state, found
        for thermometer in thermometers(piece.bench):
            role = thermometer.role
            samples = piece[role].known
            samples = samples[~railed(piece.bench.bindings[role], samples)]
            if from_ns is not None:
                samples = samples[samples.time_ns >= from_ns]
            if not len(samples):
                continue
            if role not in closed:  # a node that had just woken gave no value before
                woke_ns = woken.setdefault(role, int(samples.time_ns[0]))
                samples = samples[samples.time_ns > woke_ns + WAKES_NS]
                if not len(samples):
                    continue
                closed[role] = (float(samples.value[0]),) * 2
            base, last = closed[role]
            rise_K = np.minimum(samples.value, [last, *samples.value[:-1]]) - base
            closed[role] = base, float(samples.value[-1])
            u = 2 * piece.bench.u(role)
            some = np.flatnonzero(self.rise_K - rise_K < u)  # one that stands still says nothing
            some = some[deciding_rows(self.rise_K - rise_K[some], u)]
            found.append(
                margins(
                    NAME,
                    samples.time_ns[some],
                    self.rise_K - rise_K[some],
                    measured=rise_K[some],
                    limit=self.rise_K,
                    uncertainty=u,
                    code="warmed",
                    warmest=thermometer.subject,
                    coldest="",
                    without="",
                )
            )
        return replace(state, closed=closed, woken=woken), found

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """Say what warmed, where that is it."""
        return super().clause("warmed" if worst.code == "warmed" else verdict, worst)

    def close(self, state: Seen, piece: Piece) -> Sequence[Outcome]:
        """Unproven if no unit turned; a sensor that may be dead agrees with nothing."""
        if not state.turned:
            closed = piece.bench.stage == "power-up"
            text = "no pole was seen to close" if closed else "no unit was seen to turn"
            return [unjudged(NAME, "not-exercised", text)]
        lives = lives_among(state.sensors, piece)
        found = [doubts(lives, NAME, thermometer.role) for thermometer in thermometers(piece.bench)]
        return [doubt for several in found for doubt in several]

    def _judge(self, piece: Piece, burst_ns: int) -> list[Outcome]:
        readings, found = _readings(piece, burst_ns)
        if piece.bench.ambient_degC is not None:
            readings.append(Reading(AMBIENT, piece.bench.ambient_degC, 0.0))
        if len(readings) < 2:
            return found
        coldest, *_, warmest = sorted(readings, key=lambda reading: reading.degC)
        apart_K, u = warmest.degC - coldest.degC, warmest.u + coldest.u
        words = {"warmest": _words(warmest), "coldest": _words(coldest)}
        if self.limit_K - apart_K < u and not piece.bench.cold:
            text = "advice, no fault, as the plan does not say cold = true: they differed by "
            text += f"{apart_K:.1f} K before the first burst, {words['coldest']} to "
            text += f"{words['warmest']}, where a vehicle that stood overnight shows at most "
            text += f"{self.limit_K:g} K"
            return [*found, Doubt(NAME, "not-exercised", text, burst_ns, measured=apart_K)]
        if piece.bench.ambient_degC is None:
            found += _nowhere(coldest, warmest, burst_ns)
        without = ", no ambient given" if piece.bench.ambient_degC is None else ""
        rows = margins(
            NAME,
            burst_ns,
            self.limit_K - apart_K,
            measured=apart_K,
            limit=self.limit_K,
            uncertainty=u,
            code="as-fahrenheit" if _as_fahrenheit(readings, coldest, warmest) else "",
            **words,
            without=without,
        )
        return [*found, rows]


def _readings(piece: Piece, burst_ns: int) -> tuple[list[Reading], list[Outcome]]:
    """What every sensor read just before an instant, and why some had no value."""
    readings: list[Reading] = []
    found: list[Outcome] = []
    for thermometer in thermometers(piece.bench):
        held = piece.at(thermometer.role, burst_ns, before=True)
        degC = float(held.value[0])
        if np.isnan(degC):
            reason = absence_at(piece, thermometer.role, burst_ns - 1)
            text = f"{thermometer.subject} had no value before the first burst"
            found.append(Doubt(NAME, reason, text, burst_ns))
        elif railed(
            piece.bench.bindings[thermometer.role],
            piece.last(thermometer.role, burst_ns, before=True),
        ).any():
            text = f"{thermometer.subject} stood at the end of its range ({degC:g} degC)"
            found.append(Doubt(NAME, "sensor-suspect", text, burst_ns))
        else:
            readings.append(Reading(thermometer.subject, degC, piece.bench.u(thermometer.role)))
    return readings, found


def _nowhere(coldest: Reading, warmest: Reading, burst_ns: int) -> list[Outcome]:
    """A doubt if all agree on a temperature that no workshop has."""
    for odd, is_odd in (
        (coldest, coldest.degC < WORKSHOP_DEGC[0]),
        (warmest, warmest.degC > WORKSHOP_DEGC[1]),
    ):
        if is_odd:
            text = f"{_words(odd)} before anything turned: is its offset forgotten or applied "
            text += "twice, or its unit another one? job.ambient_degC would tell"
            return [Doubt(NAME, "sensor-suspect", text, burst_ns)]
    return []


def _as_fahrenheit(readings: Sequence[Reading], coldest: Reading, warmest: Reading) -> bool:
    """Whether the warmest reads in degF what the coldest, or the air, reads in degC."""
    air = next((one for one in readings if one.name == AMBIENT), coldest)
    wanted = air.degC * 1.8 + 32
    return abs(warmest.degC - wanted) <= FAHRENHEIT + warmest.u + 1.8 * air.u


def _words(reading: Reading) -> str:
    return f"{reading.name} {reading.degC:.1f} degC"
