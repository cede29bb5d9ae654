"""Rule ``coolant-flow``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, Kind
from canscope.model.findings import Verdict
from canscope.model.median import distinct
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, Worst, limit, unjudged
from canscope.model.signals import Samples
from canscope.model.tables import Bools, Int64s
from canscope.rules import RULES
from canscope.trust.heat.watched import WAKES_NS
from canscope.trust.samples.range_ends import at_end_of_range

NAME, FLOW = "coolant", "cooling.flow"
# A pump takes longer to come to speed, and coolant to come to rest; common practice, no source.
STARTS_NS, STOPS_NS = 3 * S // 10, S // 2


@dataclass(frozen=True)
class Seen:
    """What is known so far."""

    turned: bool = False
    clipped_ns: int | None = None
    woke_ns: int | None = None  # its first sample
    lowest_idle: float = float("inf")  # while no unit turned
    lowest_turning: float = float("inf")
    began: int = 0  # bursts before which all stood, and just before which nothing flowed
    ended: int = 0  # bursts after which all stood, and just after which nothing flowed
    apart: bool = False  # it flowed just before a burst, or just after one


@RULES.add("coolant-flow")
@dataclass(frozen=True, kw_only=True)
class CoolantFlow(Rule):
    """Coolant flows whenever a unit turns.

    Judged
        In the wet stages, from when a unit is seen to turn (or ``grace_s`` later, if the plan says
        so) until it stops: on every sample of ``cooling.flow``, and on what was last known at that
        first instant. Bound to a
        flow it must be at least ``minimum_l_per_min``; bound to a state, the pump must run. A state
        is what the pump's controller says: CAN cannot prove that coolant moves.
    Margin
        The flow minus ``minimum_l_per_min``, in l/min; of a state, 0 while it is on and -1 while it
        is off.
    Unproven
        No unit turned (for ``grace_s``), or nothing was read of the flow while one did
        (not-exercised, stale, not-available); the flow stood at an end of its range; it was never
        seen at rest: neither read below ``minimum_l_per_min`` (a state: off) at some time, nor
        rose by so much from its lowest reading while no unit turned, nor did so in an earlier run
        of the vehicle, so that a stuck sensor would look the same; a flow came within 0.3 s with
        every burst and went within 0.5 s of its end, as no pump and no coolant do (sensor-suspect).
    """

    minimum_l_per_min: float = limit(1.0, "l/min", low=0.1, high=1000.0, looser="lower")
    grace_s: float = limit(0.0, "s", high=10.0, note="for the pump to start", looser="higher")

    unit: ClassVar[str] = "l/min"
    required_in: ClassVar[frozenset[str]] = frozenset({"wet-spin", "rolling"})
    absent_in: ClassVar[frozenset[str]] = frozenset({"unit-alone", "power-up", "dry-spin"})
    limit_parameter: ClassVar[str] = "minimum_l_per_min"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.COOLANT})
    says: ClassVar[dict[str, str]] = {
        "pass": "it flowed whenever a unit turned{late}",
        "fail": "it did not flow while a unit turned",
        "pass state": "the pump reported to run whenever a unit turned{late} (CAN cannot prove "
        "that coolant moves)",
        "fail state": "the pump did not run while a unit turned",
    }
    codes: ClassVar[tuple[str, ...]] = ("never-at-rest",)
    exercise: ClassVar[str] = (
        "record before the pump runs, let it run, see the coolant move, then spin each unit for 5 s"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the pump is not supplied, not commanded or runs dry",
        "air is trapped in the circuit, or a hose is kinked",
        "the pump starts later than the plan's grace allows",
    )
    next: ClassVar[str] = "stop, then look into the expansion tank while the pump runs"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The coolant circuit, and the units whose turning needs it."""
        speeds = tuple(unit.role("speed") for unit in bench.units) or ("units.*.speed",)
        unit = "(1 = running)" if _is_state(bench) else ""
        return [Subject(NAME, (FLOW, *speeds), (FLOW, *speeds), unit=unit)]

    def start(self, bench: Bench) -> Seen:
        return Seen()

    def fold(self, state: Seen, piece: Piece) -> tuple[Seen, Sequence[Outcome]]:
        """Judge the new samples, and the flow as known when a grace ends."""
        if not state.turned and piece.events_of("burst-start"):
            state = replace(state, turned=True)
        if FLOW not in piece.bench.bindings:
            return state, ()
        state = self._with_motion(state, piece)
        samples = piece[FLOW]
        clipped = np.zeros(len(samples), bool)
        if not _is_state(piece.bench):
            clipped = at_end_of_range(piece.bench.bindings[FLOW], samples)
        if state.clipped_ns is None and clipped.any():
            state = replace(state, clipped_ns=int(samples.time_ns[clipped][0]))
        state = _ranges(state, piece, samples[~clipped | (samples.value == 0)].known)
        own = samples.time_ns[self._needed(piece, samples.time_ns)]
        times = distinct(np.concatenate((own, self._ends(piece))))
        if not len(times):
            return state, ()
        flow = piece.at(FLOW, times).value
        wanted = self._wanted(piece.bench)
        rows = margins(
            NAME,
            times,
            flow - wanted,
            measured=flow,
            limit=wanted,
            uncertainty=piece.bench.u(FLOW),
            **({"about": "state"} if _is_state(piece.bench) else {}),
        )
        return state, [rows]

    def close(self, state: Seen, piece: Piece) -> Sequence[Outcome]:
        """What keeps the run from being proof."""
        found: list[Outcome] = []
        if state.clipped_ns is not None:
            text = "the flow stood at an end of its range"
            found.append(Doubt(NAME, "sensor-suspect", text, state.clipped_ns))
        seen = math.isfinite(min(state.lowest_idle, state.lowest_turning))
        vouched = FLOW in piece.bench.moved_before
        if seen and not vouched and not self._seen_at_rest(state, piece.bench):
            lowest = min(state.lowest_idle, state.lowest_turning)
            text = f"it never read less than {lowest:.1f} l/min, as a stuck sensor would as well; "
            text += "let the recording begin before the pump runs, or go on until it has stopped"
            if _is_state(piece.bench):
                text = "the pump was never seen off, so its state may be stuck"
            found.append(Doubt(NAME, "sensor-suspect", text, code="never-at-rest"))
        if state.began and state.ended and not state.apart:
            text = "it came within 0.3 s with every burst and went within 0.5 s of its end: a pump "
            text += "takes longer, so it may be made of the motion"
            found.append(Doubt(NAME, "sensor-suspect", text))
        text = "nothing was known of it while a unit turned"
        if self.grace_s:
            text += f" for longer than {self.grace_s:g} s"
        if not state.turned:
            text = "no unit was seen to turn"
        return [*found, unjudged(NAME, "not-exercised", text)]

    def _with_motion(self, state: Seen, piece: Piece) -> Seen:
        """The state after the bursts that began or ended in this piece."""
        if _is_state(piece.bench):
            return state
        least = self._wanted(piece.bench) - piece.bench.u(FLOW)
        for event in piece.events:
            if event.kind not in ("burst-start", "burst-end"):
                continue
            begins = event.kind == "burst-start"
            at_ns = event.time_ns + (-STARTS_NS if begins else STOPS_NS)
            flow = float(piece.at(FLOW, at_ns).value[0])
            if piece.turning([at_ns])[0] or np.isnan(flow):
                continue
            if flow >= least:
                state = replace(state, apart=True)
            elif begins:
                state = replace(state, began=state.began + 1)
            else:
                state = replace(state, ended=state.ended + 1)
        return state

    def _wanted(self, bench: Bench) -> float:
        return 1.0 if _is_state(bench) else self.minimum_l_per_min

    def _seen_at_rest(self, state: Seen, bench: Bench) -> bool:
        """Whether the reading answered to the pump: low without it, higher with it."""
        wanted, u = self._wanted(bench), bench.u(FLOW)
        if min(state.lowest_idle, state.lowest_turning) < wanted - u:
            return True
        both = math.isfinite(state.lowest_idle) and math.isfinite(state.lowest_turning)
        return both and state.lowest_turning - state.lowest_idle >= wanted + 2 * u

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause for a flow, or for the state of a pump."""
        about = worst.facts.get("about")
        late = f", from {self.grace_s:g} s after it began" if self.grace_s else ""
        says = self.says.get(f"{verdict} {about}" if about else str(verdict), "")
        return says.format(late=late)

    def _needed(self, piece: Piece, times_ns: Int64s) -> Bools:
        """Instants at which some unit has turned for longer than the grace."""
        needed = np.zeros(len(times_ns), bool)
        for unit in piece.bench.units:
            turning = piece.at(f"@turning.{unit.name}", times_ns)
            needed |= (turning.value == 1) & (turning.age_ns >= round(self.grace_s * S))
        return needed

    def _ends(self, piece: Piece) -> Int64s:
        """Instants of this piece at which a grace ends while the unit still turns."""
        grace_ns, found = round(self.grace_s * S), [np.zeros(0, np.int64)]
        for unit in piece.bench.units:
            steps = piece.back(f"@turning.{unit.name}", piece.start_ns - grace_ns)
            ends = steps.time_ns[steps.value == 1] + grace_ns
            ends = ends[(ends >= piece.start_ns) & (ends < piece.until_ns)]
            found.append(ends[self._needed(piece, ends)])
        return np.concatenate(found)


def _ranges(state: Seen, piece: Piece, samples: Samples) -> Seen:
    """The lowest readings so far; what a node sends in its first second may be start-up codes."""
    if not len(samples):
        return state
    woke_ns = int(samples.time_ns[0]) if state.woke_ns is None else state.woke_ns
    settled = samples[samples.time_ns - woke_ns >= WAKES_NS]
    turning = piece.turning(settled.time_ns)
    return replace(
        state,
        woke_ns=woke_ns,
        lowest_idle=float(settled.value[~turning].min(initial=state.lowest_idle)),
        lowest_turning=float(settled.value[turning].min(initial=state.lowest_turning)),
    )


def _is_state(bench: Bench) -> bool:
    """Whether the plan binds the pump's state instead of a flow."""
    binding = bench.bindings.get(FLOW)
    return binding is not None and binding.kind is Kind.STATE
