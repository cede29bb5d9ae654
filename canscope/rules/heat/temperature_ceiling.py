"""Rule ``temperature-ceiling``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from canscope.model.bench import Bench
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import CardStep, Rule, limit
from canscope.rules import RULES
from canscope.rules.heat._sensors import (
    HOT_STAGES,
    WATCH_S,
    Heat,
    begin,
    closing,
    follow,
    heat_subjects,
    thermometers,
    without_ceiling,
)


@RULES.add("temperature-ceiling")
@dataclass(frozen=True, kw_only=True)
class TemperatureCeiling(Rule):
    """No part of a drive unit ever gets hotter than the plan allows.

    Judged
        For each temperature of each unit, on every sample, whether the unit turns or not.
    Margin
        The ceiling of that temperature word minus the temperature, in K. It can be neither waived
        nor switched off.
    Unproven
        The plan gives no ceiling for that word (no-limit); the unit never turned, except in
        power-up, or the recording ended less than ``watch_s`` after its last burst
        (not-exercised); in that time the sensor fell silent or had no value (stale, not-available,
        out-of-range); it gave no proof that it lives, or something speaks
        against it (sensor-suspect, see sensor-alive).
    """

    ceiling_degC: Mapping[str, float] = limit(
        {},
        "degC",
        low=-40.0,
        high=220.0,
        note="by temperature word",
        example={"inverter": 75, "winding": 110},
        also="temperature_ceiling_degC",
    )
    watch_s: float = limit(
        WATCH_S, "s", low=30.0, high=600.0, note="after the last burst", looser="lower"
    )

    unit: ClassVar[str] = "degC"
    required_in: ClassVar[frozenset[str]] = HOT_STAGES
    stops: ClassVar[bool] = True
    waivable: ClassVar[bool] = False
    limit_source: ClassVar[str] = "plan"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN, CardStep.WATCH_HEAT})
    says: ClassVar[dict[str, str]] = {
        "pass": "the temperature stayed below its ceiling",
        "fail": "the temperature rose above its ceiling",
    }
    spins: ClassVar[bool] = True
    at_rest: ClassVar[bool] = True
    exercise: ClassVar[str] = "spin the unit, and record for 60 s after the last stop"
    causes: ClassVar[tuple[str, ...]] = (
        "the unit ran for too long, or with too much current, without coolant or oil",
        "coolant does not flow, or air is trapped in it",
        "the sensor has a wrong factor or offset in the definition",
    )
    next: ClassVar[str] = "stop, let it cool, and compare the reading with a surface thermometer"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every temperature of every unit."""
        return heat_subjects(bench, without_ceiling(self.ceiling_degC), speed=True)

    def start(self, bench: Bench) -> Heat:
        return begin(bench)

    def fold(self, state: Heat, piece: Piece) -> tuple[Heat, Sequence[Outcome]]:
        """Judge the new samples of every temperature."""
        found: list[Outcome] = []
        for thermometer in thermometers(piece.bench):
            samples = piece[thermometer.role]
            if thermometer.word in self.ceiling_degC and len(samples):
                ceiling = self.ceiling_degC[thermometer.word]
                found.append(
                    margins(
                        thermometer.subject,
                        samples.time_ns,
                        ceiling - samples.value,
                        measured=samples.value,
                        limit=ceiling,
                        uncertainty=piece.bench.u(thermometer.role),
                    )
                )
        return follow(state, piece, self.watch_s)[0], found

    def close(self, state: Heat, piece: Piece) -> Sequence[Outcome]:
        """Whether heat was watched for long enough, by a sensor that can be believed."""
        idle = piece.bench.stage == "power-up"
        return closing(state, piece, self.watch_s, idle_counts=idle)
