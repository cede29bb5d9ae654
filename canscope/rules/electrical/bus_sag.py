"""Rule ``bus-sag``."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike

from canscope.model.bench import Bench
from canscope.model.events import Event
from canscope.model.findings import Verdict
from canscope.model.median import median
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, Worst, limit
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools, Floats
from canscope.rules import RULES
from canscope.rules.electrical._main_contactors import (
    LATE_NS,
    SETTLE_NS,
    count_settled,
    let_go,
    opened_late,
    unopened,
)
from canscope.rules.electrical._voltages import CURRENT, voltage_subjects, voltages
from canscope.rules.shared.links import clocks_ns
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.trust.samples.range_ends import first_at_end

AFTER_NS = S  # the rest after a closing, whose voltage is the first to hold
GONE = 0.05  # of the pack: a link so far below it has let go; common practice, no source
STEADY = 0.25  # of the rest current, by which a steady load may waver


@dataclass(frozen=True)
class Sag:
    """What is known of one voltage so far."""

    next_ns: int = int(NEVER)  # samples before it are judged
    resting_V: float = float("nan")
    closed_ns: int | None = None  # both poles closed, and the rest after it is not over yet
    bursts: int = 0
    loaded: bool = False  # judged at least once while a unit turned
    clipped_ns: int | None = None
    collapsed_ns: int | None = None  # below half of nominal in a burst, no contactors bound


@dataclass(frozen=True, eq=False)
class Readings:
    """Samples of one voltage, and what else is known at each of them."""

    samples: Samples
    in_circuit: Bools  # and with a value; both poles closed, or above half of nominal
    judged: Bools  # and no pole seen open next
    turning: Bools
    current_A: Floats
    gone: Bools  # below the pack without a current: a contact may have opened

    def __getitem__(self, rows: slice) -> Readings:
        judged, turning = self.judged[rows], self.turning[rows]
        current_A = self.current_A[rows]
        in_circuit, gone = self.in_circuit[rows], self.gone[rows]
        return Readings(self.samples[rows], in_circuit, judged, turning, current_A, gone)

    def between(self, start_ns: int, end_ns: int) -> Readings:
        """Those with start <= time < end."""
        return self[slice(*self.samples.time_ns.searchsorted((start_ns, end_ns)).tolist())]


@RULES.add("bus-sag")
@dataclass(frozen=True, kw_only=True)
class BusSag(Rule):
    """The high voltage holds under load: it sags little below its resting value.

    Judged
        For the pack and for each unit's link, on every voltage sample from both poles closed (of a
        link on another bus than the contactors 1.2 s later: clocks may differ) to the first pole
        opening, at rest as well as under load; a link that lies 5 % below the pack with at most 2 A
        only where no pole reads open within 0.25 s and a cycle after it (states come late); without
        contactors bound within bursts only, while above half of the nominal voltage. Resting is the
        median of the second after closing (for the pack also of the ``lookback_s`` before it,
        whichever is higher), then that of the ``lookback_s`` before each burst, of samples with a
        pack current of at most ``rest_current_A``, or a steady one of at most ``steady_A`` (a d.c.
        converter). A resting value that lies below the one before it by more than half of
        ``limit_percent`` is a collapse and no rest: the one before it stays.
    Margin
        ``limit_percent`` minus (resting - voltage) / resting in percent; with ``floor_V`` given,
        also (voltage - floor) / floor in percent. Uncertainty: half a raw step (and the instrument)
        of each reading used, to first order.
    Unproven
        No unit turned, nothing was sampled while one turned, or the pack never rested before a
        burst (not-exercised); the plan gives neither contactors nor a nominal voltage (no-limit);
        the voltage fell below half of nominal and no contactor says why (inferred); it stood at an
        end of its range (sensor-suspect).
    """

    limit_percent: float = limit(
        10.0, "%", high=50.0, note="of the resting voltage", looser="higher"
    )
    floor_V: float | None = limit(None, "V", low=1.0, high=2000.0, note="at least", example=300)
    rest_current_A: float = limit(2.0, "A", high=20.0)
    steady_A: float = limit(8.0, "A", high=20.0, note="a load at rest, or an offset, that stays")
    lookback_s: float = limit(2.0, "s", low=0.1, high=30.0, note="before a burst")

    unit: ClassVar[str] = "%"
    edges: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = frozenset(
        {"unit-alone", "dry-spin", "wet-spin", "rolling"}
    )
    stops: ClassVar[bool] = True
    levels: ClassVar[frozenset[str]] = frozenset({CURRENT})
    limit_parameter: ClassVar[str] = "limit_percent"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "the voltage held: {resting}, lowest {voltage_V:.1f} V at {current}; {below}",
        "fail": "the voltage sagged: {resting}, lowest {voltage_V:.1f} V at {current}; {below}",
    }
    codes: ClassVar[tuple[str, ...]] = ("without-load",)
    spins: ClassVar[bool] = True
    at_rest: ClassVar[bool] = True
    exercise: ClassVar[str] = (
        "close the contactors, wait 3 s without load, spin the unit, and record all of it"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the pre-charge resistor is still in circuit: the positive contactor does not carry",
        "a high resistance in a joint, fuse, connector or service plug",
        "the pack is nearly empty, cold, or has a weak cell",
        "more current was drawn than the pack can give",
    )
    next: ClassVar[str] = (
        "compare pack and link at that instant: if only the link sags, the fault lies between them"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pack, and the link of every unit."""
        return voltage_subjects(bench)

    def start(self, bench: Bench) -> Mapping[str, Sag]:
        return {name: Sag() for name in voltages(bench)}

    def fold(
        self, state: Mapping[str, Sag], piece: Piece
    ) -> tuple[Mapping[str, Sag], Sequence[Outcome]]:
        """Judge the new samples of every voltage, burst after burst."""
        after, found = dict(state), list[Outcome]()
        starts = piece.events_of("burst-start")
        for name, role in voltages(piece.bench).items():
            sag = _seen(state[name], piece, role)
            rests, closed_ns = _rests(sag.closed_ns, piece)
            sag = replace(sag, closed_ns=closed_ns)
            moments: list[tuple[int, int, Event | None]] = [
                *((event.known_ns, event.time_ns, event) for event in starts),
                *((due_ns, due_ns - AFTER_NS, None) for due_ns in rests),
            ]
            since_ns = min((sag.next_ns, *(m[1] - self._lookback_ns for m in moments)))
            readings = _readings(piece, name, role, since_ns)
            for known_ns, at_ns, event in sorted(moments, key=lambda moment: moment[:2]):
                sag, rows = self._judge(sag, piece, name, readings, known_ns)
                found += rows
                if event is not None:
                    sag, rows = self._begin(sag, piece, name, readings, event)
                else:
                    sag, rows = self._rest(sag, piece, name, readings, at_ns)
                found += rows
            after[name], rows = self._judge(sag, piece, name, readings, piece.until_ns)
            found += rows
        return after, found

    def close(self, state: Mapping[str, Sag], piece: Piece) -> Sequence[Outcome]:
        """Judge the samples that waited for a pole, and say what was not exercised."""
        found: list[Outcome] = []
        for name, sag in state.items():
            readings = _readings(piece, name, voltages(piece.bench)[name], sag.next_ns)
            until_ns = piece.until_ns + LATE_NS + SETTLE_NS + 1
            last, rows = self._judge(sag, piece, name, readings, until_ns)
            found += rows
            found += _unexercised(name, last, piece.bench)
        return found

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with the resting voltage and the current at that instant."""
        current_A, resting_V = worst.facts["current_A"], worst.facts["resting_V"]
        words = {
            "current": "an unknown current" if math.isnan(current_A) else f"{current_A:.1f} A",
            "resting": "resting unknown" if math.isnan(resting_V) else f"resting {resting_V:.1f} V",
        }
        return super().clause(verdict, replace(worst, facts={**worst.facts, **words}))

    @property
    def _lookback_ns(self) -> int:
        return round(self.lookback_s * S)

    def _begin(
        self, sag: Sag, piece: Piece, name: str, readings: Readings, event: Event
    ) -> tuple[Sag, list[Outcome]]:
        """Take the resting voltage before a new burst, and judge its samples so far."""
        before = readings.between(event.time_ns - self._lookback_ns, event.time_ns)
        sag = replace(sag, bursts=sag.bursts + 1)
        sag = self._learn(sag, self._resting_V(before, before.in_circuit))
        since = readings.between(event.time_ns, sag.next_ns)
        return self._rows(sag, piece, name, since, np.ones(len(since.samples), bool))

    def _rest(
        self, sag: Sag, piece: Piece, name: str, readings: Readings, closed_ns: int
    ) -> tuple[Sag, list[Outcome]]:
        """Take the resting voltage around a closing, and judge the samples since."""
        after = readings.between(closed_ns, closed_ns + AFTER_NS)
        resting_V = self._resting_V(after, after.in_circuit)
        if name == "pack":  # it is there before anything closes
            before = readings.between(closed_ns - self._lookback_ns, closed_ns)
            earlier_V = self._resting_V(before, ~np.isnan(before.samples.value))
            resting_V = float(np.fmax(resting_V, earlier_V))
        sag = self._learn(sag, resting_V)
        since = readings.between(closed_ns + SETTLE_NS // 2, sag.next_ns)
        return self._rows(sag, piece, name, since, since.turning)

    def _resting_V(self, part: Readings, usable: Bools) -> float:
        """The median of the readings at rest; NaN if there were none."""
        amps = part.current_A[usable]
        known = amps[~np.isnan(amps)]
        steady_A = median(known) if len(known) else 0.0
        quiet = np.abs(amps) <= self.rest_current_A
        if abs(steady_A) <= self.steady_A:
            quiet |= np.abs(amps - steady_A) <= STEADY * self.rest_current_A
        resting = part.samples.value[usable][quiet]
        return median(resting) if len(resting) else float("nan")

    def _learn(self, sag: Sag, resting_V: float) -> Sag:
        """Take a resting voltage, unless it has collapsed below the one before it."""
        fell = resting_V < sag.resting_V * (1 - self.limit_percent / 200)
        return sag if fell or not resting_V > 0 else replace(sag, resting_V=resting_V)

    def _judge(
        self, sag: Sag, piece: Piece, name: str, readings: Readings, until_ns: int
    ) -> tuple[Sag, list[Outcome]]:
        """Judge the samples that are settled before ``until_ns``, each once."""
        times = readings.samples.time_ns
        first = int(times.searchsorted(sag.next_ns))
        if _waits(piece, name):
            gone = readings.gone[first:]
            end = first + count_settled(piece, times[first:], until_ns, gone=gone)
        else:
            end = int(times.searchsorted(until_ns))
        if end <= first:
            return sag, []
        sag, part = replace(sag, next_ns=int(times[end - 1]) + 1), readings[first:end]
        return self._rows(sag, piece, name, part, part.turning)

    def _rows(
        self, sag: Sag, piece: Piece, name: str, part: Readings, loaded: Bools
    ) -> tuple[Sag, list[Outcome]]:
        """Margins of samples against the resting voltage; ``loaded``: those while a unit turned."""
        judged, samples = part.judged, part.samples
        if not piece.bench.has(*MAIN_ROLES):
            if sag.collapsed_ns is None:
                fell = (loaded & ~part.in_circuit & ~np.isnan(samples.value)).nonzero()[0]
                if len(fell):
                    sag = replace(sag, collapsed_ns=int(samples.time_ns[fell[0]]))
            judged = judged & loaded
        found = self._margins(piece, name, sag.resting_V, part, judged)
        if not sag.loaded and not math.isnan(sag.resting_V) and (judged & loaded).any():
            sag = replace(sag, loaded=True)
        return sag, found

    def _margins(
        self, piece: Piece, name: str, resting_V: float, part: Readings, judged: Bools
    ) -> list[Outcome]:
        """How far below resting and, if the plan gives a floor, how far below that, in percent."""
        times, volts = part.samples.time_ns[judged], part.samples.value[judged]
        u_V = piece.bench.u(voltages(piece.bench)[name])
        facts: dict[str, Any] = {
            "resting_V": resting_V,
            "voltage_V": volts,
            "current_A": part.current_A[judged],
        }
        idle = np.abs(facts["current_A"]) <= self.rest_current_A
        against: list[tuple[float, float, ArrayLike, str]] = []
        if not math.isnan(resting_V):
            # The resting value is a reading as well, and its error moves the ratio.
            u_percent = 100 * (u_V + np.abs(volts) / resting_V * u_V) / resting_V
            against.append((resting_V, self.limit_percent, u_percent, "below resting"))
        if self.floor_V is not None:
            below = f"below the floor of {self.floor_V:g} V"
            against.append((self.floor_V, 0.0, 100 * u_V / self.floor_V, below))
        found: list[Outcome] = []
        for reference, ceiling, u, below in against:
            percent = 100 * (reference - volts) / reference
            found.append(
                margins(
                    name,
                    times,
                    ceiling - percent,
                    measured=percent,
                    limit=ceiling,
                    uncertainty=u,
                    below=below,
                    # What falls while nothing draws from it is no matter of a joint.
                    code=np.where(idle, "without-load", ""),
                    **facts,
                )
            )
        return found


def _rests(closed_ns: int | None, piece: Piece) -> tuple[list[int], int | None]:
    """When the rests after closings were over in this piece, and the closing still to rest."""
    found: list[int] = []
    if not piece.bench.has(*MAIN_ROLES):
        return found, None
    steps = piece["@closed"]
    for time_ns, value in zip(steps.time_ns.tolist(), steps.value.tolist(), strict=True):
        if closed_ns is not None and closed_ns + AFTER_NS < time_ns:
            found.append(closed_ns + AFTER_NS)
        closed_ns = time_ns if value == 1 else None
    if closed_ns is not None and closed_ns + AFTER_NS < piece.until_ns:
        found.append(closed_ns + AFTER_NS)
        closed_ns = None
    return found, closed_ns


def _seen(sag: Sag, piece: Piece, role: str) -> Sag:
    """The first sample at an end of its range."""
    samples = piece[role]
    if sag.clipped_ns is None and len(samples):
        return replace(sag, clipped_ns=first_at_end(piece.bench.bindings[role], samples))
    return sag


def _readings(piece: Piece, name: str, role: str, since_ns: int) -> Readings:
    """A voltage's samples since an instant."""
    samples = piece.back(role, since_ns)
    times = samples.time_ns
    nominal_V = piece.bench.nominal_voltage_V
    if piece.bench.has(*MAIN_ROLES):
        in_circuit = piece.at("@closed", times).value == 1
    else:
        in_circuit = samples.value > (np.inf if nominal_V is None else nominal_V / 2)
    if not samples.is_complete:
        in_circuit &= ~np.isnan(samples.value)
    judged, gone = in_circuit, np.zeros(len(times), np.bool_)
    if _waits(piece, name):
        judged = in_circuit & unopened(piece, times)
        gone = let_go(piece, samples, GONE)
        if gone.any():
            judged[gone] &= ~opened_late(piece, times[gone])
        if apart_ns := clocks_ns(piece.bench, role):
            judged &= piece.at("@closed", times).age_ns >= apart_ns
    current_A = piece.at(CURRENT, times).value
    return Readings(samples, in_circuit, judged, piece.turning(times), current_A, gone)


