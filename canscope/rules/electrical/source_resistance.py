"""Rule ``source-resistance``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from canscope.model.bench import SAFE_V, Bench
from canscope.model.findings import Verdict
from canscope.model.median import median, scatter
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, Worst, limit, unjudged
from canscope.model.signals import Samples
from canscope.model.tables import Floats
from canscope.rules import RULES
from canscope.rules.electrical._main_contactors import (
    LATE_NS,
    SETTLE_NS,
    count_settled,
    idle,
    next_of,
    opened_late,
    stayed_closed,
)
from canscope.rules.electrical._voltages import CURRENT, voltage_subjects, voltages
from canscope.rules.shared.persistence import NO_LABEL, LastLabel, Stretches, follow, to_ns
from canscope.rules.shared.poles import MAIN_ROLES

PACK = "pack.voltage"
FALLS = 0.05  # of itself: a voltage that falls so far is looked at; common practice, no source
NOISE = 3.0  # times the noise of a reading at rest; common practice, no source
LEAST_A = 0.01  # what a current that reads the same may have changed by at least


@dataclass(frozen=True)
class Step:
    """A load that set in after a rest: stamps of the last reading at rest and the next one."""

    rest_ns: int
    leave_ns: int


@dataclass(frozen=True)
class State:
    """How long the current has rested, and the steps whose pulse has not ended."""

    current: LastLabel = NO_LABEL
    steps: tuple[Step, ...] = ()
    suspect: Mapping[str, int] = field(default_factory=dict)  # subject -> when it rose under load
    next_ns: Mapping[str, int] = field(default_factory=dict)  # subject -> samples before are judged


@dataclass(frozen=True)
class Pulse:
    """The current of one step: at rest, at its largest change, and when that was."""

    step: Step
    at_ns: int
    from_A: float
    to_A: float

    @property
    def pulse_s(self) -> float:
        """From the first reading under load to that reading."""
        return (self.at_ns - self.step.leave_ns) / 1e9


@RULES.add("source-resistance")
@dataclass(frozen=True, kw_only=True)
class SourceResistance(Rule):
    """Pack and links give way little when a load sets in: dV/dI, with its pulse time.

    Judged
        At every load step with both poles closed (where they are bound): the pack current rested at
        or below ``rest_current_A`` for ``rest_s`` and then left that. Resistance is the change of
        voltage over the change of current, from the medians of that rest to the largest change of
        current within ``pulse_s``, if that is at least ``step_A``. For the pack by its own voltage,
        for each link by the link's. The longer the pulse, the larger the resistance of the same
        pack; the pulse time is told with it. And wherever a voltage falls by more than 5 %* of
        itself within ``pulse_s``, however small the current or its change (a link while both poles
        stay closed, and without a current where none reads open within 0.25 s and a cycle, the pack
        from the first frame to the last, whatever the contactors do): the fall over the largest
        change of current in that time. That one can only fail: a load of 1 A that takes 90 V away
        has the pre-charge resistor in circuit, and a pack that falls with the contactors open is no
        pack's voltage.
    Margin
        ``limit_ohm`` minus the resistance, in ohm. The uncertainty is that of two readings of
        voltage and of current over the step, the noise of a voltage at rest, and how far it lagged
        behind the current.
    Unproven
        No load step was seen (not-exercised); the voltage rose as the load set in, so that the sign
        of the current or a scale is in doubt, or a link was below 60 V before it, so it feeds none
        (sensor-suspect); stale or not available.
    """

    limit_ohm: float = limit(1.0, "ohm", high=10.0, looser="higher")
    step_A: float = limit(
        3.0, "A", low=0.01, high=50.0, note="in the smallest step", looser="higher"
    )
    rest_current_A: float = limit(2.0, "A", high=20.0)
    rest_s: float = limit(0.5, "s", low=0.1, high=10.0, note="of rest before the step")
    pulse_s: float = limit(1.0, "s", low=0.01, high=10.0, note="of the longest pulse")

    unit: ClassVar[str] = "ohm"
    order: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "limit_ohm"
    says: ClassVar[dict[str, str]] = {
        "pass": "it gave way little{step}",
        "fail": "it gave way too far, its own resistance or that of its joints is high{step}",
        "fail link": "the pre-charge resistor is still in circuit, or a joint is bad{step}",
        "fail both": "it gave way too far, and so did the pack itself{step}",
        "close": "it gave way about as far as allowed{step}",
    }
    spins: ClassVar[bool] = True
    at_rest: ClassVar[bool] = True
    exercise: ClassVar[str] = "let it rest for a second, then press the pedal briskly and hold it"
    causes: ClassVar[tuple[str, ...]] = (
        "the positive contactor does not carry: the link still hangs on the pre-charge resistor",
        "a high resistance in a joint, fuse, connector or service plug",
        "the current signal has a wrong factor: all resistances then come out too large",
    )
    next: ClassVar[str] = "compare pack and link: if only the link gives way, it lies between them"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pack, and each link."""
        return voltage_subjects(bench)

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Find the steps of this piece, and judge those whose pulse is over."""

        def resting(amps: Floats) -> Floats:
            return np.where(np.isnan(amps), np.nan, np.abs(amps) <= self.rest_current_A)

        current = follow(piece, CURRENT, state.current, resting)
        steps = (*state.steps, *self._steps(current))
        over = [s for s in steps if s.leave_ns + to_ns(self.pulse_s) < piece.until_ns]
        suspect, found = self._judge(state.suspect, piece, over)
        next_ns, fallen = self._fallen(state.next_ns, piece, piece.until_ns)
        left = tuple(s for s in steps if s not in over)
        return State(current.last, left, suspect, next_ns), [*found, *fallen]

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """Judge the step that the end of the run cut short; say what was not exercised."""
        suspect, found = self._judge(state.suspect, piece, state.steps)
        found += self._fallen(state.next_ns, piece, piece.until_ns + LATE_NS + SETTLE_NS + 1)[1]
        for name in voltages(piece.bench):
            if name in suspect:
                text = "the voltage rose as the load set in, or was not there before it: a sign, a "
                text += "scale or the signal is wrong"
                found.append(Doubt(name, "sensor-suspect", text, suspect[name]))
            text = f"no load of {self.step_A:g} A set in after {self.rest_s:g} s of rest"
            found.append(unjudged(name, "not-exercised", text))
        return found

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with both readings and the pulse time."""
        facts = worst.facts
        step = (
            f" ({facts['from_V']:.1f} V at {facts['from_A']:.1f} A to {facts['to_V']:.1f} V at "
            f"{facts['to_A']:.1f} A, pulse of {facts['pulse_s']:.2f} s)"
        )
        kind = str(verdict)
        if kind == "fail" and worst.subject != "pack":
            kind = "fail both" if facts.get("pack_ohm", 0.0) > self.limit_ohm else "fail link"
        return self.says[kind].format(step=step)

    def _steps(self, current: Stretches) -> list[Step]:
        """Loads that set in after a full rest."""
        rested_ns = current.time_ns - current.since_ns
        rest = (current.label == 1) & (rested_ns >= to_ns(self.rest_s))
        rows = np.flatnonzero(rest[:-1] & (current.label[1:] == 0) & current.joined[1:])
        return [Step(int(current.time_ns[row]), int(current.time_ns[row + 1])) for row in rows]

    def _judge(
        self, suspect: Mapping[str, int], piece: Piece, steps: Sequence[Step]
    ) -> tuple[Mapping[str, int], list[Outcome]]:
        """Margins of every voltage at these steps; notes voltages that rose."""
        after, found = dict(suspect), list[Outcome]()
        for step in steps:
            pulse = self._pulse(piece, step)
            if pulse is None:
                continue
            for name, role in voltages(piece.bench).items():
                row = self._row(piece, name, role, pulse)
                if row is None:
                    after.setdefault(name, pulse.at_ns)
                else:
                    found.append(row)
        return after, found

    def _fallen(
        self, next_ns: Mapping[str, int], piece: Piece, until_ns: int
    ) -> tuple[Mapping[str, int], list[Outcome]]:
        """Voltages that fell though hardly any current explains it."""
        after, found = dict(next_ns), list[Outcome]()
        if not piece.bench.has(CURRENT, *MAIN_ROLES):
            return after, found
        for name, role in voltages(piece.bench).items():
            samples = piece.back(role, after.get(name, piece.start_ns))
            before_V = piece.at(role, samples.time_ns - to_ns(self.pulse_s)).value
            fell = before_V - samples.value > FALLS * np.abs(before_V)
            gone = fell & idle(piece, samples.time_ns) if role != PACK else np.zeros_like(fell)
            count = count_settled(piece, samples.time_ns, until_ns, (CURRENT,), gone)
            samples, before_V = samples[:count], before_V[:count]
            fell, gone = fell[:count], gone[:count]
            if not count:
                continue
            after[name] = int(samples.time_ns[-1]) + 1
            if fell.any() and role == PACK:
                # It has its voltage whatever the contactors do; a node that wakes may say anything.
                spoke = piece.at(role, samples.time_ns - 2 * to_ns(self.pulse_s)).value >= SAFE_V
                fell &= spoke & (before_V >= SAFE_V)
                fell &= piece.at("@awake", samples.time_ns).value == 1
            elif fell.any():
                fell &= stayed_closed(piece, samples.time_ns)
                age_ns = piece.at("@closed", samples.time_ns).age_ns
                fell &= age_ns >= to_ns(self.pulse_s + self.rest_s)
                fell[gone] &= ~opened_late(piece, samples.time_ns[gone])
            for row in np.flatnonzero(fell).tolist():
                fall = self._fall(piece, name, role, int(samples.time_ns[row]), before_V[row])
                found += [fall] if fall is not None else []
        return after, found

    def _fall(
        self, piece: Piece, name: str, role: str, at_ns: int, from_V: float
    ) -> Outcome | None:
        """The margin of one fall, if it is beyond doubt too far for the change of current."""
        begin_ns = at_ns - to_ns(self.pulse_s)
        following = next_of(piece, CURRENT, np.array([at_ns], np.int64))[0]
        end_ns = min(int(following[0]), at_ns + SETTLE_NS)
        amps = piece.history.samples(CURRENT).between(begin_ns, end_ns + 1).known.value
        from_A = float(piece.at(CURRENT, begin_ns).value[0])
        to_V = float(piece.at(role, at_ns).value[0])
        if not len(amps) or np.isnan(from_A):
            return None
        to_A = float(amps[np.argmax(np.abs(amps - from_A))])
        change_A = max(abs(to_A - from_A) + 2 * piece.bench.u(CURRENT), LEAST_A)
        ohm, u = (from_V - to_V) / change_A, 2 * piece.bench.u(role) / change_A
        if ohm - u <= self.limit_ohm:
            return None
        return margins(
            name,
            at_ns,
            self.limit_ohm - ohm,
            measured=ohm,
            limit=self.limit_ohm,
            uncertainty=u,
            start_ns=begin_ns,
            from_V=from_V,
            to_V=to_V,
            from_A=from_A,
            to_A=to_A,
            pulse_s=self.pulse_s,
            **_packs(piece, Pulse(Step(begin_ns, begin_ns), at_ns, from_A, from_A + change_A)),
        )

    def _pulse(self, piece: Piece, step: Step) -> Pulse | None:
        """The largest change of current in one step; None if too small or not closed."""
        begin_ns = step.rest_ns - to_ns(self.rest_s)
        current = piece.back(CURRENT, begin_ns).known
        load = current.between(step.leave_ns, step.leave_ns + to_ns(self.pulse_s) + 1)
        back = np.flatnonzero(np.abs(load.value) <= self.rest_current_A)
        load = load[: int(back[0])] if len(back) else load
        from_A = _resting(current, step)
        change = np.abs(load.value - from_A)
        if not len(load) or change.max() < self.step_A:
            return None
        row = int(np.flatnonzero(change == change.max())[-1])
        at_ns = int(load.time_ns[row])
        if piece.bench.has(*MAIN_ROLES):
            closed = piece.at("@closed", at_ns)
            if closed.value[0] != 1 or closed.age_ns[0] < at_ns - begin_ns:
                return None
        return Pulse(step, at_ns, from_A, float(load.value[row]))

    def _row(self, piece: Piece, name: str, role: str, pulse: Pulse) -> Outcome | None:
        """The margin of one voltage; None if it rose under load, or was not there."""
        begin_ns = pulse.step.rest_ns - to_ns(self.rest_s)
        end_ns = pulse.step.leave_ns + to_ns(self.pulse_s)
        volts = piece.back(role, begin_ns).known.between(begin_ns, end_ns + 1)
        from_V = _resting(volts, pulse.step)
        held = piece.at(role, pulse.at_ns)
        to_V = float(held.value[0])
        change_A = pulse.to_A - pulse.from_A
        # The voltage was read a little before the current, which may have changed meanwhile.
        since_A = pulse.to_A - float(piece.at(CURRENT, held.sampled_ns).value[0])
        later = volts.value[np.searchsorted(volts.time_ns, pulse.at_ns, "right") :][:1]
        moved_V = float(np.abs(later - to_V).sum()) * min(1.0, abs(since_A / change_A))
        if not len(later) and abs(since_A) > self.step_A:
            to_V = float("nan")
        ohm = (from_V - to_V) / change_A
        u_V, u_A = 2 * piece.bench.u(role) + moved_V, 2 * piece.bench.u(CURRENT)
        u_V += NOISE * scatter(volts.value[: volts.time_ns.searchsorted(pulse.step.rest_ns)])
        u = (u_V + abs(ohm) * u_A) / abs(change_A)
        if ohm < -u or (role != PACK and from_V < SAFE_V):
            return None
        return margins(
            name,
            pulse.at_ns,
            self.limit_ohm - ohm,
            measured=ohm,
            limit=self.limit_ohm,
            uncertainty=u,
            start_ns=begin_ns,
            from_V=from_V,
            to_V=to_V,
            from_A=pulse.from_A,
            to_A=pulse.to_A,
            pulse_s=pulse.pulse_s,
            **_packs(piece, pulse),
        )


def _packs(piece: Piece, pulse: Pulse) -> dict[str, float]:
    """The pack's own resistance in that pulse, if its voltage was read then."""
    pack = piece.at(PACK, [pulse.step.rest_ns, pulse.at_ns]).value
    ohm = float((pack[0] - pack[1]) / (pulse.to_A - pulse.from_A))
    return {} if np.isnan(ohm) else {"pack_ohm": ohm}


def _resting(samples: Samples, step: Step) -> float:
    """Median of the readings of the rest before a step; NaN if there were none."""
    rest = samples.value[: int(np.searchsorted(samples.time_ns, step.rest_ns, "right"))]
    return median(rest) if len(rest) else float("nan")
