"""Rule ``change-at-standstill``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.events import Event
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import SPINNING, CardStep, Rule, limit, unjudged
from canscope.rules import RULES
from canscope.rules.shared.direction_changes import WORDS, entered
from canscope.rules.shared.powered import powered


@RULES.add("change-at-standstill")
@dataclass(frozen=True, kw_only=True)
class ChangeAtStandstill(Rule):
    """The direction changes only while the motor practically stands.

    Judged
        At every entering of forward or reverse, for each unit, on its last speed known by then.
        The direction that a run begins with was not entered in it.
    Margin
        ``limit_rpm`` minus the motor's absolute speed, in rpm. The uncertainty is the speed's own,
        and how far the speed moved while the change may have happened.
    Unproven
        No direction was entered (not-exercised); at an entering the speed of a unit that could
        drive was not known (stale).
    """

    limit_rpm: float = limit(100.0, "rpm", high=500.0, note="at the motor", looser="higher")

    unit: ClassVar[str] = "rpm"
    order: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = SPINNING
    limit_parameter: ClassVar[str] = "limit_rpm"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "the {subject} unit practically stood at every change of direction",
        "fail": "{entered} was entered while the {subject} unit was turning",
        "close": "{entered} was entered while the {subject} unit turned at about the limit",
    }
    missed: ClassVar[str] = "no direction was entered"
    spins: ClassVar[bool] = True
    exercise: ClassVar[str] = "stop completely, then change direction with the brake pressed"
    causes: ClassVar[tuple[str, ...]] = (
        "the direction was changed while the unit was still coasting",
        "the controller accepts a change of direction at any speed",
        "the speed signal's factor is wrong",
    )
    next: ClassVar[str] = "read the controller's setting for a change of direction on the move"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each unit."""
        units = {unit.name: unit.role("speed") for unit in bench.units}
        return [
            Subject(name, needs=(speed, "driver.direction"))
            for name, speed in (units or {"axles": "units.*.speed"}).items()
        ]

    def fold(self, state: Any, piece: Piece) -> tuple[Any, Sequence[Outcome]]:
        """Judge the enterings of this piece."""
        found = [
            self._judge(piece, unit, event)
            for event in entered(piece)
            for unit in piece.bench.units
        ]
        return state, found

    def _judge(self, piece: Piece, unit: DriveUnit, event: Event) -> Outcome:
        speed_rpm, u_rpm = piece.at_event(unit.role("speed"), event)
        word = WORDS[event.value]
        if speed_rpm != speed_rpm:
            text = f"the speed was not known when {word} was entered"
            if not powered(piece, unit, np.array([event.time_ns], np.int64))[0]:
                return unjudged(unit.name, "not-exercised", text, event.time_ns)
            return Doubt(unit.name, "stale", text, event.time_ns)
        return margins(
            unit.name,
            event.time_ns,
            self.limit_rpm - abs(speed_rpm),
            measured=abs(speed_rpm),
            limit=self.limit_rpm,
            uncertainty=u_rpm,
            start_ns=event.after_ns,
            entered=word,
        )
