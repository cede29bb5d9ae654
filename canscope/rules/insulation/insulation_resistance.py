"""Rule ``insulation-resistance``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.model.signals import Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.open_poles import both_open
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.trust.samples.range_ends import at_end_of_range

NAME, MONITOR, VOLTAGE = "pack", "pack.insulation", "pack.voltage"
REGULATION = "UN R100 5.1.3"
LITTLE = "read-too-little"
AWAKE_S = 2.0  # closed before a reading is of the whole vehicle at all; common practice, no source
MEASURED_S = 5.0  # closed before it has measured anew, so that it holds no value from before
# Of too little again in a row, so that it is no disturbed frame; likewise. A monitor that sends as
# seldom as that has measured anew each time, so that one reading is enough.
LOW_NS, LOW_READINGS = S // 2, 3
SELDOM = 0.9  # times that; likewise
ANEW = 0.1  # by which two readings in a row differ from that, if it has measured anew before


@dataclass(frozen=True)
class Seen:
    """What is known so far."""

    highest_V: float = float("nan")  # pack voltage; NaN before its first value
    closed_s: float | None = None  # the longest time for which both poles stayed closed
    clipped_ns: int | None = None  # first settled reading at the end of the monitor's range
    nothing_ns: int | None = None  # first reading of nothing while closed, before it had settled
    read_ns: int | None = None  # its last reading
    first_ns: int | None = None  # when the poles were first known as at its first reading
    measured_ns: int | None = None  # when the poles closed (opened) since which it read enough
    low: tuple[int, int] | None = None  # the same of too little, and when; it was not enough since
    lows: int = 0  # readings since then
    fell_ns: int | None = None  # first reading of too little that no settling explains
    spun_ns: int | None = None  # first reading of too little while a unit turned
    alone_ohm: float = float("nan")  # the last reading before any pole closed
    joined_ohm: float = float("nan")  # the last one with both closed, before it had settled
    steady: tuple[int, float] | None = None  # the closing, and the last reading in it


@RULES.add("insulation-resistance")
@dataclass(frozen=True, kw_only=True)
class InsulationResistance(Rule):
    """The high voltage is insulated from the vehicle's body, by the vehicle's own monitor.

    Judged
        On every reading of the insulation monitor with both main contactors closed for at least
        ``settle_s``: resistance over working voltage. Working voltage is the larger of
        ``pack.maximum_voltage_V`` and the highest pack voltage seen so far. The inverter joins the
        a.c. and the d.c. side, so the limit is ``joined_ohm_per_V``; it is ``protected_ohm_per_V``
        where the plan says ``ac_protected``: the a.c. side is doubly insulated or in mechanically
        robust housings. With both open for ``settle_s`` a reading proves nothing of what is then
        not connected, but one below the limit fails: it is the pack's own. So does, before
        ``settle_s``, a reading that is too little for 0.5 s and more, the third one in a row, or
        one of a monitor that sends only every 0.5 s or more seldom, in the same closing (opening)
        in which the monitor had measured enough: after 5 s, or once two readings in a row agreed
        and differed from the one before closing (opening). CAN only tells what the monitor
        believes; an insulation tester proves it.
    Margin
        That quotient minus the limit, in ohm/V. Uncertainty: of the reading, and of the voltage if
        it was measured, to first order.
    Unproven
        The contactors never stayed closed for ``settle_s``, or no reading came after that
        (not-exercised); the readings stood at the upper end of the monitor's range
        (sensor-suspect), were not available or fell silent; the monitor read 0 ohm with the
        contactors closed before it had settled, or read too little for a moment after it had
        measured enough in the same closing (opening), or all the time until they opened, closed or
        the recording ended (sensor-suspect): a monitor that settles goes from low to enough, and an
        insulation that comes and goes does not; it had not settled, and read too little, when a
        unit turned already (sensor-suspect); there is neither a ``maximum_voltage_V`` nor a pack
        voltage to make a limit of (no-limit).
    """

    # The plan may be stricter than the regulation, not laxer.
    joined_ohm_per_V: float = limit(
        500.0,
        "ohm/V",
        REGULATION,
        low=500.0,
        high=100000.0,
        note="with a.c. and d.c. side joined",
        looser="lower",
    )
    protected_ohm_per_V: float = limit(
        100.0,
        "ohm/V",
        REGULATION,
        low=100.0,
        high=100000.0,
        note="with pack.ac_protected",
        looser="lower",
    )
    settle_s: float = limit(30.0, "s", high=600.0, note="closed before a reading counts")

    unit: ClassVar[str] = "ohm/V"
    required_in: ClassVar[frozenset[str]] = frozenset({"power-up"})
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP})
    says: ClassVar[dict[str, str]] = {
        "pass": "the vehicle's own monitor reads enough insulation, {kohm:.0f} kohm at a working "
        "voltage of {working_V:.0f} V",
        "fail": "the vehicle's own monitor reads too little insulation, {kohm:.0f} kohm at a "
        "working voltage of {working_V:.0f} V",
    }
    codes: ClassVar[tuple[str, ...]] = ("read-too-little",)
    exercise: ClassVar[str] = (
        "close the contactors and leave them closed at rest until the monitor has settled"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "moisture, dirt or a chafed cable somewhere between high voltage and the body",
        "a winding or a cooling plate of a drive unit that is wet inside or damaged",
        "the monitor is wired wrongly, or its signal has a wrong factor in the definition",
    )
    next: ClassVar[str] = (
        "switch off, isolate, wait, and measure with an insulation tester: pack alone, then each "
        "unit alone"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pack with all that is connected to it."""
        if bench.maximum_voltage_V is not None:
            return [Subject(NAME, (MONITOR, *MAIN_ROLES), (MONITOR,))]
        if bench.has(VOLTAGE):
            return [Subject(NAME, (MONITOR, *MAIN_ROLES, VOLTAGE), (MONITOR, VOLTAGE))]
        missing = "neither pack.maximum_voltage_V nor pack.voltage is given"
        return [Subject(NAME, (MONITOR, *MAIN_ROLES), (MONITOR,), no_limit=missing)]

    def source(self, given: frozenset[str]) -> str:
        """The regulation, unless the plan asks for more."""
        return "plan" if given & {"joined_ohm_per_V", "protected_ohm_per_V"} else REGULATION

    def start(self, bench: Bench) -> Seen:
        return Seen()

    def fold(self, state: Seen, piece: Piece) -> tuple[Seen, Sequence[Outcome]]:
        """Judge the new readings of the monitor."""
        state = replace(state, closed_s=_longest(state.closed_s, piece))
        readings = piece[MONITOR].known
        state, working_V, working_u = _working(state, piece, readings.time_ns)
        if not len(readings):
            return state, ()
        settled = self._settled(piece, readings.time_ns)
        # At the upper end the true resistance is not known, and a lost monitor may stand there.
        clipped = at_end_of_range(piece.bench.bindings[MONITOR], readings)
        if state.clipped_ns is None and (clipped & settled).any():
            state = replace(state, clipped_ns=int(readings.time_ns[clipped & settled][0]))
        if state.nothing_ns is None:
            closed = piece.at("@closed", readings.time_ns)
            nothing = (closed.value == 1) & (closed.age_ns >= 2 * S) & ~settled
            nothing &= readings.value <= piece.bench.u(MONITOR)
            if nothing.any():
                state = replace(state, nothing_ns=int(readings.time_ns[nothing][0]))
        live = ~clipped & (working_V > 0)
        state, fell = self._settling(state, piece, readings, working_V, settled, live)
        found: list[Outcome] = []
        alone = self._pack_alone(piece, readings, working_V) & live
        for judged in (settled & live, alone, fell):
            times, ohm = readings.time_ns[judged], readings.value[judged]
            rows = self._rows(piece, times, ohm, working_V[judged], working_u[judged])
            found += [rows] if len(rows.time_ns) else []
        return state, found

    def close(self, state: Seen, piece: Piece) -> Sequence[Outcome]:
        """Why nothing was judged, if nothing was; and low readings that no settling explains."""
        if state.nothing_ns is not None:
            text = "the monitor read 0 ohm with the contactors closed, before it had settled: a "
            text += "short circuit that came and went, or a code"
            return [Doubt(NAME, "sensor-suspect", text, state.nothing_ns, code=LITTLE)]
        fell_ns = state.fell_ns or (state.low or (0, None))[1]
        if fell_ns is not None:
            text = "the monitor read too little, and not only as it "
            text += "settled: insulation that comes and goes, or a monitor that needs longer"
            return [Doubt(NAME, "sensor-suspect", text, fell_ns, code=LITTLE)]
        if state.spun_ns is not None:
            text = "the monitor read too little while a unit turned already: it had not settled, "
            text += "or the insulation was bad then; let it settle before anything turns"
            return [Doubt(NAME, "sensor-suspect", text, state.spun_ns, code=LITTLE)]
        if state.clipped_ns is not None:
            text = "the monitor stood at the upper end of its range"
            return [unjudged(NAME, "sensor-suspect", text, state.clipped_ns)]
        if state.closed_s is None:
            text = "both main contactors were never seen closed"
        elif state.closed_s < self.settle_s:
            text = f"the contactors stayed closed for {state.closed_s:.1f} s at most, and the "
            text += f"monitor needs {self.settle_s:g} s"
        else:
            text = f"no reading of the monitor came {self.settle_s:g} s after closing or later"
        return [unjudged(NAME, "not-exercised", text)]

    def _settled(self, piece: Piece, times_ns: Int64s) -> Bools:
        """Instants at which both poles had been closed for long enough."""
        closed = piece.at("@closed", times_ns)
        settled: Bools = (closed.value == 1) & (closed.age_ns >= round(self.settle_s * S))
        return settled

    def _settling(
        self,
        state: Seen,
        piece: Piece,
        readings: Samples,
        working_V: Floats,
        settled: Bools,
        live: Bools,
    ) -> tuple[Seen, Bools]:
        """Whether readings before ``settle_s`` went from too little to enough, and only so.

        What it reads before the poles first close may be a monitor that has not begun. Beside the
        state: which of them are too little again, and have been so for ``LOW_NS``.
        """
        fell = np.zeros(len(readings), np.bool_)
        times = readings.time_ns
        closed = piece.at("@closed", times)
        engaged = piece.at("@engaged", times).value
        since_ns = times - closed.age_ns
        if state.first_ns is None:
            state = replace(state, first_ns=int(since_ns[0]))
        enough = readings.value >= self._wanted(piece.bench) * working_V
        opened = both_open(piece, times, 0, 0) & (since_ns != state.first_ns)
        counts = live & ((closed.value == 1) | opened) & (closed.age_ns >= AWAKE_S * S)
        if state.spun_ns is None:
            spun = counts & ~enough & ~settled & piece.turning(times)
            state = replace(state, spun_ns=int(times[np.argmax(spun)]) if spun.any() else None)
        before_ns = times[0] if state.read_ns is None else state.read_ns
        seldom = np.diff(times, prepend=before_ns) >= SELDOM * LOW_NS
        state = replace(state, read_ns=int(times[-1]))
        for row in np.flatnonzero(~settled):
            now, since, ohm = int(times[row]), int(since_ns[row]), float(readings.value[row])
            if engaged[row] != 1:  # pre-charge connects the vehicle before both mains do
                state = replace(state, alone_ohm=ohm)
            if not counts[row]:
                continue
            other_ohm = state.alone_ohm if closed.value[row] == 1 else state.joined_ohm
            if closed.value[row] == 1:
                state = replace(state, joined_ohm=ohm)
            low = state.low
            if enough[row]:
                if low is not None and low[0] == since:
                    state = replace(state, low=None)
                before = state.steady[1] if state.steady and state.steady[0] == since else np.nan
                anew = abs(ohm - other_ohm) > ANEW * other_ohm
                anew &= abs(ohm - before) <= ANEW / 2 * before
                anew |= bool(closed.age_ns[row] >= MEASURED_S * S)
                state = replace(state, steady=(since, ohm))
                if anew and state.measured_ns != since:
                    state = replace(state, measured_ns=since)
            elif low is None:
                state = replace(state, low=(since, now), lows=1)
                fell[row] = state.measured_ns == since and seldom[row]
                if state.measured_ns == since and state.fell_ns is None:
                    state = replace(state, fell_ns=now)
            elif low[0] != since:  # the closing before ended with too little
                fell_ns = state.fell_ns or low[1]
                state = replace(state, low=(since, now), lows=1, fell_ns=fell_ns)
            else:
                state = replace(state, lows=state.lows + 1)
                often = now - low[1] >= LOW_NS or state.lows >= LOW_READINGS
                fell[row] = state.measured_ns == since and often
        if state.low is not None and (counts & enough & (since_ns == state.low[0]))[settled].any():
            state = replace(state, low=None)
        return state, fell

    def _pack_alone(self, piece: Piece, readings: Samples, working_V: Floats) -> Bools:
        """Readings below the limit with both poles open for long enough."""
        times = readings.time_ns
        closed = piece.at("@closed", times)
        rested = (closed.value == 0) & (closed.age_ns >= round(self.settle_s * S))
        low = readings.value < self._wanted(piece.bench) * working_V
        return np.asarray(rested & low & both_open(piece, times, 0, 0))

    def _wanted(self, bench: Bench) -> float:
        return self.protected_ohm_per_V if bench.ac_protected else self.joined_ohm_per_V

    def _rows(
        self, piece: Piece, times: Int64s, ohm: Floats, working_V: Floats, working_u: Floats
    ) -> Margins:
        wanted = self._wanted(piece.bench)
        quotient = ohm / working_V
        return margins(
            NAME,
            times,
            quotient - wanted,
            measured=quotient,
            limit=wanted,
            uncertainty=(piece.bench.u(MONITOR) + np.abs(quotient) * working_u) / working_V,
            kohm=ohm / 1e3,
            working_V=working_V,
        )


def _working(state: Seen, piece: Piece, times_ns: Int64s) -> tuple[Seen, Floats, Floats]:
    """The working voltage at these instants, its uncertainty, and the state after the piece."""
    volts = piece[VOLTAGE].known
    highest = np.fmax.accumulate(np.concatenate(([state.highest_V], volts.value)))
    seen_V = highest[np.searchsorted(volts.time_ns, times_ns, "right")]
    planned = piece.bench.maximum_voltage_V
    stated_V = np.full(len(times_ns), np.nan if planned is None else planned)
    working_V = np.fmax(seen_V, stated_V)
    u = np.where(working_V == stated_V, 0.0, piece.bench.u(VOLTAGE))
    return replace(state, highest_V=float(highest[-1])), working_V, u


def _longest(known_s: float | None, piece: Piece) -> float | None:
    """The longest time for which both poles stayed closed, up to the end of this piece."""
    steps = piece["@closed"].time_ns
    instants = np.append(steps, piece.until_ns).astype(np.int64)
    closed = piece.at("@closed", instants, before=True)
    ages_s = closed.age_ns[closed.value == 1] / S
    if not len(ages_s):
        return known_s
    return max(float(ages_s.max()), known_s or 0.0)
