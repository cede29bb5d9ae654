"""Rule ``turns-after-release``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit
from canscope.model.tables import Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.persistence import (
    NO_LABEL,
    LastLabel,
    Stretches,
    at_most,
    below,
    follow,
    sense,
    to_ns,
)
from canscope.rules.shared.powered import powered

PEDAL, REQUEST = "driver.pedal", "driver.direction"


@dataclass(frozen=True)
class Release:
    """The last release of the pedal while a unit turned."""

    time_ns: int
    sense: float
    over: bool = False  # it came to rest, the pedal was pressed, or the request changed


@dataclass(frozen=True)
class Turned:
    """What is carried from piece to piece for one unit."""

    turning: LastLabel = NO_LABEL  # by its sense
    still: LastLabel = NO_LABEL  # since when it has stood still
    release: Release | None = None


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    request: LastLabel = NO_LABEL
    rest: LastLabel = NO_LABEL  # since when the pedal has been at rest
    units: Mapping[str, Turned] = field(default_factory=dict)


@RULES.add("turns-after-release")
@dataclass(frozen=True, kw_only=True)
class TurnsAfterRelease(Rule):
    """After the pedal is released a unit slows down and does not run back.

    Judged
        For each unit that turned (``turning_rpm`` for ``turning_s``) and could drive (a pole
        closed, or its link charged) when the pedal came to rest (at or below ``rest_percent``):
        every speed from falling below ``turning_rpm`` on, until it has stood still (below
        ``still_rpm``) for ``standing_s``, the pedal is pressed again or another direction is
        requested.
    Margin
        ``opposite_rpm`` minus the speed in the sense opposite to the motion before the release.
    Unproven
        The pedal was never released while the unit turned and left at rest until it slowed down
        (not-exercised); speed or pedal stale or not available.
    """

    opposite_rpm: float = limit(50.0, "rpm", high=200.0, looser="higher")
    rest_percent: float = limit(3.0, "%", high=20.0, note="of travel")
    turning_rpm: float = limit(50.0, "rpm", low=1.0, high=200.0, looser="higher")
    turning_s: float = limit(0.2, "s", high=2.0, looser="higher")
    still_rpm: float = limit(30.0, "rpm", low=1.0, high=200.0, looser="lower")
    standing_s: float = limit(1.0, "s", high=10.0, looser="higher")

    unit: ClassVar[str] = "rpm"
    order: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "opposite_rpm"
    says: ClassVar[dict[str, str]] = {
        "pass": "the unit did not run back after the pedal was released; speed the other way",
        "fail": "the unit ran back after the pedal was released; speed the other way",
        "close": "the unit ran back after the pedal was released by about what is allowed",
    }
    missed: ClassVar[str] = "the pedal was not released while it turned"
    spins: ClassVar[bool] = True
    exercise: ClassVar[str] = "let the axle turn, release the pedal and let it come to rest"
    causes: ClassVar[tuple[str, ...]] = (
        "braking torque of the controller goes on through standstill",
        "the position sensor's offset is wrong, so that braking torque drives",
        "the direction request changes by itself when the pedal is released",
    )
    next: ClassVar[str] = "lower the braking torque, or the speed at which it fades out"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit."""
        return [Subject(u.name, needs=(u.role("speed"), PEDAL)) for u in bench.units]

    def start(self, bench: Bench) -> State:
        return State(units={unit.name: Turned() for unit in bench.units})

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge every new speed after a release."""
        request = follow(piece, REQUEST, state.request)
        rest = follow(piece, PEDAL, state.rest, at_most(self.rest_percent))
        released = (rest.label[1:] == 1) & (rest.label[:-1] == 0) & rest.joined[1:]
        released_ns = rest.time_ns[1:][released]
        units = dict(state.units)
        found: list[Outcome] = []
        for unit in piece.bench.units:
            turned = self._released(piece, unit, units[unit.name], released_ns)
            units[unit.name], rows = self._judged(piece, unit, turned, rest, request)
            found += rows
        return State(request.last, rest.last, units), found

    def _released(
        self, piece: Piece, unit: DriveUnit, turned: Turned, released_ns: Int64s
    ) -> tuple[Turned, Stretches, Stretches, list[Release]]:
        """This piece's stretches, and the releases to judge in it, the carried one first."""
        role = unit.role("speed")
        turning = follow(piece, role, turned.turning, sense(self.turning_rpm))
        still = follow(piece, role, turned.still, below(self.still_rpm))
        releases = [turned.release] if turned.release else []
        known = turning.at(piece, released_ns)
        held = released_ns - known.since_ns >= to_ns(self.turning_s)
        held &= powered(piece, unit, released_ns)  # else a hand turns it
        for time_ns, way, long in zip(
            released_ns.tolist(), known.label.tolist(), held.tolist(), strict=True
        ):
            turns = long and way in (1.0, -1.0)
            releases.append(Release(time_ns, way if turns else 0.0, over=not turns))
        return turned, turning, still, releases

    def _judged(
        self,
        piece: Piece,
        unit: DriveUnit,
        known: tuple[Turned, Stretches, Stretches, list[Release]],
        rest: Stretches,
        request: Stretches,
    ) -> tuple[Turned, list[Outcome]]:
        _, turning, still, releases = known
        times = turning.new.sampled_ns
        rpm = piece[unit.role("speed")].value
        rpm = rpm[~np.isnan(rpm)]
        pedal, asked = rest.at(piece, times), request.at(piece, times)
        stood = still.new.held(times, 1.0, to_ns(self.standing_s))
        found: list[Outcome] = []
        ends_ns = [release.time_ns for release in releases[1:]]
        for place, release in enumerate(releases):
            until_ns = ends_ns[place] if place < len(ends_ns) else piece.until_ns
            mine = (times >= release.time_ns) & (times < until_ns)
            ends = stood | (asked.since_ns > release.time_ns) | (pedal.since_ns > release.time_ns)
            over = np.logical_or.accumulate(mine & ends) | release.over
            along = release.sense * rpm
            rows = np.flatnonzero(mine & ~over & (pedal.label == 1) & (along < self.turning_rpm))
            if len(rows):
                found.append(self._rows(piece, unit, release, times[rows], along[rows]))
            if len(times):
                releases[place] = replace(release, over=bool(over[-1]))
        last = releases[-1] if releases else None
        return Turned(turning.last, still.last, last), found

    def _rows(
        self, piece: Piece, unit: DriveUnit, release: Release, at_ns: Int64s, along: Floats
    ) -> Outcome:
        return margins(
            unit.name,
            at_ns,
            self.opposite_rpm + along,
            measured=-along,
            limit=self.opposite_rpm,
            uncertainty=piece.bench.u(unit.role("speed")),
            start_ns=release.time_ns,
        )
