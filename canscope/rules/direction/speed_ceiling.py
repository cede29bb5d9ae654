"""Rule ``speed-ceiling``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import CardStep, Rule, limit
from canscope.rules import RULES
from canscope.trust.samples.range_ends import first_at_end


@dataclass(frozen=True)
class Seen:
    """What is known of one unit so far."""

    turned: bool = False
    clipped_ns: int | None = None


@RULES.add("speed-ceiling")
@dataclass(frozen=True, kw_only=True)
class SpeedCeiling(Rule):
    """No motor ever turns faster than agreed; a unit without load over-speeds within a second.

    Judged
        For each unit, on every sample of its motor speed, in either sense.
    Margin
        ``speed_rpm`` minus the magnitude of the motor speed, in rpm.
    Unproven
        The plan gives no ceiling (no-limit); the unit never turned (not-exercised); the speed
        stood at an end of its range, so that the true one may be larger (sensor-suspect), or goes
        through a low-pass, by its torque, that may hide as much as was left to the ceiling
        (sensor-suspect).
    """

    speed_rpm: float | None = limit(
        None, "rpm", high=30000.0, note="of the motor", example=1500, also="speed_rpm"
    )

    unit: ClassVar[str] = "rpm"
    required_in: ClassVar[frozenset[str]] = frozenset(
        {"unit-alone", "dry-spin", "wet-spin", "rolling"}
    )
    stops: ClassVar[bool] = True
    peaks: ClassVar[bool] = True
    limit_source: ClassVar[str] = "plan"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "the motor stayed below its speed ceiling",
        "fail": "the motor turned faster than its speed ceiling",
    }
    spins: ClassVar[bool] = True
    exercise: ClassVar[str] = "give the plan a speed ceiling and spin each unit"
    causes: ClassVar[tuple[str, ...]] = (
        "torque was asked for with nothing to hold the unit back",
        "the controller regulates torque where speed was expected",
        "the speed signal has a wrong factor in the definition",
    )
    next: ClassVar[str] = "lower the torque or speed limit in the controller before the next spin"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit."""
        missing = ""
        if self.speed_rpm is None:
            missing = "speed_rpm is not given in [limits] or [rules.speed-ceiling]"
        units = [Subject(u.name, needs=(u.role("speed"),), no_limit=missing) for u in bench.units]
        return units or [Subject("axles", needs=("units.*.speed",), no_limit=missing)]

    def start(self, bench: Bench) -> Mapping[str, Seen]:
        return {u.name: Seen() for u in bench.units if bench.has(u.role("speed"))}

    def fold(
        self, state: Mapping[str, Seen], piece: Piece
    ) -> tuple[Mapping[str, Seen], Sequence[Outcome]]:
        """Judge the new samples of every unit."""
        found: list[Outcome] = []
        after = dict(state)
        for name, seen in state.items():
            role = piece.bench.unit(name).role("speed")
            samples = piece[role]
            if piece.events_of("burst-start", name):
                seen = replace(seen, turned=True)
            if seen.clipped_ns is None and len(samples):
                clipped_ns = first_at_end(piece.bench.bindings[role], samples)
                seen = replace(seen, clipped_ns=clipped_ns)
            after[name] = seen
            if self.speed_rpm is not None and len(samples):
                magnitude = np.abs(samples.value)
                found.append(
                    margins(
                        name,
                        samples.time_ns,
                        self.speed_rpm - magnitude,
                        measured=magnitude,
                        limit=self.speed_rpm,
                        uncertainty=piece.bench.u(role),
                    )
                )
        return after, found

    def close(self, state: Mapping[str, Seen], piece: Piece) -> Sequence[Outcome]:
        """What keeps the run from being proof."""
        found = []
        for name, seen in state.items():
            if seen.clipped_ns is not None:
                text = "the speed stood at an end of its range; the true one may be larger"
                found.append(Doubt(name, "sensor-suspect", text, seen.clipped_ns))
            if not seen.turned:
                found.append(Doubt(name, "not-exercised", "the unit was not seen to turn"))
        return found
