"""Rule ``rocking``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.outcome import Doubt, Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit
from canscope.rules import RULES
from canscope.rules.shared.persistence import NO_LABEL, LastLabel, Stretches, follow, to_ns
from canscope.rules.shared.powered import powered

REQUEST = "driver.direction"


@dataclass(frozen=True)
class Turned:
    """What is carried from piece to piece for one unit."""

    sign: float = 0.0  # of its last motion
    flips_ns: tuple[int, ...] = ()  # of the last window
    asked: bool = False  # it moved while forward or reverse had been requested for long enough


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    request: LastLabel = NO_LABEL
    units: Mapping[str, Turned] = field(default_factory=dict)


@RULES.add("rocking")
@dataclass(frozen=True, kw_only=True)
class Rocking(Rule):
    """No unit shakes to and fro while the request stays the same.

    Judged
        For each unit, at every sample of its motor speed at or above ``hysteresis_rpm`` in either
        sense, once the requested direction has been the same for ``within_s``: how often its sign
        changed within ``within_s``. Speeds below ``hysteresis_rpm`` have no sign: that is the noise
        of a sensor at standstill. Not with all poles open, where it is rocked by hand.
    Margin
        ``flips`` minus the number of sign changes.
    Unproven
        The unit never moved while forward or reverse was requested for so long (not-exercised);
        speed or request stale or not available.
    """

    flips: int = limit(2, "flips", high=10.0, note="within within_s", looser="higher")
    within_s: float = limit(1.0, "s", low=0.1, high=10.0, looser="lower")
    hysteresis_rpm: float = limit(20.0, "rpm", high=100.0, looser="higher")

    unit: ClassVar[str] = "flips"
    limit_parameter: ClassVar[str] = "flips"
    says: ClassVar[dict[str, str]] = {
        "pass": "the unit did not shake to and fro at a steady request; most sign changes at once",
        "fail": "the unit shook to and fro at a steady request; changes of sense at once",
    }
    spins: ClassVar[bool] = True
    exercise: ClassVar[str] = "request forward, wait a second, then let the axle turn for three"
    causes: ClassVar[tuple[str, ...]] = (
        "the position sensor's offset is wrong, so that torque changes its sense with the angle",
        "two phases or two sensor wires are exchanged, not both",
        "the speed controller's gain is too high for a shaft without load",
    )
    next: ClassVar[str] = "stop; teach the position sensor's offset, then spin with less torque"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit."""
        return [Subject(u.name, needs=(u.role("speed"), REQUEST)) for u in bench.units]

    def start(self, bench: Bench) -> State:
        return State(units={unit.name: Turned() for unit in bench.units})

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge every new speed of every unit."""
        request = follow(piece, REQUEST, state.request)
        units = dict(state.units)
        found: list[Outcome] = []
        for unit in piece.bench.units:
            units[unit.name], rows = self._unit(piece, unit, units[unit.name], request)
            found += rows
        return State(request.last, units), found

    def _unit(
        self, piece: Piece, unit: DriveUnit, turned: Turned, request: Stretches
    ) -> tuple[Turned, list[Outcome]]:
        samples = piece[unit.role("speed")]
        moving = samples[np.abs(samples.value) >= self.hysteresis_rpm]
        moving = moving[powered(piece, unit, moving.time_ns)]
        if not len(moving):
            return turned, []
        times, width_ns = moving.time_ns, to_ns(self.within_s)
        sign = np.sign(moving.value)
        before = np.concatenate(([turned.sign], sign[:-1]))
        flipped = times[(before != 0) & (sign != before)]
        flips_ns = np.concatenate((np.array(turned.flips_ns, np.int64), flipped))
        count = np.searchsorted(flips_ns, times, "right")
        count = count - np.searchsorted(flips_ns, times - width_ns, "right")
        asked = request.at(piece, times)
        steady = ~np.isnan(asked.label) & (times - asked.since_ns >= width_ns)
        margin = np.where(steady, self.flips - count.astype(np.float64), np.nan)
        some = deciding_rows(margin)
        keep = flips_ns[np.searchsorted(flips_ns, times[-1] - width_ns, "right") :]
        after = Turned(
            float(sign[-1]),
            tuple(keep.tolist()),
            turned.asked or bool((steady & (asked.label != 0)).any()),
        )
        return after, [
            margins(
                unit.name,
                times[some],
                margin[some],
                measured=count[some],
                limit=self.flips,
                start_ns=times[some] - width_ns,
            )
        ]

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """A unit that only coasted proves nothing."""
        text = "it did not move while a direction had been requested for so long"
        return [
            Doubt(name, "not-exercised", text)
            for name, turned in state.units.items()
            if not turned.asked
        ]
