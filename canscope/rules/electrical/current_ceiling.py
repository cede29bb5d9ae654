"""Rule ``current-ceiling``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import MAINS, Bench
from canscope.model.median import median
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import ALL_STAGES, CardStep, Rule, limit
from canscope.rules import RULES
from canscope.trust.samples.range_ends import first_at_end

CURRENT = "pack.current"
FIRST = 32  # readings, whose median is the sensor's zero
ZERO_A = 0.5  # a smaller one is none; common practice, no source


@dataclass(frozen=True)
class Seen:
    """What is known so far."""

    engaged: bool = False  # a pole was closed or a unit turned
    turned: bool = False
    clipped_ns: int | None = None
    idle_A: tuple[float, ...] = ()  # the first readings before any pole closed
    zero_ns: int | None = None  # when the last of them came


@RULES.add("current-ceiling")
@dataclass(frozen=True, kw_only=True)
class CurrentCeiling(Rule):
    """The pack never gives or takes more current than agreed for this stage.

    Judged
        On every sample of the pack current, charging or discharging: against ``dry_current_A``
        while coolant or oil is empty, else against ``current_A``.
    Margin
        The ceiling minus the magnitude of the pack current, in A. Where the sensor read more than
        0.5 A before any contactor closed, this is added to the uncertainty: the median of its first
        32 readings then.
    Unproven
        The plan gives no ceiling for this stage (no-limit); no unit turned in the whole run, or in
        power-up no pole closed, nor, where none is bound, did a link come up to the pack
        (not-exercised); the current stood at an end of its range, so that the true one may be
        larger (sensor-suspect).
    """

    dry_current_A: float | None = limit(
        None,
        "A",
        high=2000.0,
        note="while coolant or oil is empty",
        example=30,
        also="dry_current_A",
    )
    current_A: float | None = limit(
        None, "A", high=5000.0, note="with both filled", example=200, also="current_A"
    )

    unit: ClassVar[str] = "A"
    required_in: ClassVar[frozenset[str]] = ALL_STAGES
    stops: ClassVar[bool] = True
    levels: ClassVar[frozenset[str]] = frozenset({CURRENT})
    limit_source: ClassVar[str] = "plan"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP, CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "the pack current stayed below its ceiling",
        "fail": "the pack current exceeded its ceiling",
    }
    exercise: ClassVar[str] = "give the plan a current ceiling and spin each unit"
    causes: ClassVar[tuple[str, ...]] = (
        "more torque was asked for than agreed",
        "an axle binds, or a brake drags",
        "the position sensor is out of adjustment, so that current makes heat instead of torque",
    )
    next: ClassVar[str] = "turn the axle by hand with high voltage off; it must turn freely"

    def exercise_in(self, bench: Bench) -> str:
        """In power-up it is judged on closing alone."""
        if bench.stage == "power-up":
            return "give the plan a current ceiling and close the contactors"
        return self.exercise

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pack."""
        missing = ""
        if self._ceiling(bench) is None:
            missing = "dry_current_A" if bench.dry else "current_A"
            missing += " is not given in [limits] or [rules.current-ceiling]"
        return [Subject("pack", needs=(CURRENT,), no_limit=missing)]

    def start(self, bench: Bench) -> Seen:
        return Seen()

    def fold(self, state: Seen, piece: Piece) -> tuple[Seen, Sequence[Outcome]]:
        """Judge the new samples."""
        # Where no contactor is bound, a link that comes up to the pack was connected to it.
        state = _idle(state, piece)
        charged = any(event.value == 1 for event in piece.events_of("link"))
        if not state.engaged and (charged or (piece["@engaged"].value == 1).any()):
            state = replace(state, engaged=True)
        if not state.turned and piece.events_of("burst-start"):
            state = replace(state, turned=True)
        samples, ceiling = piece[CURRENT], self._ceiling(piece.bench)
        if not len(samples) or CURRENT not in piece.bench.bindings:
            return state, ()
        if state.clipped_ns is None:
            clipped_ns = first_at_end(piece.bench.bindings[CURRENT], samples)
            state = replace(state, clipped_ns=clipped_ns)
        if ceiling is None:
            return state, ()
        magnitude = np.abs(samples.value)
        u = piece.bench.u(CURRENT)
        return state, [
            margins(
                "pack",
                samples.time_ns,
                ceiling - magnitude,
                measured=magnitude,
                limit=ceiling,
                uncertainty=u + np.where(samples.time_ns > (state.zero_ns or 0), _zero_A(state), 0),
            )
        ]

    def close(self, state: Seen, piece: Piece) -> Sequence[Outcome]:
        """What keeps the run from being proof."""
        found = []
        if state.clipped_ns is not None:
            text = "the current stood at an end of its range; the true one may be larger"
            found.append(Doubt("pack", "sensor-suspect", text, state.clipped_ns))
        if piece.bench.stage == "power-up":
            if not state.engaged:
                found.append(Doubt("pack", "not-exercised", "no contactor was seen to close"))
        elif not state.turned:
            found.append(Doubt("pack", "not-exercised", "no unit was seen to turn"))
        return found

    def _ceiling(self, bench: Bench) -> float | None:
        return self.dry_current_A if bench.dry else self.current_A


def _idle(state: Seen, piece: Piece) -> Seen:
    """Take in the first readings before any contactor closed."""
    bench, lacking = piece.bench, FIRST - len(state.idle_A)
    if state.engaged or not lacking or not bench.has(CURRENT, *(f"contactors.{p}" for p in MAINS)):
        return state
    samples, engaged = piece[CURRENT].known, piece["@engaged"]
    closed_ns = engaged.time_ns[engaged.value == 1]
    until_ns = int(closed_ns[0]) if len(closed_ns) else piece.until_ns
    idle = samples[piece.at("@engaged", samples.time_ns).value == 0]
    idle = idle[idle.time_ns < until_ns][:lacking]
    if not len(idle):
        return state
    known = (*state.idle_A, *idle.value.tolist())
    return replace(state, idle_A=known, zero_ns=int(idle.time_ns[-1]))


def _zero_A(state: Seen) -> float:
    """How far the sensor's zero is off; 0 where it is not known, or hardly."""
    zero_A = abs(median(np.array(state.idle_A))) if len(state.idle_A) == FIRST else 0.0
    return zero_A if zero_A > ZERO_A else 0.0