def _waits(piece: Piece, name: str) -> bool:
    """Whether a sample can only be judged once both poles were seen again.

    A link loses its voltage as soon as a pole really opens, up to one sample before the pole's
    state shows it. The pack keeps its voltage and is judged at once.
    """
    return name != "pack" and piece.bench.has(*MAIN_ROLES)


def _unexercised(name: str, sag: Sag, bench: Bench) -> list[Outcome]:
    found: list[Outcome] = []
    if sag.clipped_ns is not None:
        text = "the voltage stood at an end of its range"
        found.append(Doubt(name, "sensor-suspect", text, sag.clipped_ns))
    if sag.collapsed_ns is not None:
        text = (
            "the voltage fell below half of nominal while a unit turned, and no contactor is bound"
            " that could say whether it was switched off"
        )
        found.append(Doubt(name, "inferred", text, sag.collapsed_ns))
    if not sag.bursts:
        found.append(Doubt(name, "not-exercised", "no unit turned"))
    elif not bench.has(*MAIN_ROLES) and bench.nominal_voltage_V is None:
        text = "neither both main contactors nor pack.nominal_voltage_V is in the plan"
        found.append(Doubt(name, "no-limit", text))
    elif math.isnan(sag.resting_V):
        text = (
            "the resting voltage is not known: before no burst was there a sample with the poles"
            " closed and the pack current known to be near zero"
        )
        found.append(Doubt(name, "not-exercised", text))
    elif not sag.loaded:
        text = "the voltage was sampled only while no unit turned"
        found.append(Doubt(name, "not-exercised", text))
    return found
