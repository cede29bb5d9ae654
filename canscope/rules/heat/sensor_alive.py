"""Rule ``sensor-alive``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import CardStep, Rule
from canscope.rules import RULES
from canscope.rules.heat._sensors import HOT_STAGES, heat_subjects, lives_among, thermometers
from canscope.trust.proof_of_life import Sensor, doubts, watch


@RULES.add("sensor-alive")
@dataclass(frozen=True, kw_only=True)
class SensorAlive(Rule):
    """Every temperature sensor lives: it is off the ends of its range, and it moved at least once.

    Judged
        For each temperature of each unit, when its raw value first changes, rails left out: -40
        degC give or take 2 K, the ends of the raw or declared range, not available.
    Margin
        Changes of the raw value, more than none: +1 at the first change in this run, or if an
        earlier run of the build record has seen one. It never fails.
    Unproven
        The sensor stood at a rail after its first good value or while the vehicle was engaged, it
        never gave a good value, its raw value never changed, it fell by 15 K within 0.3 s as no
        part cools, it stopped changing before a burst of its unit or after it, or it stood still
        over one burst where it moves by three steps over another as long (sensor-suspect). The
        temperature rules then do not pass on it either.
    """

    unit: ClassVar[str] = "change"
    required_in: ClassVar[frozenset[str]] = HOT_STAGES
    limit_source: ClassVar[str] = COMMON_PRACTICE
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.BEFORE_POWER})
    says: ClassVar[dict[str, str]] = {"pass": "the sensor is off its rails, and it {proof}"}
    codes: ClassVar[tuple[str, ...]] = (
        "at-end-of-range",
        "never-changed",
        "never-warmed",
        "against-neighbours",
    )
    exercise: ClassVar[str] = (
        "warm the sensor by hand or let the unit work until its reading moves by one step;"
        " check its plug if it stands at an end of its range"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every temperature of every unit."""
        return heat_subjects(bench)

    def start(self, bench: Bench) -> Mapping[str, Sensor]:
        return {thermometer.subject: Sensor() for thermometer in thermometers(bench)}

    def fold(
        self, state: Mapping[str, Sensor], piece: Piece
    ) -> tuple[Mapping[str, Sensor], Sequence[Outcome]]:
        """Follow every sensor; what it is worth only the whole run tells."""
        return {
            thermometer.subject: watch(state[thermometer.subject], piece, thermometer.role)
            for thermometer in thermometers(piece.bench)
        }, ()

    def close(self, state: Mapping[str, Sensor], piece: Piece) -> Sequence[Outcome]:
        """Each sensor held against the others, the air and earlier runs."""
        found: list[Outcome] = []
        lives = lives_among(state, piece)
        for thermometer in thermometers(piece.bench):
            life = lives[thermometer.role]
            found += doubts(lives, thermometer.subject, thermometer.role)
            if life.proof:
                at_ns = state[thermometer.subject].moved_ns if life.moved else None
                found.append(
                    margins(
                        thermometer.subject,
                        piece.until_ns - 1 if at_ns is None else at_ns,
                        1.0,
                        measured=1.0,
                        limit=np.nan,
                        proof=life.proof,
                        moved=life.moved,
                    )
                )
        return found
