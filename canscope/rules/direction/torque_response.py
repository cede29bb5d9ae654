"""Rule ``torque-response``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit
from canscope.model.signals import NEVER
from canscope.rules import RULES
from canscope.rules.shared.persistence import NO_LABEL, LastLabel, below, follow, present, to_ns


@dataclass(frozen=True)
class Stood:
    """What is carried from piece to piece for one unit."""

    known: LastLabel = NO_LABEL  # since when its speed has been known
    still: LastLabel = NO_LABEL  # since when it has stood still
    armed_ns: int = int(NEVER)  # the last instant at which it had stood still for long enough
    moved_ns: int = int(NEVER)  # the last instant at which it moved


@RULES.add("torque-response")
@dataclass(frozen=True, kw_only=True)
class TorqueResponse(Rule):
    """A unit that starts from standstill starts the way its own torque points.

    A unit that turns against its torque while it draws power has a wrong position-sensor offset or
    phase order; its speed controller would push ever harder the wrong way.

    Judged
        For each unit, at the first sample at or above ``moving_rpm`` after it stood still (below
        ``still_rpm`` for ``standing_s``), if its torque has reached ``torque_Nm`` in the last
        ``look_s``, and in one sense only.
    Margin
        The speed along the torque, in rpm; the limit is 0.
    Unproven
        The unit never started from standstill by its own torque (not-exercised); speed or torque
        stale or not available.
    """

    torque_Nm: float = limit(5.0, "Nm", high=50.0, looser="higher")
    look_s: float = limit(0.2, "s", high=2.0)
    moving_rpm: float = limit(50.0, "rpm", low=1.0, high=200.0, looser="higher")
    still_rpm: float = limit(30.0, "rpm", low=1.0, high=200.0, looser="lower")
    standing_s: float = limit(1.0, "s", high=10.0, looser="higher")

    unit: ClassVar[str] = "rpm"
    limit_source: ClassVar[str] = "plan"  # the sense of torque and speed
    cross_checks: ClassVar[tuple[str, ...]] = ("units.*.torque", "units.*.speed")
    says: ClassVar[dict[str, str]] = {
        "pass": "the unit started the way its torque pointed ({torque_Nm:+.3g} Nm); speed along it",
        "fail": "the unit started against its own torque ({torque_Nm:+.3g} Nm); speed along it",
    }
    missed: ClassVar[str] = "it was not seen to start from standstill by its own torque"
    spins: ClassVar[bool] = True
    exercise: ClassVar[str] = "stand still for a second, then press the pedal so that it starts"
    causes: ClassVar[tuple[str, ...]] = (
        "the position sensor's offset is wrong by about half an electrical turn",
        "two phases are exchanged without the position sensor, or the sensor without the phases",
        "the torque or the speed is bound with the wrong sign",
        "the axle was turned from outside: by hand, by the other axle or by a slope",
    )
    next: ClassVar[str] = "stop; teach the position sensor's offset before any further spin"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit."""
        return [Subject(u.name, needs=(u.role("speed"), u.role("torque"))) for u in bench.units]

    def start(self, bench: Bench) -> Mapping[str, Stood]:
        return {unit.name: Stood() for unit in bench.units}

    def fold(
        self, state: Mapping[str, Stood], piece: Piece
    ) -> tuple[Mapping[str, Stood], Sequence[Outcome]]:
        """Judge every start from standstill in this piece."""
        after = dict(state)
        found: list[Outcome] = []
        for unit in piece.bench.units:
            if len(piece[unit.role("speed")]):
                after[unit.name], rows = self._unit(piece, unit, state[unit.name])
                found += rows
        return after, found

    def _unit(self, piece: Piece, unit: DriveUnit, stood: Stood) -> tuple[Stood, list[Outcome]]:
        role = unit.role("speed")
        known = follow(piece, role, stood.known, present)
        still = follow(piece, role, stood.still, below(self.still_rpm))
        times, rpm = known.new.sampled_ns, piece[role].value
        rpm = rpm[~np.isnan(rpm)]
        if not len(times):
            return Stood(known.last, still.last, stood.armed_ns, stood.moved_ns), []
        armed = still.new.held(times, 1.0, to_ns(self.standing_s))
        moving = np.abs(rpm) >= self.moving_rpm
        armed_ns = np.maximum.accumulate(np.where(armed, times, np.int64(stood.armed_ns)))
        moved_ns = np.maximum.accumulate(np.where(moving, times, np.int64(stood.moved_ns)))
        before_ns = np.concatenate((np.array([stood.moved_ns], np.int64), moved_ns[:-1]))
        starts = moving & (armed_ns > before_ns) & (armed_ns >= known.new.since_ns)
        found: list[Outcome] = []
        for row in np.flatnonzero(starts).tolist():
            torque_Nm = self._pushed(piece, unit, int(times[row]))
            if torque_Nm:
                along = float(np.sign(torque_Nm) * rpm[row])
                found.append(
                    margins(
                        unit.name,
                        times[row],
                        along,
                        measured=along,
                        limit=0.0,
                        uncertainty=piece.bench.u(role),
                        start_ns=max(int(armed_ns[row]), int(times[row]) - to_ns(1.0)),
                        torque_Nm=torque_Nm,
                    )
                )
        return Stood(known.last, still.last, int(armed_ns[-1]), int(moved_ns[-1])), found

    def _pushed(self, piece: Piece, unit: DriveUnit, time_ns: int) -> float:
        """The largest torque just before an instant; 0 if it was too small or pointed both ways."""
        role, since_ns = unit.role("torque"), time_ns - to_ns(self.look_s)
        if np.isnan(piece.at(role, time_ns).value[0]):
            return 0.0
        recent = piece.back(role, since_ns).between(since_ns, time_ns + 1).value
        values = np.concatenate((piece.at(role, since_ns).value, recent))
        values = values[np.abs(values) >= self.torque_Nm]
        if not len(values) or values.min() < 0 < values.max():
            return 0.0
        return float(values[np.argmax(np.abs(values))])
