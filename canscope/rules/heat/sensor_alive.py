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
from canscope.trust.heat.proof_of_life import doubts
from canscope.trust.heat.watched import Sensor, watch


@RULES.add("sensor-alive")
@dataclass(frozen=True, kw_only=True)
class SensorAlive(Rule):
    """Every temperature sensor lives: it is off the ends of its range and answers to heat.

    Judged
        For each temperature of each unit, over the whole run, against what heats it, its
        neighbours (the others of its unit, and those of the same name in the other unit), the air
        and earlier runs. Rails are left out: -40 degC give or take 2 K, the ends of the raw or
        declared range, not available; so is what a node sends in its first second while nothing is
        engaged.
    Margin
        A proof of life, more than none; the sentence names the first of these that there is. Its
        level rose after the first burst of its unit, over all that it showed before; it was warm
        and cooled; a hand moved it by three steps before the first burst; it is cold and constant,
        within one of its steps and 3 K of ``job.ambient_degC`` and of its neighbours, while none
        of them warmed by more than two of its steps, no unit turned for more than 20 s and its own
        did no more than 0.8 kJ of work, or as much less as its step is finer than 1 K (without a
        torque: turned for no more than 6 s), unless it
        has steps of 0.3 K or finer and never made one; it agrees
        within 4 K with a hand reading taken after its unit began to turn; an earlier recording of
        this vehicle (never a replay) proved the same signal of the same definition. It never fails.
    Unproven
        There is no such proof, or something in this run speaks against the sensor, whatever proves
        it (sensor-suspect): it stood at a rail while the vehicle was engaged or after its first
        burst; it never gave a good value; a neighbour warmed by three of its steps (of another
        unit: by five) and 0.5 K while it stood, dithered or fell; it warmed as another unit turned,
        before its own one ever did; it stopped for good while a neighbour that had warmed alike
        cooled; it fell from one reading to the next as no part cools; it rose in one straight line
        from first to last; it read colder than the air and everything else on a cold vehicle, until
        60 s after its last burst; it stayed at its highest while what is heated with it warmed on;
        it was back within a second of the end of every burst; it made, with all others of its unit
        that warmed by three of their steps, no step for 60 s from the last burst on; it read below
        -25 degC, or on a cold vehicle above 45 degC, before anything turned, and
        ``job.ambient_degC`` is not given; it lay otherwise than bursts can make of a part, by more
        than 0.8 of its steps and 15 % of its way (with coolant 25 to 40 %); it stopped changing
        before a burst of its unit or after it; or it stood still over one burst where it moves by
        three steps over another as long. The temperature rules then do not pass on it either. All
        these thresholds are common practice, no source.
    """

    unit: ClassVar[str] = "proof"
    required_in: ClassVar[frozenset[str]] = HOT_STAGES
    limit_source: ClassVar[str] = COMMON_PRACTICE
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.BEFORE_POWER})
    says: ClassVar[dict[str, str]] = {"pass": "the sensor is off its rails, and it {proof}"}
    codes: ClassVar[tuple[str, ...]] = (
        "jumped",
        "at-end-of-range",
        "never-changed",
        "never-warmed",
        "against-neighbours",
    )
    exercise: ClassVar[str] = (
        "give job.ambient_degC, begin cold and spin gently; or warm the sensor by hand before the"
        " first spin; or measure the part after a spin and note it as a reading; or let the unit"
        " work until its reading moves; check its plug if it stands at an end of its range"
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
